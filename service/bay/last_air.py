"""The air that a person said last in this bay. It is shown with its age to whoever begins the next session, and never used
until somebody says it again: a bay warms, and a door stands open.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from service.bay.files import write_whole
from service.bay.known import Said

HOLDS: Final = timedelta(hours=2)
"""Older is another part of the day, and not shown (our choice)."""
MOIST: Final = frozenset({"humidity", "dew_point"})


@dataclass(frozen=True)
class SaidOnce:
    """One figure of the air, in SI, and of when it is."""

    value: float
    at: datetime


SaidLast = dict[str, SaidOnce]


class LastAir:
    """One small file in the bay's folder."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "air.json"

    def keep(self, said: Said, forgotten: Collection[str], at: datetime) -> None:
        """Remember what is said now, each figure with its own age; what was taken back is not remembered."""
        gone = {*forgotten, *(MOIST if MOIST & said.keys() else ())}
        kept = {name: one for name, one in self._read().items() if name not in gone}
        kept |= {name: SaidOnce(value, at) for name, value in said.items()}
        document = {name: {"value": one.value, "at": one.at.isoformat()} for name, one in kept.items()}
        write_whole(self._path, json.dumps(document).encode())

    def at(self, now: datetime) -> SaidLast:
        """What was said in the last hours."""
        return {name: one for name, one in self._read().items() if timedelta() <= now - one.at <= HOLDS}

    def _read(self) -> SaidLast:
        """What cannot be read is as if it were not there: it only saves a look at the instruments."""
        try:
            kept = json.loads(self._path.read_bytes())
            return {
                name: SaidOnce(float(one["value"]), datetime.fromisoformat(one["at"]))
                for name, one in kept.items()
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}


def beyond(last: SaidLast, known: Collection[str]) -> SaidLast:
    """What of it is not known otherwise; humidity and dew point are one thing."""
    hidden = {*known, *(MOIST if MOIST & set(known) else ())}
    return {name: one for name, one in last.items() if name not in hidden}
