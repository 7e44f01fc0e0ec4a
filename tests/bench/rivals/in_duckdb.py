"""DuckDB over the Parquet file: SQL reads the setups of the cars that had the part, then the curves of the chosen ones.

The connection is kept, and so is what it learns of the file.
"""

from pathlib import Path
from typing import Any

import duckdb
import numpy as np

from tests.bench.rivals.finding import best_pairs, columns_needed
from tests.bench.rivals.known import Known
from tests.bench.rivals.rival import Columns, Curve, Scalars, Stretches
from tests.bench.rivals.weighing import Chosen, chosen_pairs, curve_of, scalars_of

CURVES = """
    SELECT setup_id, first, curve FROM read_parquet($file)
    WHERE  platform = $platform AND setup_id IN (SELECT unnest($ids)) AND curve IS NOT NULL
"""


def of_fitted_cars(columns: list[str]) -> str:
    """The counted setups of the cars that had a part, of one platform."""
    others = (name for name in columns if name != "started_at")
    return f"""
        WITH counted AS MATERIALIZED (
            SELECT {", ".join(others)}, epoch_us(started_at) AS started_at
            FROM   read_parquet($file) WHERE platform = $platform AND counts
        )
        SELECT * FROM counted
        WHERE  car IN (SELECT car FROM counted WHERE contains(' ' || parts || ' ', ' ' || $part || ' '))
    """


class InDuckDB:
    """Asks the Parquet file in SQL."""

    def __init__(self, path: Path, known: Known, name: str = "DuckDB over Parquet") -> None:
        self.name, self.disk_bytes = name, path.stat().st_size
        self._file, self._known = str(path), known
        self._setups = of_fitted_cars(columns_needed(known))
        self._duck = duckdb.connect()
        self._duck.execute("SET parquet_metadata_cache = true")

    def scalars(self, platform: str, part: str) -> Scalars | None:
        """The gain."""
        return scalars_of(self._chosen(platform, part))

    def curve(self, platform: str, part: str) -> Curve | None:
        """The gain along the revs."""
        chosen = self._chosen(platform, part)
        return None if chosen is None else curve_of(chosen, self._stretches(platform, chosen))

    def close(self) -> None:
        """Close the connection."""
        self._duck.close()

    def _chosen(self, platform: str, part: str) -> Chosen | None:
        asked = {"file": self._file, "platform": platform, "part": part}
        setups = plain(self._duck.execute(self._setups, asked).fetchnumpy())
        return chosen_pairs(best_pairs(setups, part, self._known), self._known, self._known.engines[platform])

    def _stretches(self, platform: str, chosen: Chosen) -> Stretches:
        asked = {"file": self._file, "platform": platform, "ids": chosen.setups}
        found = self._duck.sql(CURVES, params=asked).to_arrow_table().combine_chunks()
        lists = found["curve"].combine_chunks()
        offsets = lists.offsets.to_numpy()
        return Stretches(
            setup_id=found["setup_id"].to_numpy(),
            first=found["first"].to_numpy().astype(np.int64),
            start=(offsets[:-1] - offsets[0]).astype(np.int64),
            torque_nm=lists.flatten().to_numpy(),
        )


def plain(found: dict[str, Any]) -> Columns:
    """Masked columns with NaN, or None, where they are masked."""
    return {name: unmasked(column) for name, column in found.items()}


def unmasked(column: Any) -> Any:
    """One column without a mask."""
    if not np.ma.isMaskedArray(column):
        return column
    if column.dtype == object:
        return np.where(np.ma.getmaskarray(column), None, column.data)
    return column.astype(float).filled(np.nan)
