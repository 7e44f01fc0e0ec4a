"""What posting every life once leaves in a ledger: the rows that the loader multiplies.

Each life is posted for one car, through the app, into a ledger beside that knows the same shop; what is then read back is
what the real code made of it. What the door says of a life must not hang on the company that it came into: anything else
than `TOLD` is refused, and so is a table that grew and is not filled by the loader.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import orjson
import psycopg
from numpy.typing import NDArray
from psycopg import sql

from service.app import create_app
from service.settings import Settings
from service.store import tokens
from service.store.pairs import STOCK
from tests.bench.planned import Plan, Shop, documents, one_of_each
from tests.bench.templates import templates

Ints = NDArray[np.int64]
Connection = psycopg.Connection[Any]

WHO = "bench"
"""The token that posts, and that the loader says posted."""
FILLED = (
    "vehicle", "history", "car_change", "session", "setup", "setup_part", "pull", "pull_raw", "setup_summary", "setup_curve",
    "pair", "evidence_version", "finding",
)  # fmt: skip
"""The tables that adding a car and posting a session write."""
VERBATIM = ("vehicle", "session", "setup", "pull", "pull_raw", "setup_summary")
"""Those of which most columns are taken over in the database."""
TOLD = frozenset({"lambda-not-before-catalyst", "engine-not-warm"})
"""What the door may say of a life: it says so whoever lives it."""


class CannotBeLoaded(Exception):
    """What the lives came to cannot be taken over; the words say why."""


@dataclass(frozen=True, slots=True)
class Lived:
    """What posting every life once left in the ledger beside.

    tables: its rows as COPY gives them, by table; setup_id, session_id: the keys there of each state and strap-down,
    by their numbers in the lives; curves: (first, torque, channels, their values) of each state; pairs, findings: by life
    and by strap-down.
    """

    tables: Mapping[str, bytes]
    setup_id: Ints
    session_id: Ints
    curves: Sequence[tuple[int, NDArray[np.float64], list[str], bytes] | None]
    pairs: Mapping[int, list["LivedPair"]]
    findings: Mapping[int, list[tuple[Any, ...]]]


@dataclass(frozen=True, slots=True)
class LivedPair:
    """A pair of a life: states by their place in the life, parts by their number in it (-1: without)."""

    part: int
    against: int
    with_: int
    without: int
    again: int | None
    rest: tuple[Any, ...]
    match: int
    same_session: bool


def fill_shop(url: str, owner_url: str, shop: Shop) -> None:
    """Post platforms, parts and bays."""
    with posting(url, owner_url) as post:
        for path in ("platforms", "parts", "bays"):
            for document in getattr(shop, path):
                post(f"/v1/{path}", orjson.dumps(document))


@contextmanager
def posting(url: str, owner_url: str) -> Iterator[Callable[[str, bytes], None]]:
    """A way to post documents to a database through the app, as the admin `WHO`; anything but 201 is an error."""
    with psycopg.connect(owner_url, autocommit=True) as owner:
        head = {"Authorization": f"Bearer {tokens.create_token(owner, scope='admin', name=WHO)}"}
    app = create_app(Settings(database_url=url, secret=WHO))
    client = app.test_client()

    def post(path: str, document: bytes) -> None:
        answer = client.post(path, data=document, content_type="application/json", headers=head)
        if answer.status_code != 201:
            raise CannotBeLoaded(f"{path} answered {answer.status_code}: {answer.text[:800]}")

    try:
        yield post
    finally:
        app.extensions["bayledger"].close()


def post_plan(url: str, owner_url: str, shop: Shop, plan: Plan) -> None:
    """Post a plan's cars and sessions one by one."""
    platforms = [platform["slug"] for platform in shop.platforms]
    with posting(url, owner_url) as post:
        for tag, platform in zip(plan.tag, plan.platform.tolist(), strict=True):
            car = {"tag": tag, "platform": platforms[platform], "confirm": True}
            post("/v1/vehicles", orjson.dumps(car))
        for document in documents(shop, plan):
            post("/v1/sessions", document)


def lived(url: str, owner_url: str, superuser_url: str, lives: Sequence[int]) -> Lived:
    """Post each of some lives for one car of its own into a ledger that knows the shop, and read what that left there."""
    shop, plan = one_of_each(lives)
    with psycopg.connect(superuser_url, autocommit=True) as conn:
        had = rows_of_tables(conn)
        post_plan(url, owner_url, shop, plan)
        grown = {name for name, rows in rows_of_tables(conn).items() if rows > had[name]} - {"token"}
        if grown - set(FILLED):
            raise CannotBeLoaded(
                f"a post now writes {', '.join(sorted(grown - set(FILLED)))}, which are not filled here"
            )
        return read_lived(conn, plan)


def rows_of_tables(conn: Connection) -> dict[str, int]:
    """How many rows each table holds."""
    names = conn.execute(
        "SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace"
    )
    return {
        name: one(conn, sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(name)))
        for (name,) in names.fetchall()
    }


def one(conn: Connection, query: sql.Composed) -> Any:
    """The one value that a query answers."""
    row = conn.execute(query).fetchone()
    assert row is not None
    return row[0]


def read_lived(conn: Connection, plan: Plan) -> Lived:
    """The rows that a plan of one car a life left, posted into a ledger without sessions."""
    at = templates()
    setup_id = np.zeros(at.session_of.size, dtype=np.int64)
    session_id = np.zeros(at.setups.size, dtype=np.int64)
    setup_id[plan.setup] = np.arange(plan.setup.size) + 1
    session_id[plan.session] = np.arange(plan.session.size) + 1
    curves = dict(curves_of(conn))
    return Lived(
        tables={name: copied_out(conn, name) for name in VERBATIM},
        setup_id=setup_id,
        session_id=session_id,
        curves=[curves.get(key) for key in setup_id.tolist()],
        pairs=pairs_of_lives(conn, plan, setup_id),
        findings=findings_of_lives(conn, plan),
    )


def copied_out(conn: Connection, table: str) -> bytes:
    """All rows of a table as COPY writes them."""
    with conn.cursor().copy(
        sql.SQL("COPY {} TO STDOUT (FORMAT binary)").format(sql.Identifier(table))
    ) as copy:
        return b"".join(bytes(block) for block in copy)


def curves_of(conn: Connection) -> Iterator[tuple[int, tuple[int, NDArray[np.float64], list[str], bytes]]]:
    """Each setup's curve, its torque as numbers."""
    rows = conn.execute("SELECT setup_id, first, torque_nm, channels, channel_values FROM setup_curve")
    for key, first, torque, channels, along in rows.fetchall():
        yield key, (first, np.frombuffer(torque, "<f4").astype(np.float64), channels, along)


def pairs_of_lives(conn: Connection, plan: Plan, setup_id: Ints) -> dict[int, list[LivedPair]]:
    """The pairs of every life, by its number."""
    first = templates().first_setup[templates().first_session]
    place = {int(key): number for number, key in enumerate(setup_id.tolist()) if key}
    pairs = defaultdict(list)
    rows = conn.execute("""
        SELECT vehicle_id, part_id, against_id, setup_with, setup_without, setup_again, match, same_session,
               again_share, again_is_with, held, usable, differs::text
        FROM   pair ORDER BY setup_with, setup_without
    """)
    for vehicle, part, against, with_, without, again, match, same, *rest in rows.fetchall():
        life, own = int(plan.life[vehicle - 1]), (plan.parts[vehicle - 1] + 1).tolist()
        pairs[life].append(
            LivedPair(
                part=own.index(part),
                against=-1 if against == STOCK else own.index(against),
                with_=place[with_] - int(first[life]),
                without=place[without] - int(first[life]),
                again=None if again is None else place[again] - int(first[life]),
                rest=tuple(rest),
                match=match,
                same_session=same,
            )
        )
    return pairs


def findings_of_lives(conn: Connection, plan: Plan) -> dict[int, list[tuple[Any, ...]]]:
    """What the door said of every strap-down, by its number in the lives."""
    said = defaultdict(list)
    columns = "session_id, setup_n, pull_n, code, level, message, pointer"
    for session, *finding in conn.execute(f"SELECT {columns} FROM finding ORDER BY finding_id").fetchall():
        if finding[2] not in TOLD:
            raise CannotBeLoaded(
                f"the door says {finding[2]} of a life, which may hang on company: {finding[4]}"
            )
        said[int(plan.session[session - 1])].append(tuple(finding))
    return said
