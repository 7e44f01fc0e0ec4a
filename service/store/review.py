"""What a review needs beside the session itself: how the bay's pulls spread before it, and its pairs with both sides."""

from dataclasses import dataclass
from typing import Any, NamedTuple
from uuid import UUID

from psycopg.rows import class_row

from service.store.db import Connection, Later
from service.store.evidence import PairRow, pair_row, side_columns
from service.store.sessions import RECENT_SETUPS


@dataclass(frozen=True, slots=True)
class BaySpread:
    """Squared deviations of a bay's pulls from their setups' means, added up, and their degrees of freedom."""

    spread_ss: float
    spread_df: int


def ask_bay_spread(conn: Connection, bay: str, before_session: int) -> Later[BaySpread]:
    """The spread of the pulls that a bay had posted before a session, as a post is held against it: over as many
    setups, without those whose pulls disagree."""
    cursor = conn.cursor(row_factory=class_row(BaySpread))
    cursor.execute(
        """
        WITH recent AS (
            SELECT spread_ss, spread_df FROM setup_summary JOIN bay USING (bay_id)
            WHERE  bay.slug = %(bay)s AND counts AND NOT doubts @> '{pulls-disagree}'
                   AND setup_id < (SELECT min(setup_id) FROM setup WHERE session_id = %(session)s)
            ORDER  BY setup_id DESC LIMIT %(recent)s
        )
        SELECT coalesce(sum(spread_ss), 0) AS spread_ss, coalesce(sum(spread_df), 0) AS spread_df FROM recent
        """,
        {"bay": bay, "session": before_session, "recent": RECENT_SETUPS},
    )

    def spread() -> BaySpread:
        row = cursor.fetchone()
        assert row is not None
        return row

    return spread


class ReviewedPair(NamedTuple):
    """A pair in which one of a session's setups stands: what answers read of it, and where it stands."""

    row: PairRow
    part: str
    against: str | None
    differs: list[dict[str, Any]]
    with_session: UUID
    with_n: int
    without_session: UUID
    without_n: int


SHOWN = f"""
    SELECT placed.vehicle_id, same_session, match, held, usable, gap_days, at, again_share, again_is_with,
           {side_columns("w")}, {side_columns("o")}, {side_columns("r")},
           part.slug::text, against.slug::text, differs, ws.id, with_.n, os.id, without.n
    FROM   placed
           JOIN part USING (part_id)
           LEFT JOIN part against ON against.part_id = against_id
           JOIN setup with_ ON with_.setup_id = setup_with
           JOIN session ws ON ws.session_id = with_.session_id
           JOIN setup without ON without.setup_id = setup_without
           JOIN session os ON os.session_id = without.session_id
           JOIN setup_summary w ON w.setup_id = setup_with
           JOIN setup_summary o ON o.setup_id = setup_without
           LEFT JOIN setup_summary r ON r.setup_id = setup_again
"""  # noqa: S608
PAIRS = f"""
    WITH mine AS (SELECT setup_id FROM setup WHERE session_id = %(session)s),
         touched AS (
             SELECT pair.* FROM pair JOIN mine ON setup_with = setup_id
             UNION
             SELECT pair.* FROM pair JOIN mine ON setup_without = setup_id
         ),
         -- One part against another is kept both ways round: the way it was done is the one whose `with` came later.
         forward AS (
             SELECT touched.*
             FROM   touched
                    JOIN setup with_ ON with_.setup_id = setup_with
                    JOIN setup without ON without.setup_id = setup_without
             WHERE  against_id = 0 OR CASE WHEN same_session THEN with_.n > without.n ELSE gap_days >= 0 END
         ),
         placed AS (
             SELECT forward.*,
                    row_number() OVER (
                        PARTITION BY part_id, against_id
                        ORDER BY same_session DESC, usable DESC, match, held DESC, abs(gap_days), setup_with, setup_without
                    ) AS place
             FROM   forward
         )
    {SHOWN}
    WHERE  same_session OR place = 1
    ORDER  BY NOT same_session, part.slug, against.slug NULLS FIRST, match, with_.n, without.n
"""  # noqa: S608
PAIR_OF_SETUPS = f"""
    WITH placed AS (
        SELECT * FROM pair
        WHERE  (setup_with, setup_without) IN ((%(one)s, %(other)s), (%(other)s, %(one)s))
    )
    {SHOWN}
    ORDER  BY setup_with = %(other)s DESC LIMIT 1
"""  # noqa: S608
WHERE_IT_STANDS = len(ReviewedPair._fields) - 1


def ask_pairs(conn: Connection, session: int) -> Later[list[ReviewedPair]]:
    """All pairs inside a session; of those with other sessions the best for each question not answered inside."""
    cursor = conn.execute(PAIRS, {"session": session})
    return lambda: [reviewed_pair(row) for row in cursor.fetchall()]


def reviewed_pair(row: tuple[Any, ...]) -> ReviewedPair:
    """A flat row of SHOWN."""
    return ReviewedPair(pair_row(row[:-WHERE_IT_STANDS]), *row[-WHERE_IT_STANDS:])


def pair_between(conn: Connection, before: int, after: int) -> ReviewedPair | None:
    """The pair that two setups make, the one with the part at `after` where there are both; None where they make none."""
    row = conn.execute(PAIR_OF_SETUPS, {"one": before, "other": after}).fetchone()
    return None if row is None else reviewed_pair(row)
