"""Polars over the Parquet file, lazily: one plan for the setups of the cars that had the part, one for the chosen curves.

The lazy frame is kept, and so is what it learns of the file.
"""

from pathlib import Path

import numpy as np
import polars as pl

from tests.bench.rivals.finding import TEXTS, best_pairs, columns_needed
from tests.bench.rivals.known import Known
from tests.bench.rivals.rival import Curve, Scalars, Stretches
from tests.bench.rivals.weighing import Chosen, chosen_pairs, curve_of, scalars_of


class InPolars:
    """Asks the Parquet file through a lazy frame."""

    def __init__(self, path: Path, known: Known, name: str = "Polars over Parquet") -> None:
        self.name, self.disk_bytes = name, path.stat().st_size
        self._file, self._known = pl.scan_parquet(path), known
        self._columns = columns_needed(known)

    def scalars(self, platform: str, part: str) -> Scalars | None:
        """The gain."""
        return scalars_of(self._chosen(platform, part))

    def curve(self, platform: str, part: str) -> Curve | None:
        """The gain along the revs."""
        chosen = self._chosen(platform, part)
        return None if chosen is None else curve_of(chosen, self._stretches(platform, chosen))

    def close(self) -> None:
        """Let go of the file."""
        del self._file

    def _chosen(self, platform: str, part: str) -> Chosen | None:
        spaced = pl.concat_str(pl.lit(" "), pl.col("parts").cast(pl.String), pl.lit(" "))
        had = spaced.str.contains(f" {part} ", literal=True)
        counted = self._file.filter((pl.col("platform") == platform) & pl.col("counts")).select(self._columns)
        found = (
            counted.filter(had.any().over("car"))
            .with_columns(pl.col(*TEXTS).cast(pl.String), pl.col("started_at").cast(pl.Int64))
            .collect()
        )
        setups = {column.name: column.to_numpy() for column in found}
        return chosen_pairs(best_pairs(setups, part, self._known), self._known, self._known.engines[platform])

    def _stretches(self, platform: str, chosen: Chosen) -> Stretches:
        wanted = pl.col("setup_id").is_in(pl.Series(chosen.setups).implode())
        found = (
            self._file.filter((pl.col("platform") == platform) & wanted & pl.col("curve").is_not_null())
            .select("setup_id", "first", "curve")
            .collect()
        )
        length = found["curve"].list.len().cast(pl.Int64).to_numpy()
        return Stretches(
            setup_id=found["setup_id"].to_numpy(),
            first=found["first"].cast(pl.Int64).to_numpy(),
            start=np.cumsum(length) - length,
            torque_nm=found["curve"].explode().to_numpy(),
        )
