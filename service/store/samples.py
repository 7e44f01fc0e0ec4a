"""Self-checks that are too dear to make of everything: some cars and some pulls, taken at random each time."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from psycopg.rows import dict_row

from service.domain.pairing import pairs_of_car
from service.store.db import Connection
from service.store.invariants import BACKUP, SETTLE
from service.store.pairs import PAIR_VALUES, pair_row, setups_of_car, slots_of_car
from service.store.reading import decoded
from service.store.settings import shop_in_force

Found = tuple[list[str], str]
"""Where it does not hold, and at how much of the ledger was looked."""


@dataclass(frozen=True, slots=True)
class Sampled:
    """An invariant of a sample; `look` takes how many are to be looked at."""

    name: str
    meaning: str
    way_out: str
    look: Callable[[Connection, int], Found]


COMPARED = (*PAIR_VALUES, "match", "differs")
"""What is held against each other of two pairs: all but whose they are, which `pair-wrong` looks at."""


def pairs_made_anew(conn: Connection, sample: int) -> Found:
    """Cars whose comparisons are not those that their setups make."""
    windows = shop_in_force(conn).windows()
    cars = conn.execute(
        """
        SELECT vehicle_id, tag::text, count(*) OVER () FROM vehicle
        WHERE  EXISTS (SELECT FROM session WHERE session.vehicle_id = vehicle.vehicle_id)
        ORDER  BY random() LIMIT %s
        """,
        (sample,),
    ).fetchall()
    places = []
    for vehicle_id, tag, _ in cars:
        setups, slots = setups_of_car(conn, vehicle_id), slots_of_car(conn, vehicle_id)
        made = {
            compared(pair_row(0, vehicle_id, pair))
            for pair in pairs_of_car(setups(), slots(), windows=windows)
        }
        kept = kept_pairs(conn, vehicle_id)
        if made != kept:
            places.append(f"car {tag}: {len(made - kept)} missing, {len(kept - made)} that are none")
    return places, f"{len(cars)} of {cars[0][2] if cars else 0} cars"


def kept_pairs(conn: Connection, vehicle_id: int) -> set[tuple[object, ...]]:
    """A car's comparisons as they are kept."""
    asked = f"SELECT {', '.join(COMPARED)} FROM pair WHERE vehicle_id = %s"  # noqa: S608
    with conn.cursor(row_factory=dict_row) as cursor:
        return {compared(row) for row in cursor.execute(asked, (vehicle_id,))}


def compared(row: Mapping[str, Any]) -> tuple[object, ...]:
    """A comparison as it is held against another; what differed in it is a list of small documents."""
    differs = tuple(tuple(sorted(one.items())) for one in row["differs"])
    return tuple(differs if name == "differs" else row[name] for name in COMPARED)


def samples_read_back(conn: Connection, sample: int) -> Found:
    """Pulls whose samples cannot be unpacked."""
    rows = conn.execute(
        """
        SELECT pull_id, enc, channels, steps, samples, raw FROM pull_raw
        WHERE  pull_id IN (SELECT pull_id FROM pull_raw ORDER BY random() LIMIT %s)
        """,
        (sample,),
    ).fetchall()
    places = []
    for pull_id, *stored in rows:
        try:
            decoded(*stored)
        except ValueError as fault:
            places.append(f"pull {pull_id}: {fault}")
    return places, f"{len(rows)} pulls"


SAMPLED = (
    Sampled(
        "pairs-not-as-made", "a car's comparisons are not those that its setups make", SETTLE, pairs_made_anew
    ),
    Sampled("samples-unreadable", "what a pull recorded cannot be read any more", BACKUP, samples_read_back),
)
