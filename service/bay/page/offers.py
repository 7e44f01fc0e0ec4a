"""The new, complete files of the machine's folder, each with what could be read of it, before anybody attaches it."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from service.bay.desk import Desk
from service.bay.handed import CannotTake, NotReadable, Reader, ReadPull, content_of, looks
from service.bay.watching import Folder, Look
from service.domain.units import RPM_NM_PER_KW
from service.tables.records import Floats

WIDTH, HEIGHT = 320.0, 80.0
"""Of the small curve [px]."""
MOST_WORDS = 400
"""A line of garbage has no end (our choice) [characters]."""
MOST = 40
"""Files offered at once, the newest; more is nobody's choice (ours)."""


@dataclass(frozen=True)
class Peak:
    """The highest point of a curve: its value [kW or N.m] and the engine speed [rpm]."""

    value: float
    rpm: float


@dataclass(frozen=True)
class Seen:
    """One pull as it is shown: how many rows, its peaks as the file has them, a small curve."""

    rows: int
    power: Peak | None
    torque: Peak | None
    at_axle: bool
    line: str


@dataclass(frozen=True)
class Offer:
    """One file: what of it could be read, or why nothing. `grew`: it was taken when it was shorter."""

    path: Path
    at: datetime
    size: int
    pulls: Sequence[Seen] = ()
    left_out: int = 0
    trouble: str | None = None
    digest: str = ""
    grew: bool = False

    @property
    def name(self) -> str:
        """Its name, by which it is attached."""
        return self.path.name


class Offers:
    """Looks into the folder, and keeps what it saw for the page to show."""

    def __init__(
        self, folder: Folder | None, desk: Desk, reader: Reader, hidden: Callable[[], Collection[str]] = tuple
    ) -> None:
        self.folder, self._desk, self._reader, self._hidden = folder, desk, reader, hidden
        self._lock = threading.Lock()
        self._kept: dict[str, tuple[Look, Offer]] = {}
        self._mapping = ""

    def look(self) -> None:
        """One look: new files are read, taken ones leave. Raises OSError where the folder cannot be read."""
        if self.folder is None:
            return
        with self._lock:
            self._read_anew_under_another_mapping(self.folder.mapping())
            found = list(self.folder.complete())[-MOST:]
            self._kept = {path.name: kept for path in found if (kept := self._seen(path)) is not None}

    def all(self) -> list[Offer]:
        """The files that can be attached, the oldest first."""
        return [offer for _, offer in list(self._kept.values())]

    def attached(self, offer: Offer) -> None:
        """It was taken: it is offered no more."""
        with self._lock:
            self._kept.pop(offer.name, None)
            if self.folder is not None:
                self.folder.done(offer.path)

    def offer_again(self, name: str) -> None:
        """A file that was taken is a new one once more."""
        with self._lock:
            if self.folder is not None:
                self.folder.undone(name)

    def drop(self, name: str) -> None:
        """Show a file no more."""
        with self._lock:
            self._kept.pop(name, None)

    def _seen(self, path: Path) -> tuple[Look, Offer] | None:
        try:
            stat = path.stat()
        except OSError:
            return None
        look = looks(stat)
        kept = self._kept.get(path.name)
        if kept is not None and kept[0] == look:
            return kept
        at = datetime.fromtimestamp(stat.st_mtime).astimezone()
        offer = Offer(path, at, stat.st_size)
        try:
            content, _ = content_of(path)
            offer = replace(offer, digest=hashlib.sha256(content).hexdigest())
            if offer.digest in self._hidden():
                return None
            if self._desk.is_taken(content):
                self._forget(path)
                return None
            offer = replace(offer, grew=self._desk.grew(path.name, content))
            table = self._reader(content, None)
        except NotReadable as error:
            return look, replace(offer, trouble=printable(str(error)))
        except (CannotTake, ValueError) as error:
            return look, replace(offer, trouble=printable(f"{path.name}: {error}"))
        except Exception as error:  # whatever a strange file does to a reader, the page must still stand
            return look, replace(offer, trouble=printable(f"{path.name}: {type(error).__name__}: {error}"))
        pulls = [seen(one) for one in table.pulls]
        return look, replace(offer, pulls=pulls, left_out=len(table.left_out))

    def _read_anew_under_another_mapping(self, mapping: str) -> None:
        """What was seen was seen by the mapping of then."""
        if mapping != self._mapping:
            self._kept, self._mapping = {}, mapping

    def _forget(self, path: Path) -> None:
        if self.folder is not None:
            self.folder.done(path)


def printable(words: str) -> str:
    """Words about a file, of which bytes of it may be a part: short, and each that is no letter by its number."""
    short = words if len(words) <= MOST_WORDS else f"{words[:MOST_WORDS]}…"
    return "".join(one if one.isprintable() or one == "\n" else f"\\x{ord(one):02x}" for one in short)


def seen(pull: ReadPull) -> Seen:
    """One pull as it is shown. Figures are the file's own, not corrected."""
    rpm = np.asarray(pull.channels["rpm"], dtype=float)
    at_axle = "torque" not in pull.channels and "power" not in pull.channels
    torque, power = curves(pull.channels, rpm)
    drawn = power if power is not None else torque
    return Seen(
        rows=len(rpm),
        power=peak(power, rpm),
        torque=peak(torque, rpm),
        at_axle=at_axle,
        line="" if drawn is None else polyline(rpm, drawn),
    )


def curves(channels: Mapping[str, Sequence[float]], rpm: Floats) -> tuple[Floats | None, Floats | None]:
    """Torque [N.m] and power [kW]; where one is missing, it is made of the other. Of axle torque no power is made:
    engine speed is not the axle's."""
    read = {name: np.asarray(values, dtype=float) for name, values in channels.items()}
    torque, power = read.get("torque"), read.get("power")
    if torque is None and power is None:
        return read.get("axle_torque"), None
    with np.errstate(divide="ignore", invalid="ignore"):
        if power is None and torque is not None:
            power = torque * rpm / RPM_NM_PER_KW
        elif torque is None and power is not None:
            torque = power * RPM_NM_PER_KW / rpm
    return torque, power


def peak(
    values: Floats | None,
    rpm: Floats,
) -> Peak | None:
    """The highest point."""
    if values is None or not np.isfinite(values).any():
        return None
    place = int(np.nanargmax(np.where(np.isfinite(values), values, np.nan)))
    return Peak(float(values[place]), float(rpm[place]))


def polyline(rpm: Floats, values: Floats) -> str:
    """The points of a small curve over engine speed, from zero up; empty where there is nothing to draw."""
    good = np.isfinite(rpm) & np.isfinite(values)
    x, y = rpm[good], values[good]
    if len(x) < 2 or x.max() <= x.min() or y.max() <= 0:
        return ""
    across = (x - x.min()) / (x.max() - x.min()) * (WIDTH - 4) + 2
    down = HEIGHT - 2 - np.clip(y / y.max(), 0, 1) * (HEIGHT - 4)
    step = max(1, len(x) // 160)
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(across[::step], down[::step], strict=True))
