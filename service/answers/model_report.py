"""The fit in use, in words: from what it was made, what readings differ by, what was trusted less."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from service.answers.cautions import FEW_CARS, behind_caution
from service.answers.model import ModelState
from service.stats.history.fitted import Fit
from service.stats.history.system import System

SPREADS_IN_WORDS = {
    # Each spread: what it is relative to, and what it is between.
    "pull": ("reading", "one pull and the next of the same setup"),
    "setup": ("reading", "setups of one strap-down, beyond their pulls"),
    "session": ("reading", "strap-downs of one car in one bay"),
    "bay": ("reading", "bays, before their levels are taken out"),
    "car": ("reading", "cars of one kind, stock"),
    "car_gain": ("gain", "what one part does on different cars of a kind"),
    "car_floor": ("reading", "what one part does on different cars, however small its gain"),
    "part": ("gain", "parts of one slot"),
    "slot_on": ("gain", "what a slot's parts do on different kinds of car"),
    "part_on": ("gain", "what one part does on different kinds of car, beyond that"),
    "interaction": ("gain", "what two parts do together and the sum of each alone"),
}
OF_A_READING = ("pull", "setup", "session", "bay", "car")


@dataclass(frozen=True, slots=True)
class SpreadInWords:
    """A standard deviation, as a share of what it is relative to, and what it is between."""

    name: str
    sd: float
    of: str
    between: str


@dataclass(frozen=True, slots=True)
class ModelReport:
    """What the model in use stands on; state None: there is none."""

    state: ModelState | None
    spreads: tuple[SpreadInWords, ...]
    shares: tuple[tuple[str, float, str], ...]
    down_weighted: int
    heat_soaked: int
    holds: dict[str, int]
    cautions: tuple[str, ...]


def model_report(state: ModelState | None) -> ModelReport:
    """The report of a state of the model."""
    if state is None:
        words = "There is no model yet: too little was posted, or the worker is estimating it. Answers rest on pairs alone."
        return ModelReport(None, (), (), 0, 0, {}, (words,))
    fit = state.system.fit
    return ModelReport(
        state=state,
        spreads=tuple(spreads_of(fit)),
        shares=tuple(shares_of(fit)),
        down_weighted=fit.down_weighted,
        heat_soaked=fit.heat_soaked,
        holds=holdings(state.system),
        cautions=tuple(report_cautions(state)),
    )


def spreads_of(fit: Fit) -> Iterator[SpreadInWords]:
    """Every spread with its words."""
    for name, (of, between) in SPREADS_IN_WORDS.items():
        sd = fit.pull_spread if name == "pull" else getattr(fit.spreads, name)
        yield SpreadInWords(name, float(sd), of, between)


def shares_of(fit: Fit) -> Iterator[tuple[str, float, str]]:
    """Of the variance between single pulls of two stock cars of one kind in two bays: each cause's share, in words."""
    squares = {one.name: one.sd**2 for one in spreads_of(fit) if one.name in OF_A_READING}
    whole = sum(squares.values())
    for name, square in sorted(squares.items(), key=lambda item: -item[1]):
        share = square / whole if whole > 0.0 else 0.0
        yield name, share, f"{share:.0%} between {SPREADS_IN_WORDS[name][1]}"


def holdings(system: System) -> dict[str, int]:
    """What the system holds now."""
    known = system.catalogue
    return {
        "setups": len(system),
        "cars": len(set(system.setups().vehicle_id.tolist())),
        "platforms": sum(1 for platform in known.platforms if math.isfinite(system.levels(platform))),
        "parts": sum(1 for part in known.parts if system.has(part)),
        "bays": len({level.bay_id for level in system.bays if level.cars}),
    }


def report_cautions(state: ModelState) -> Iterator[str]:
    """What must be said beside it."""
    yield from behind_caution(state)
    fit = state.system.fit
    if fit.cars < FEW_CARS:
        yield f"Estimated from {fit.cars} cars only: its spreads are mostly what is usual, and intervals are wide for it."
    if not fit.converged:
        yield "The last estimate of the spreads did not settle; it is usable, and will be tried again."
    if state.facts is None:
        yield "Made by this process for want of one made by the worker: `bayledger serve` runs a worker; or `bayledger refit`."
