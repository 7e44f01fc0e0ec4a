"""SQLite in the asker's own process, over a copy of the ledger's derived tables: no server, no other writer.

The pairs are read, not found, as the ledger reads its own.
"""

import sqlite3
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.rivals.known import Known
from tests.bench.rivals.rival import PAIRS_PER_CAR, SIDE, BestPairs, Curve, Scalars, Stretches
from tests.bench.rivals.weighing import Chosen, chosen_pairs, curve_of, scalars_of

OF_SUMMARY = {"bay": "bay_id", "level": "level_standard"}
BEST = f"""
    WITH asked AS (
        SELECT vehicle_id AS car, usable, same_session, again_share AS share, again_is_with, setup_with, setup_without, setup_again,
               row_number() OVER (
                   PARTITION BY vehicle_id
                   ORDER BY usable DESC, match, held DESC, abs(gap_days), setup_with, setup_without
               ) AS place
        FROM   pair
        WHERE  platform_id = (SELECT platform_id FROM platform WHERE slug = :platform)
               AND part_id = (SELECT part_id FROM part WHERE slug = :part) AND against_id = 0
    )
    SELECT car, usable, same_session, share, again_is_with,
           {", ".join(f"{side}.{OF_SUMMARY.get(name, name)}" for name in SIDE for side in "wor")}
    FROM   asked
           CROSS JOIN setup_summary w ON w.setup_id = setup_with
           CROSS JOIN setup_summary o ON o.setup_id = setup_without
           LEFT JOIN setup_summary r ON r.setup_id = setup_again
    WHERE  place <= {PAIRS_PER_CAR}
    ORDER  BY car, place
"""


class InSQLite:
    """Asks the copied tables over one connection."""

    def __init__(self, path: Path, known: Known, name: str = "SQLite, the same tables") -> None:
        self.name, self.disk_bytes = name, path.stat().st_size
        self._known = known
        self._file = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)
        self._file.execute("PRAGMA mmap_size = 4294967296")

    def scalars(self, platform: str, part: str) -> Scalars | None:
        """The gain."""
        return scalars_of(self._chosen(platform, part))

    def curve(self, platform: str, part: str) -> Curve | None:
        """The gain along the revs."""
        chosen = self._chosen(platform, part)
        return None if chosen is None else curve_of(chosen, self._stretches(chosen))

    def close(self) -> None:
        """Close the connection."""
        self._file.close()

    def _chosen(self, platform: str, part: str) -> Chosen | None:
        rows = self._file.execute(BEST, {"platform": platform, "part": part}).fetchall()
        return chosen_pairs(pairs_of(rows), self._known, self._known.engines[platform]) if rows else None

    def _stretches(self, chosen: Chosen) -> Stretches:
        ids = chosen.setups
        marks = ", ".join("?" * len(ids))
        query = f"SELECT setup_id, first, torque_nm FROM setup_curve WHERE setup_id IN ({marks})"
        rows = self._file.execute(query, ids).fetchall()
        length = np.array([len(raw) // 4 for _, _, raw in rows], np.int64)
        return Stretches(
            setup_id=np.array([row[0] for row in rows], np.int64),
            first=np.array([row[1] for row in rows], np.int64),
            start=np.cumsum(length) - length,
            torque_nm=np.frombuffer(b"".join(row[2] for row in rows), "<f4"),
        )


def pairs_of(rows: list[tuple[Any, ...]]) -> BestPairs:
    """The rows of BEST as columns."""
    car, usable, same, share, is_with, *sides = zip(*rows, strict=True)
    of_name = (sides[3 * i : 3 * i + 3] for i in range(len(SIDE)))
    return BestPairs(
        car=np.array(car),
        usable=np.array(usable, bool),
        same_session=np.array(same, bool),
        share=np.array(share, float),
        again_is_with=np.array(is_with, bool),
        sides={
            name: np.array(three, object if name == "level" else float)
            for name, three in zip(SIDE, of_name, strict=True)
        },
    )
