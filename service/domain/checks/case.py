"""What the checks look at: one post, what it comes to, and the company it comes into."""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from service.domain.derive import PULL_SPREAD_START, DerivedPull, common_footing, footing
from service.domain.records import PlatformFacts, PostedPull, PostedSession, PostedSetup

Grid = NDArray[np.float64]
Made = TypeVar("Made")
Derived = Mapping[tuple[int, int], DerivedPull]
"""What each pull comes to, by the numbers of its setup and its own."""


@dataclass(frozen=True, slots=True)
class Remark:
    """What a check has to say: in words, and where in the post (RFC 6901)."""

    message: str
    pointer: str
    setup_n: int | None = None
    pull_n: int | None = None


@dataclass(frozen=True, slots=True)
class PullCase:
    """One pull with its setup, what it comes to, and its pointer."""

    setup: PostedSetup
    pull: PostedPull
    figures: DerivedPull
    pointer: str

    def remark(self, message: str, below: str = "") -> Remark:
        """A remark about this pull, at a place below it such as `/curve/rpm`."""
        return Remark(message, self.pointer + below, self.setup.n, self.pull.n)


@dataclass(frozen=True, slots=True)
class StockReference:
    """What the platform's stock cars read so far, the posted car left out: medians over one setup a car.

    power_kw, power_rpm: medians of the corrected peaks; power_sd: their relative spread, from the median absolute
    deviation; torque_nm: the median corrected torque on the grid, NaN where fewer than three cars reach; channels:
    the same of `lambda`, `map`, `spark`, `throttle`, `inlet`; speed_ratio: engine speed over roller speed by gear, in this bay;
    ethanol: median share.
    """

    cars: int
    power_kw: float
    power_rpm: float
    power_sd: float
    torque_nm: Grid
    channels: Mapping[str, Grid] = field(default_factory=dict)
    speed_ratio: Mapping[int, float] = field(default_factory=dict)
    ethanol: float | None = None


@dataclass(frozen=True, slots=True)
class EarlierState:
    """One state of this car from an earlier session, newest first in `Surroundings.earlier`; corrected figures."""

    session: str
    setup_n: int
    bay: str
    started_at: datetime
    parts: frozenset[str]
    gear: int | None
    speed_ratio: float | None
    power_kw: float | None
    torque_nm: Grid | None
    tyre_size: str | None = None


@dataclass(frozen=True, slots=True)
class BayPull:
    """A pull that this bay posted within half a day of this session, in order of time; struck ones left out."""

    session: str
    vehicle: str
    started_at: datetime
    sequence: int | None
    temperature_c: float | None
    pressure_kpa: float | None
    humidity: float | None


@dataclass(frozen=True, slots=True)
class SiteAir:
    """Air that another bay of the same site recorded within half an hour of this session."""

    bay: str
    at: datetime
    temperature_c: float | None
    pressure_kpa: float | None
    humidity: float | None


@dataclass(frozen=True, slots=True)
class BayDayCar:
    """A stock car that this bay measured within half a day of this session: ln of its power over its platform's
    stock median."""

    vehicle: str
    residual: float


@dataclass(frozen=True, slots=True)
class SamePeaks:
    """An earlier pull whose peaks are those of a posted one: was it posted before? `torque_nm` observed, on the grid."""

    setup_n: int
    pull_n: int
    pull_id: int
    session: str
    vehicle: str
    torque_nm: Grid


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The company a post comes into, as the ledger knows it. Everything may be missing: then its checks are silent."""

    pull_spread: float = PULL_SPREAD_START
    altitude_m: float | None = None
    reference: StockReference | None = None
    earlier: tuple[EarlierState, ...] = ()
    bay_pulls: tuple[BayPull, ...] = ()
    site_air: tuple[SiteAir, ...] = ()
    bay_day: tuple[BayDayCar, ...] = ()
    elsewhere: tuple[tuple[str, datetime], ...] = ()
    """(bay, start) of this car's sessions in other bays within a day of this one."""
    same_peaks: tuple[SamePeaks, ...] = ()
    calibrations: frozenset[str] = frozenset()
    """Slugs of this post's parts that fill the slot `calibration`."""
    bay_kind: str | None = None
    """`roller-inertia`, `roller-loaded` or `hub`."""
    session_spread: float = 0.007
    """Relative spread of a car's level from one strap-down to the next in one bay (setting)."""
    bay_spread: float = 0.022
    """Relative spread of the bays' own levels (setting)."""
    bay_level: float | None = None
    """Where this bay's stock cars usually read: median of ln(power over their platform's stock median) over its other
    days; None under eight cars."""


@dataclass(frozen=True, slots=True)
class Case:
    """One post as the checks see it. Before its names are looked up there is neither platform nor derived figure."""

    session: PostedSession
    now: datetime
    derived: Derived = field(default_factory=dict)
    platform: PlatformFacts | None = None
    around: Surroundings = field(default_factory=Surroundings)
    made: dict[tuple[str, int, int], Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def once(self, what: str, make: Callable[[], Made], setup_n: int = 0, pull_n: int = 0) -> Made:
        """What several checks ask for (of a setup, of a pull), made when the first of them does."""
        key = (what, setup_n, pull_n)
        if key not in self.made:
            self.made[key] = make()
        made: Made = self.made[key]
        return made

    def all_pulls(self) -> Sequence[tuple[PostedSetup, PostedPull, str]]:
        """Each pull with its setup and its RFC 6901 pointer in the post, whatever its status."""
        return self.once("all pulls", lambda: list(pulls_of(self.session)))

    def pulls(self, setup: PostedSetup | None = None) -> Sequence[PullCase]:
        """The pulls that count, of one setup or of all."""
        if setup is None:
            return self.once("pulls", lambda: list(self._counted()))
        return self.once("pulls", lambda: [one for one in self.pulls() if one.setup.n == setup.n], setup.n)

    def _counted(self) -> Iterator[PullCase]:
        for setup, pull, pointer in self.all_pulls():
            if pull.status == "accepted":
                yield PullCase(setup, pull, self.derived[setup.n, pull.n], pointer)

    def remark(self, setup: PostedSetup, message: str, below: str = "/pulls") -> Remark:
        """A remark about a whole setup."""
        return Remark(message, f"/setups/{setup.n - 1}{below}", setup.n)

    def power(self, setup: PostedSetup) -> float | None:
        """Mean peak power of a setup's pulls that count [kW], corrected where that can be; None where none has one."""
        known = self.peaks(setup)
        return sum(known) / len(known) if known else None

    def peaks(self, setup: PostedSetup) -> Sequence[float]:
        """Peak power [kW] of a setup's pulls that count, at the level that most of them can stand at."""
        return self.once("peaks", lambda: comparable_peaks(setup, self.derived), setup.n)

    def footing(self, setup: PostedSetup) -> tuple[str, bool] | None:
        """The footing of most of a setup's pulls that count (`derive.footing`); None without any."""
        figures = (one.figures for one in self.pulls(setup))
        return self.once("footing", lambda: common_footing(list(figures)), setup.n)

    def stock(self, setup: PostedSetup) -> bool:
        """Whether a setup says that nothing is fitted."""
        return not setup.parts and setup.parts_known == "complete"


FIGURES: Final = re.compile(r"[-+]?\d+(\.\d+)?")


def once_a_setup(remarks: Iterable[Remark]) -> Iterator[Remark]:
    """Notes about single pulls that say the same but for their figures: one for each setup, which names the pulls.

    Only for notes: a doubt about a pull goes with that pull when it is struck.
    """
    alike: dict[tuple[int | None, str], list[Remark]] = {}
    for one in remarks:
        alike.setdefault((one.setup_n, FIGURES.sub("", one.message)), []).append(one)
    for (setup_n, _), (first, *others) in alike.items():
        if not others or setup_n is None:
            yield first
            continue
        also = [str(one.pull_n) for one in others]
        named = f"pull{'s' * (len(also) > 1)} {', '.join(also[:-1])}{' and ' * (len(also) > 1)}{also[-1]}"
        words = f"pull {first.pull_n}: {first.message} (so too {named})"
        yield Remark(words, f"/setups/{setup_n - 1}/pulls", setup_n)


def pulls_of(session: PostedSession) -> Iterator[tuple[PostedSetup, PostedPull, str]]:
    """The pulls of a session, each with its setup and its pointer."""
    for setup in session.setups:
        for pull in setup.pulls:
            yield setup, pull, f"/setups/{setup.n - 1}/pulls/{pull.n - 1}"


def comparable_peaks(setup: PostedSetup, derived: Derived) -> list[float]:
    """Peak power [kW] of a setup's accepted pulls, at the level that most of them can stand at."""
    figures = [derived[setup.n, pull.n] for pull in setup.pulls if pull.status == "accepted"]
    common = common_footing(figures)
    peaks = [one.observed.power_kw * (one.factor or 1.0) for one in figures if footing(one) == common]
    return [peak for peak in peaks if peak == peak and peak > 0]
