"""One state of a car as a customer's sheet shows it: what was fitted, its pulls, its figure, what it was measured in."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.answers.review import counted_pulls
from service.domain.curve import GRID_RPM
from service.domain.levels import level_ratio
from service.store.curves import SetupCurve
from service.store.reading import PullRow, SessionRow, SetupRow, WholeSession

Grid = NDArray[np.float64]
TUNE: Final = "calibration"
"""The slot whose part is named apart on a sheet."""
PULL_CONDITIONS: Final = (
    # the field of a pull, its name in documents, its quantity
    ("temperature_c", "room_temperature", "temperature"),
    ("pressure_kpa", "air_pressure", "pressure"),
    ("humidity", "humidity", None),
    ("dew_point_c", "dew_point", "temperature"),
    ("inlet_c", "inlet_start", "temperature"),
    ("inlet_end_c", "inlet_end", "temperature"),
    ("coolant_c", "coolant", "temperature"),
    ("oil_c", "oil", "temperature"),
    ("lambda_mean", "lambda", None),
    ("map_max_kpa", "map", "pressure"),
)
SPARK: Final = "spark"


@dataclass(frozen=True, slots=True)
class Fitted:
    """A part that is not stock: its slug, its name, the names of the slots it fills, its approval as recorded."""

    slug: str
    name: str
    slots: tuple[str, ...]
    places: tuple[str, ...]
    approval: Mapping[str, Any] | None

    @property
    def is_tune(self) -> bool:
        """Whether it is a calibration."""
        return TUNE in self.slots


@dataclass(frozen=True, slots=True)
class Span:
    """A condition over the pulls that recorded it [SI]; mean None: only its ends are known."""

    mean: float | None
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class State:
    """One state of the car.

    counted: the pulls its figure rests on; ratio: brings its stored figures to the asked standard, None where that is
    not known; best: the number of its strongest counted pull; spans: by name, only what was recorded; torque_nm: its
    mean curve at the standard, else at its own level.
    """

    session: SessionRow
    setup: SetupRow
    pulls: tuple[PullRow, ...]
    counted: tuple[PullRow, ...]
    fitted: tuple[Fitted, ...]
    ratio: float | None
    best: int | None
    spans: Mapping[str, Span]
    torque_nm: Grid | None

    @property
    def struck(self) -> str | None:
        """Why it counts nowhere."""
        return self.setup.struck or self.session.struck

    @property
    def power_kw(self) -> float | None:
        """Mean peak power at the asked standard, else at its own level [kW]."""
        return self.levelled(self.setup.power_kw)

    @property
    def torque_peak_nm(self) -> float | None:
        """Mean peak torque, likewise [N.m]."""
        return self.levelled(self.setup.torque_nm)

    @property
    def observed_kw(self) -> float | None:
        """Mean of the peak powers as they were observed [kW]; None where what was observed is not known."""
        seen = [pull.power_kw for pull in self.counted if pull.factor is not None and pull.power_kw]
        return fmean(seen) if seen and len(seen) == len(self.counted) else None

    def levelled(self, value: float | None) -> float | None:
        """A stored figure at the standard; None where nothing counts."""
        return None if value is None or not self.counted else value * (self.ratio or 1.0)

    def with_status(self, status: str) -> list[PullRow]:
        """Its pulls of a status that are not struck."""
        return [pull for pull in self.pulls if pull.status == status and pull.struck is None]

    @property
    def struck_pulls(self) -> list[PullRow]:
        """Its struck pulls."""
        return [pull for pull in self.pulls if pull.struck is not None]


def state_of(
    record: WholeSession,
    setup: SetupRow,
    parts: Mapping[str, Mapping[str, Any]],
    curve: SetupCurve,
    standard: str,
) -> State:
    """One setup of a session as a state; `parts` gives what is known of each part by its slug."""
    counted = counted_pulls(setup, record)
    ratio = level_ratio(setup, standard, record.session.engine)
    return State(
        session=record.session,
        setup=setup,
        pulls=tuple(pull for pull in record.pulls if pull.setup_id == setup.setup_id),
        counted=tuple(counted),
        fitted=tuple(fitted(one, parts) for one in setup.parts),
        ratio=ratio,
        best=strongest(counted),
        spans=dict(spans_of(counted, setup, curve)),
        torque_nm=None if curve.torque_nm is None else curve.torque_nm * (ratio or 1.0),
    )


def fitted(one: Mapping[str, Any], parts: Mapping[str, Mapping[str, Any]]) -> Fitted:
    """A fitted part with what is known of it; its slot alone where it was said to sit in one."""
    known = parts[one["part"]]
    places = dict(zip(known["slots"], known["slot_names"], strict=True))
    slots = [one["slot"]] if one["slot"] in places else list(places)
    return Fitted(
        one["part"], known["name"], tuple(slots), tuple(places[slot] for slot in slots), known["approval"]
    )


def strongest(counted: Sequence[PullRow]) -> int | None:
    """The number of the pull with the highest peak power; None under two pulls that can be held against each other."""
    levels = {pull.n: (pull.power_kw or 0.0) * (pull.factor or 1.0) for pull in counted}
    return max(levels, key=lambda n: levels[n]) if len(levels) > 1 and any(levels.values()) else None


def spans_of(counted: Sequence[PullRow], setup: SetupRow, curve: SetupCurve) -> Iterable[tuple[str, Span]]:
    """What its counted pulls were run in, of all that was recorded; spark by its mean curve."""
    for field, name, _ in PULL_CONDITIONS:
        seen = [getattr(pull, field) for pull in counted if getattr(pull, field) is not None]
        if seen:
            yield name, Span(fmean(seen), min(seen), max(seen))
    spark = curve.channels.get(SPARK, np.empty(0))
    spark = spark[np.isfinite(spark)]
    at_peak = setup.spark_advance_deg
    if spark.size:
        yield SPARK, Span(at_peak, float(spark.min()), float(spark.max()))
    elif at_peak is not None:
        yield SPARK, Span(at_peak, at_peak, at_peak)


def reach_of(grid: Grid | None) -> tuple[float, float] | None:
    """The lowest and the highest speed of a mean curve [rpm]."""
    known = np.empty(0) if grid is None else GRID_RPM[np.isfinite(grid)]
    return (float(known[0]), float(known[-1])) if known.size else None
