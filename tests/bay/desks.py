"""A desk over plain files of the tests' own: lines of `rpm torque`, so that what is tested is the desk and not a table."""

import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from service.bay.desk import Desk
from service.bay.handed import ReadPull, ReadTable

RPM = [2000.0 + 150.0 * i for i in range(30)]
NOON = datetime(2026, 3, 18, 12, 0, tzinfo=UTC)
CAR = {"car": "car-00", "parts": []}


class Hands:
    """A clock that is moved by hand."""

    def __init__(self, at: datetime = NOON) -> None:
        self.at = at

    def __call__(self) -> datetime:
        return self.at

    def passes(self, **span: float) -> None:
        self.at += timedelta(**span)


def read_plain(raw: bytes, _: float | None = None) -> ReadTable:
    """One pull a file; a blank line begins another."""
    blocks = [block.split("\n") for block in raw.decode().strip().split("\n\n")]
    try:
        pulls = [ReadPull(channels_of(lines), {"basis": "observed"}) for lines in blocks]
    except ValueError:
        raise ValueError("there is no table in it") from None
    return ReadTable(pulls)


def channels_of(lines: list[str]) -> dict[str, list[float]]:
    rpm, torque = zip(*(map(float, line.split()) for line in lines), strict=True)
    return {"rpm": list(rpm), "torque": list(torque)}


def plain_file(folder: Path, name: str, seed: int, pulls: int = 1) -> Path:
    """A file of pulls unlike any other's."""
    rng = random.Random(seed)
    blocks = []
    for _ in range(pulls):
        height, place = rng.uniform(180, 320), rng.uniform(3500, 5000)
        torque = [height * (1 - ((rpm - place) / 7000) ** 2) for rpm in RPM]
        blocks.append("\n".join(f"{rpm:.0f} {nm:.2f}" for rpm, nm in zip(RPM, torque, strict=True)))
    file = folder / name
    file.write_text("\n\n".join(blocks) + "\n")
    return file


def desk_in(folder: Path, clock: Hands | None = None, **more: object) -> Desk:
    """A desk of the bay `bay-0`."""
    return Desk(folder / "desk", "bay-0", read_plain, clock=clock or Hands(), **more)  # type: ignore[arg-type]


def closed(desk: Desk) -> dict[str, Any]:
    """The one session in the spool, as it would be posted, once the desk has closed it."""
    desk.close()
    (entry,) = desk.spool.waiting()
    session: dict[str, Any] = json.loads(desk.spool.body(entry))
    return session
