"""The nearest known names to one that is not known, for errors that show the way out."""

from service.domain.errors import NotFound
from service.store.db import Connection

LEAST_ALIKE = 0.2
"""Trigram similarity from which a platform's or part's name is worth a hint (our choice)."""
QUERIES = {
    # By trigram similarity, ties by name; the index on tag serves the largest of these tables.
    "vehicle": "SELECT tag::text FROM vehicle WHERE erased_at IS NULL ORDER BY similarity(tag::text, %(name)s) DESC, tag LIMIT 3",
    "platform": """
        SELECT slug::text FROM platform WHERE slug = %(name)s OR similarity(slug::text, %(name)s) > %(least)s
        ORDER  BY similarity(slug::text, %(name)s) DESC, slug LIMIT 3
    """,
    "part": """
        SELECT slug::text FROM part WHERE slug = %(name)s OR similarity(slug::text, %(name)s) > %(least)s
        ORDER  BY similarity(slug::text, %(name)s) DESC, slug LIMIT 3
    """,
    "bay": "SELECT slug::text FROM bay ORDER BY similarity(slug::text, %(name)s) DESC, slug LIMIT 3",
    "slot": "SELECT slug::text FROM slot ORDER BY similarity(slug::text, %(name)s) DESC, slug LIMIT 3",
}


def nearest(conn: Connection, kind: str, name: str) -> list[str]:
    """Up to three known names of a kind (`vehicle`, `platform`, `part`, `bay`, `slot`), nearest first; of platforms and
    parts only those that are alike at all."""
    return [row[0] for row in conn.execute(QUERIES[kind], {"name": name, "least": LEAST_ALIKE}).fetchall()]


def not_known(conn: Connection, kind: str, name: str) -> NotFound:
    """What is raised for a name that is not known: it names the nearest."""
    return NotFound(kind, name, nearest(conn, kind, name))


def tags_one_letter_away(conn: Connection, tag: str) -> list[str]:
    """Vehicle tags that one letter added, dropped or changed turns into this one."""
    rows = conn.execute(
        """
        SELECT tag::text FROM vehicle
        WHERE  tag <> %(tag)s AND length(tag) BETWEEN length(%(tag)s) - 1 AND length(%(tag)s) + 1
        """,
        {"tag": tag},
    ).fetchall()
    return [row[0] for row in rows if one_letter_apart(row[0], tag)]


def one_letter_apart(a: str, b: str) -> bool:
    """Whether one insertion, deletion or substitution turns a into b."""
    if len(a) > len(b):
        a, b = b, a
    start = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(a))
    skip = 1 if len(a) == len(b) else 0
    return a[start + skip :] == b[start + 1 :]
