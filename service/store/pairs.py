"""Before/after pairs and the evidence versions that rest on them."""

from collections.abc import Iterable, Sequence
from typing import Any

from psycopg.rows import kwargs_row

from service.domain.pairing import MATCHES, CarSetup, Pair
from service.store.db import Connection, Later, as_json, records

STOCK = 0
"""The `part_id` under which a platform's stock cars have their evidence version."""


def car_setup(part_ids: list[int], doubts: list[str], **rest: Any) -> CarSetup:
    """A row of `setups_of_car` with its arrays as the sets that pairing compares."""
    return CarSetup(part_ids=frozenset(part_ids), doubts=tuple(doubts), **rest)


SETUPS_OF_CAR = """
    SELECT setup_id, session_id, setup.n, session.bay_id, session.started_at, part_ids,
           parts_known, counts, best_of IS NOT NULL AS peaks_only, level_standard,
           factor IS NOT NULL AS observed_known, doubts,
           coolant_c, oil_c, inlet_c, ethanol, lambda_mean, spark_advance_deg, map_max_kpa, ramp_rpm_s,
           temperature_c, pressure_kpa, tyre_pressure_kpa, tyre_size, gear, ratio
    FROM   setup_summary
           JOIN setup USING (setup_id)
           JOIN session USING (session_id)
    WHERE  session.vehicle_id =
"""


def setups_of_car(conn: Connection, vehicle_id: int) -> Later[list[CarSetup]]:
    """Every setup of one car, as pairing sees it."""
    cursor = conn.cursor(row_factory=kwargs_row(car_setup))
    return cursor.execute(SETUPS_OF_CAR + "%s", (vehicle_id,)).fetchall


def setups_of_tag(conn: Connection, tag: str) -> Later[list[CarSetup]]:
    """The same by the car's tag, for asking before its key is known."""
    cursor = conn.cursor(row_factory=kwargs_row(car_setup))
    return cursor.execute(SETUPS_OF_CAR + "(SELECT vehicle_id FROM vehicle WHERE tag = %s)", (tag,)).fetchall  # noqa: S608


def slots_of_car(conn: Connection, vehicle_id: int) -> Later[dict[int, frozenset[str]]]:
    """The slots that each part ever fitted to a car fills."""
    cursor = conn.execute(
        """
        SELECT   part_id, array_agg(slot::text) FROM part_slot
        WHERE    part_id IN (SELECT unnest(part_ids) FROM setup JOIN session USING (session_id) WHERE vehicle_id = %s)
        GROUP BY part_id
        """,
        (vehicle_id,),
    )
    return lambda: {part_id: frozenset(slots) for part_id, slots in cursor.fetchall()}


PAIR_VALUES = (
    "part_id", "against_id", "setup_with", "setup_without", "setup_again", "again_share", "again_is_with", "at",
    "same_session", "held", "usable", "gap_days",
)  # fmt: skip
ADD_PAIRS = "INSERT INTO pair " + records(
    "pair", ("platform_id", "vehicle_id", *PAIR_VALUES, "match", "differs")
)


def add_pairs(conn: Connection, platform_id: int, vehicle_id: int, pairs: Sequence[Pair]) -> None:
    """Insert pairs of one car."""
    if pairs:
        rows = as_json(pair_row(platform_id, vehicle_id, pair) for pair in pairs)
        conn.execute(ADD_PAIRS, (rows,))


def pair_row(platform_id: int, vehicle_id: int, pair: Pair) -> dict[str, object]:
    """One pair, by column."""
    differs = [
        {"what": d.what, "before": d.before, "after": d.after, "window": d.window} for d in pair.differs
    ]
    return {
        "platform_id": platform_id,
        "vehicle_id": vehicle_id,
        **{name: getattr(pair, name) for name in PAIR_VALUES},
        "match": MATCHES.index(pair.match),
        "differs": differs,
    }


def drop_pairs_of_car(conn: Connection, vehicle_id: int) -> set[int]:
    """Remove a car's pairs, to be made anew; answer the parts they spoke of."""
    rows = conn.execute("DELETE FROM pair WHERE vehicle_id = %s RETURNING part_id", (vehicle_id,)).fetchall()
    return {row[0] for row in rows}


def bump_evidence(conn: Connection, platform_id: int, part_ids: Iterable[int]) -> None:
    """Mark that the evidence on these parts changed, in key order so that two posts cannot wait for each other."""
    conn.execute(
        """
        INSERT INTO evidence_version (platform_id, part_id, version)
        SELECT %s, part, 1 FROM unnest(%s::integer[]) AS touched (part)
        ON CONFLICT (platform_id, part_id) DO UPDATE SET version = evidence_version.version + 1
        """,
        (platform_id, sorted({*part_ids, STOCK})),
    )
