"""pandas over the Parquet file, and over the delimited text."""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.bench.rivals.finding import best_pairs, columns_needed
from tests.bench.rivals.known import Known
from tests.bench.rivals.rival import Curve, Scalars, Stretches
from tests.bench.rivals.weighing import Chosen, chosen_pairs, curve_of, scalars_of


class InPandas:
    """Asks a frame; the two kinds of file differ in how it is read."""

    def __init__(self, path: Path, known: Known, name: str) -> None:
        self.name, self.disk_bytes = name, path.stat().st_size
        self._path, self._known = path, known

    def scalars(self, platform: str, part: str) -> Scalars | None:
        """The gain."""
        return scalars_of(self._chosen(platform, part))

    def curve(self, platform: str, part: str) -> Curve | None:
        """The gain along the revs."""
        chosen = self._chosen(platform, part)
        return (
            None if chosen is None else curve_of(chosen, stretches_of(self._curves(platform, chosen.setups)))
        )

    def close(self) -> None:
        """Nothing is held open."""

    def _chosen(self, platform: str, part: str) -> Chosen | None:
        counted = self._counted(platform, columns_needed(self._known))
        had = (" " + counted["parts"].astype("str") + " ").str.contains(f" {part} ", regex=False)
        setups = counted[counted["car"].isin(counted["car"][had])]
        columns = {name: setups[name].to_numpy() for name in setups}
        columns["started_at"] = setups["started_at"].astype("datetime64[us, UTC]").astype("int64").to_numpy()
        return chosen_pairs(
            best_pairs(columns, part, self._known), self._known, self._known.engines[platform]
        )

    def _counted(self, platform: str, columns: list[str]) -> pd.DataFrame:
        """The counted setups of a platform."""
        raise NotImplementedError

    def _curves(self, platform: str, ids: list[int]) -> pd.DataFrame:
        """setup_id, first and curve of those of some setups that have one."""
        raise NotImplementedError


class OverParquet(InPandas):
    """Reads by column and filter; row groups without the platform are not touched."""

    def __init__(self, path: Path, known: Known, name: str = "pandas over Parquet") -> None:
        super().__init__(path, known, name)

    def _counted(self, platform: str, columns: list[str]) -> pd.DataFrame:
        asked = [("platform", "==", platform), ("counts", "==", True)]
        return pd.read_parquet(self._path, columns=columns, filters=asked)

    def _curves(self, platform: str, ids: list[int]) -> pd.DataFrame:
        asked = [("platform", "==", platform), ("setup_id", "in", ids)]
        found = pd.read_parquet(self._path, columns=["setup_id", "first", "curve"], filters=asked)
        return found[found["curve"].notna()]


class OverCsv(InPandas):
    """Reads by column through Arrow's reader, the fastest that pandas has; all rows of the file."""

    def __init__(self, path: Path, known: Known, name: str = "pandas over CSV") -> None:
        super().__init__(path, known, name)

    def _counted(self, platform: str, columns: list[str]) -> pd.DataFrame:
        read = self._read([*columns, "platform", "counts"])
        read = read[(read["platform"] == platform) & read["counts"]].drop(columns=["platform", "counts"])
        times = pd.to_datetime(read["started_at"], utc=True, format="ISO8601")
        return read.assign(started_at=times, parts=read["parts"].fillna(""))

    def _curves(self, platform: str, ids: list[int]) -> pd.DataFrame:
        read = self._read(["setup_id", "first", "curve"])
        read = read[read["setup_id"].isin(ids) & read["curve"].notna()]
        return read.assign(curve=[np.array(text.split(" "), np.float32) for text in read["curve"]])

    def _read(self, columns: list[str]) -> pd.DataFrame:
        return pd.read_csv(self._path, usecols=columns, engine="pyarrow")


def stretches_of(found: pd.DataFrame) -> Stretches:
    """Rows with a curve each."""
    length = found["curve"].map(len).to_numpy(np.int64)
    values: Any = np.concatenate(found["curve"].to_list()) if len(found) else np.empty(0, np.float32)
    return Stretches(
        setup_id=found["setup_id"].to_numpy(np.int64),
        first=found["first"].to_numpy(np.int64),
        start=np.cumsum(length) - length,
        torque_nm=values,
    )
