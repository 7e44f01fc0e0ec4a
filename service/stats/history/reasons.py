"""What the recorded conditions explain of a figure that lies apart from what is expected.

A reason is `consistent with` what was recorded, never a diagnosis. What it explains is by a law of engines, not fitted to
the shop's own figures, and stands in percent of the figure with its sign: a figure 4.2 % low with inlet air that takes 1.6 %
off leaves 2.6 % unexplained. Only what pulls the figure the way it lies is a reason. Not recorded explains nothing.

 inlet air   air drawn goes with 1 / sqrt(absolute temperature): the exponent of the correction for naturally aspirated
             engines (ISO 1585 and others; boosted engines lose more once spark is pulled)
 mixture     power over lambda, petrol with spark at its best: best at 0.856; 0.80 -0.8 %, 0.75 -3.1 %, 0.70 -7.8 %,
             0.92 -0.8 %, 1.00 -3.2 % (computed for this project, no published source), a monotone cubic between
 pressure    power goes with absolute manifold pressure, all else equal (common practice, no source)
 ethanol     without a calibration that uses it: how much is not known; with one, the model has taken it out already
 factor      a correction outside the standard's limits; where boost control makes up for thin air it corrects twice
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from scipy.interpolate import PchipInterpolator

from service.domain.units import from_si, symbol

KELVIN: Final = 273.15
LEAST: Final = 0.003  # our choice: what explains less than 0.3 % is none
MOSTLY: Final = 0.5  # our choice: reasons that explain less than half leave the figure unexplained
FACTOR_LIMITS: Final = (0.93, 1.07)  # ISO 1585, UN R85: from memory
UNUSUAL_ETHANOL: Final = 0.10
"""How far an ethanol share lies from the usual one to be named (common practice, no source)."""
_MIXTURE: Final = PchipInterpolator(
    (0.70, 0.75, 0.80, 0.856, 0.92, 1.00), (-0.078, -0.031, -0.008, 0.0, -0.008, -0.032)
)
NOT_EXPLAINED: Final = "not explained by what was recorded"


@dataclass(frozen=True, slots=True)
class Conditions:
    """What was recorded of a setup, or what is usual for its like: None where it is not known.

    inlet_c [degC]; lambda_mean; map_kpa, absolute [kPa]; ethanol [0..1], of the figure itself only where no calibration is
    fitted; factor, of the correction.
    """

    inlet_c: float | None = None
    lambda_mean: float | None = None
    map_kpa: float | None = None
    ethanol: float | None = None
    factor: float | None = None


@dataclass(frozen=True, slots=True)
class EngineFacts:
    """What decides which law holds: boosted, of spark ignition (None: not known)."""

    boosted: bool
    spark: bool | None


@dataclass(frozen=True, slots=True)
class Reading:
    """A recorded quantity beside what is usual, in SI: what it is of, and both readings."""

    what: str
    quantity: str
    here: float
    usual: float

    def words(self, units: str) -> str:
        """Both readings in a system of units, to the digit that a sensor of a shop is worth (our choice)."""
        unit = symbol(self.quantity, units)
        places = 1 if unit == "inHg" else 0
        here, usual = (
            f"{from_si(one, self.quantity, units):.{places}f} {unit}" for one in (self.here, self.usual)
        )
        return f"{self.what} was {here} where {usual} is usual"


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason: explains_percent of the figure, with sign; None where its size is not known.

    words: what was recorded; reading: the same where it has a unit; by_law: what a law of engines makes of it [%], where
    that is said with it. `message` says it in SI.
    """

    code: str
    words: str
    explains_percent: float | None
    reading: Reading | None = None
    by_law: float | None = None

    @property
    def message(self) -> str:
        """The reason in words, in SI."""
        return self.said("si")

    def said(self, units: str) -> str:
        """The reason in words, its readings in a system of units."""
        words = self.words if self.reading is None else self.reading.words(units)
        if self.by_law is None:
            return words
        return f"{words}: that {effect_words(self.by_law)}"


def effect_words(percent: float) -> str:
    """What a condition does to a figure [%]."""
    return f"adds about {percent:.1f} %" if percent > 0.0 else f"takes about {abs(percent):.1f} % off"


def reasons(
    deviation: float, here: Conditions, usual: Conditions, engine: EngineFacts, taken_out: float = 0.0
) -> tuple[Reason, ...]:
    """What explains a deviation [ln], the largest first; the last says what is left where most of it is.

    Parameters: here and usual, the figure's conditions and those of its like; taken_out, what the model's own term for
    inlet air has taken out of the deviation already [ln].
    """
    found = [one for one in _found(here, usual, engine, taken_out) if _pulls(one, deviation)]
    found.sort(key=lambda one: -abs(one.explains_percent or 0.0))
    explained = sum(one.explains_percent or 0.0 for one in found)
    whole = 100.0 * math.expm1(deviation)
    if abs(explained) < MOSTLY * abs(whole):
        found.append(Reason("unexplained", NOT_EXPLAINED, whole - explained))
    return tuple(found)


def inlet_effect(here_c: float, usual_c: float) -> float:
    """What inlet air at another temperature [degC] than usual does to power [ln]."""
    return -0.5 * math.log((here_c + KELVIN) / (usual_c + KELVIN))


def mixture_effect(here: float, usual: float) -> float:
    """What another lambda than usual does to a spark engine's power [ln]; beyond 0.70..1.00 as at its ends."""
    low, high = float(_MIXTURE.x[0]), float(_MIXTURE.x[-1])
    at_here, at_usual = (float(_MIXTURE(min(max(each, low), high))) for each in (here, usual))
    return math.log((1.0 + at_here) / (1.0 + at_usual))


def pressure_effect(here_kpa: float, usual_kpa: float) -> float:
    """What another absolute manifold pressure than usual [kPa] does to power [ln]."""
    return math.log(here_kpa / usual_kpa)


def _found(here: Conditions, usual: Conditions, engine: EngineFacts, taken_out: float) -> Iterator[Reason]:
    if here.inlet_c is not None and usual.inlet_c is not None:
        yield _reason(
            "inlet-air",
            "",
            inlet_effect(here.inlet_c, usual.inlet_c) - taken_out,
            Reading("inlet air", "temperature", here.inlet_c, usual.inlet_c),
        )
    if here.lambda_mean is not None and usual.lambda_mean is not None and engine.spark:
        yield _reason(
            "mixture",
            f"lambda was {here.lambda_mean:.2f} where {usual.lambda_mean:.2f} is usual",
            mixture_effect(here.lambda_mean, usual.lambda_mean),
        )
    if here.map_kpa is not None and usual.map_kpa is not None:
        yield _reason(
            "manifold-pressure",
            "",
            pressure_effect(here.map_kpa, usual.map_kpa),
            Reading("manifold pressure", "pressure", here.map_kpa, usual.map_kpa),
        )
    yield from _of_ethanol(here, usual)
    yield from _of_the_factor(here, engine)


def _of_ethanol(here: Conditions, usual: Conditions) -> Iterator[Reason]:
    if here.ethanol is None or usual.ethanol is None or abs(here.ethanol - usual.ethanol) <= UNUSUAL_ETHANOL:
        return
    words = f"{here.ethanol:.0%} ethanol where {usual.ethanol:.0%} is usual"
    yield Reason("ethanol", f"{words}; what that does without a calibration for it is not known", None)


def _of_the_factor(here: Conditions, engine: EngineFacts) -> Iterator[Reason]:
    if here.factor is None or FACTOR_LIMITS[0] <= here.factor <= FACTOR_LIMITS[1]:
        return
    words = f"the correction factor {here.factor:.3f} is outside {FACTOR_LIMITS[0]:g}..{FACTOR_LIMITS[1]:g}"
    if engine.boosted:
        yield _reason(
            "factor", f"{words}, and boost control makes up for thin air itself", math.log(here.factor)
        )
    else:
        yield Reason("factor", f"{words}; how far it is wrong is not known", None)


def _reason(code: str, words: str, effect: float, reading: Reading | None = None) -> Reason:
    percent = 100.0 * math.expm1(effect)
    return Reason(code, words, percent, reading, by_law=percent)


def _pulls(one: Reason, deviation: float) -> bool:
    """Whether a reason is of any size, and pulls the way the figure lies; one of unknown size may."""
    percent = one.explains_percent
    return percent is None or (abs(percent) >= 100.0 * LEAST and (percent > 0.0) == (deviation > 0.0))
