"""What a part typically gains on a platform: by the history model, and beside it by the pairs alone.

The headline is the model's: the whole history, every car, the part on its own unless asked otherwise. Where there is no
model yet it is the pairs'. Gains are logs inside; in units they stand against the typical stock car, or against the
caller's own figure.
"""

import math
from dataclasses import dataclass, replace

from service.answers.cache import Kept
from service.answers.cautions import gain_cautions
from service.answers.cost import Cost, cost_of
from service.answers.model import ModelState
from service.answers.model_gain import ModelGain, model_gain
from service.answers.pairs_gain import ALONE, Asked, PairsGain, PeakShift, pairs_gain
from service.domain.shop import Shop
from service.stats.history.gains import borrowed_share, grade_of
from service.stats.pooling import chance_above
from service.store import evidence
from service.store.db import Connection

BY_MODEL, BY_PAIRS = "history-model", "pairs-only"
YOURS, OF_STOCK, OF_PAIRS = (
    "yours",
    "typical stock car of this kind",
    "typical of the cars measured",
)
Between = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Headline:
    """The answer itself [ln]: typical gain, intervals, chance that one more car gains, spread between cars, evidence;
    `base` is what the gain is shown on [kW or N.m]."""

    method: str
    mean: float
    interval: Between | None
    next_interval: Between | None
    chance: float | None
    car_spread: float | None
    noise_floor: float
    base: float | None
    base_is: str
    borrowed_share: float
    peak_shift: PeakShift | None


@dataclass(frozen=True, slots=True)
class TypicalGain:
    """The whole answer, in SI and logs; `headline` None: nothing is known."""

    asked: Asked
    context: str
    headline: Headline | None
    grade: str
    pairs: PairsGain
    model: ModelGain | None
    state: ModelState | None
    entangled: tuple[str, ...]
    cost: Cost
    cautions: tuple[str, ...] = ()

    def percent(self, log_gain: float) -> float:
        """A gain in logs as percent."""
        return 100.0 * math.expm1(log_gain)

    def absolute(self, log_gain: float) -> float | None:
        """A gain in logs on the headline's base [kW or N.m]."""
        base = self.base
        return None if base is None else base * math.expm1(log_gain)

    @property
    def base(self) -> float | None:
        """What gains are shown on [kW or N.m]."""
        return self.headline.base if self.headline else self.asked.baseline

    @property
    def cars_here(self) -> int:
        """Cars of the platform that were measured with the part, by pairs or in other company."""
        return max(self.pairs.cars, self.model.known.cars_with if self.model else 0)


def typical_gain(
    conn: Connection,
    question: evidence.Question,
    asked: Asked,
    shop: Shop,
    kept: Kept,
    state: ModelState | None,
) -> TypicalGain:
    """Answer one question; what was worked out for another one on the same evidence is in `kept`."""
    pairs = pairs_gain(conn, question, asked, shop, kept)
    model = None if state is None else model_gain(conn, state, question, asked)
    headline = model_headline(model, pairs, asked) if model else pairs_headline(pairs, asked)
    found = TypicalGain(
        asked=asked,
        context=(asked.context or ALONE) if model else pairs.context,
        headline=headline,
        grade=grade_here(model, pairs),
        pairs=pairs,
        model=model,
        state=state,
        entangled=entangled_with(model, state),
        cost=cost_of(question, between(headline), headline.base if headline else None, shop),
    )
    elsewhere = evidence.measured_on(conn, question.part_id) if found.cars_here == 0 else []
    return replace(found, cautions=tuple(gain_cautions(found, question, elsewhere)))


def model_headline(model: ModelGain, pairs: PairsGain, asked: Asked) -> Headline:
    """The model's answer; in units on the asker's own figure, else on the platform's typical stock car."""
    said = model.said
    base, base_is = model.stock, OF_STOCK
    if base is None:
        base, base_is = pairs.base, OF_PAIRS
    if asked.baseline:
        base, base_is = asked.baseline, YOURS
    moved = model.peak_shift
    return Headline(
        method=BY_MODEL,
        mean=said.typical.typical,
        interval=(said.typical.low, said.typical.high),
        next_interval=said.next_car,
        chance=said.chance_of_gain,
        car_spread=model.car_spread,
        noise_floor=said.smallest,
        base=base,
        base_is=base_is,
        borrowed_share=float(borrowed_share(model.known)),
        peak_shift=PeakShift(moved.typical, (moved.low, moved.high)) if moved else None,
    )


def pairs_headline(pairs: PairsGain, asked: Asked) -> Headline | None:
    """The pairs' answer, where there is no model."""
    pooled = pairs.pooled
    if pooled is None:
        return None
    return Headline(
        method=BY_PAIRS,
        mean=pooled.mean,
        interval=pooled.interval,
        next_interval=pooled.next_interval,
        chance=chance_above(pooled, 0.0),
        car_spread=pooled.tau2**0.5 if pairs.cars > 1 else None,
        noise_floor=pairs.noise_floor,
        base=asked.baseline or pairs.base,
        base_is=YOURS if asked.baseline else OF_PAIRS,
        borrowed_share=0.0,
        peak_shift=pairs.peak_shift,
    )


def grade_here(model: ModelGain | None, pairs: PairsGain) -> str:
    """The evidence grade, by the cars measured with and without it here."""
    if model is None:
        return pairs.grade
    cell = replace(model.known, cars=max(pairs.cars, model.known.cars))
    return grade_of(cell, pairs.like_for_like_used, pairs.cars)


def between(headline: Headline | None) -> tuple[float, float, float] | None:
    """Typical gain with its interval, where there is one."""
    if headline is None or headline.interval is None:
        return None
    return headline.mean, *headline.interval


def entangled_with(model: ModelGain | None, state: ModelState | None) -> tuple[str, ...]:
    """The names of parts that cannot be told apart from it here."""
    if model is None or state is None:
        return ()
    parts = state.system.catalogue.parts
    return tuple(parts[part].name for part in model.known.entangled if part in parts)
