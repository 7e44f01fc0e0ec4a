"""In which standard a figure stands, as a document and a sentence say it: never by the words of the house."""

from collections.abc import Sequence
from typing import Protocol

from service.domain.correction import BASE_STANDARD, STANDARDS
from service.domain.derive import ANY_STANDARD, OBSERVED
from service.domain.engine import Engine
from service.domain.levels import UNCORRECTED, stands_in
from service.domain.names import listed

AS_MEASURED = "as measured, not corrected"


class PullAir(Protocol):
    """What of the air was recorded with a pull; None where it was not."""

    @property
    def temperature_c(self) -> float | None: ...
    @property
    def pressure_kpa(self) -> float | None: ...
    @property
    def vapour_kpa(self) -> float | None: ...


def standard_of(level: str | None) -> str | None:
    """The slug of the standard that a figure of this level is kept in; None where it stands in none, or in one that
    nobody knows."""
    slug = stands_in(level)
    return slug if slug in STANDARDS else None


def standing(asked: str, level: str | None, brought: bool, engine: Engine, air: Sequence[PullAir]) -> str:
    """What a figure is corrected to, in words, and why not to the asked standard where it is not.

    `brought`: whether it could be brought there; `air`: the pulls behind it, to say what of their air is missing.
    """
    if brought:
        return AS_MEASURED if asked == UNCORRECTED else f"by {STANDARDS[asked].name}"
    wanted = STANDARDS[asked]
    if level == ANY_STANDARD:
        needs = listed([name.replace("_", " ") for name in wanted.missing(engine)])
        return f"by {STANDARDS[BASE_STANDARD].name}: {wanted.name} needs the engine's {needs}, not recorded"
    if level == OBSERVED:
        return f"{AS_MEASURED}: {missing_air(air)}"
    if level in STANDARDS:
        return f"by {STANDARDS[level].name}, as it was posted: {missing_air(air)}"
    return "as it was posted: corrected by a standard that was not recorded"


def missing_air(air: Sequence[PullAir]) -> str:
    """What of the air keeps a figure where it is: `humidity was not recorded`."""
    if all(one.temperature_c is None and one.pressure_kpa is None for one in air):
        return "the air was not recorded"
    if any(one.temperature_c is None for one in air):
        return "the air's temperature was not recorded"
    if any(one.pressure_kpa is None for one in air):
        return "the air's pressure was not recorded"
    if any(one.vapour_kpa is None for one in air):
        return "humidity was not recorded"
    return "the factor it was corrected by is not known"
