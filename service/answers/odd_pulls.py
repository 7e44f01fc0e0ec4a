"""Single pulls apart from the others of their setup."""

import math
from collections.abc import Iterator, Sequence
from itertools import groupby
from statistics import fmean
from typing import Final

import numpy as np

from service.answers.model import ModelState
from service.answers.odd_shown import OddOne, mean_of, place_of
from service.domain.history import Ints
from service.domain.measures import Measure
from service.stats.history.outliers import FEWEST_PULLS, may_have_pulls_apart, pulls_apart
from service.stats.history.reasons import Conditions, EngineFacts, reasons
from service.store.db import Connection
from service.store.model_questions import (
    PullFigure,
    SetupPlace,
    places_of_setups,
    pulls_of_setups,
    setups_of_many_pulls,
)

BATCH: Final = 5_000
"""Setups whose pulls are in memory at once (our choice: some 10 MB)."""


def odd_pulls(conn: Connection, measure: Measure, state: ModelState) -> tuple[list[OddOne], Ints]:
    """Pulls apart from their setup's others, and the setup of each that was looked at; of the measure's peak."""
    setups = sorted(setups_of_many_pulls(conn, FEWEST_PULLS))
    spread = state.system.fit.pull_spread
    found: list[OddOne] = []
    looked_at = [np.empty(0, dtype=np.int64)]
    for start in range(0, len(setups), BATCH):
        pulls = pulls_of_setups(conn, setups[start : start + BATCH])
        known = [pull for pull in pulls if figure_of(pull, measure) is not None]
        found += odd_among(conn, known, measure, spread)
        looked_at.append(np.array([pull.setup_id for pull in known], dtype=np.int64))
    return found, np.concatenate(looked_at)


def odd_among(
    conn: Connection, pulls: Sequence[PullFigure], measure: Measure, spread: float
) -> Iterator[OddOne]:
    """The pulls of some setups, one after the other, that lie apart from the others of theirs."""
    groups = [list(group) for _, group in groupby(pulls, key=lambda pull: pull.setup_id)]
    values = [[math.log(figure_of(pull, measure) or 1.0) for pull in own] for own in groups]
    apart = {i: odd for i in suspects(values) if (odd := pulls_apart(values[i], spread))}
    places = places_of_setups(conn, [groups[i][0].setup_id for i in apart])
    for i, odd in apart.items():
        yield from shown_pulls(groups[i], odd, measure, spread, places[groups[i][0].setup_id])


def suspects(groups: Sequence[Sequence[float]]) -> list[int]:
    """Which of these setups may have pulls apart; those with equally many pulls are looked at together."""
    by_size: dict[int, list[int]] = {}
    for i, values in enumerate(groups):
        by_size.setdefault(len(values), []).append(i)
    found: list[int] = []
    for alike in by_size.values():
        may = may_have_pulls_apart([groups[i] for i in alike])
        found += [i for i, one in zip(alike, may.tolist(), strict=True) if one]
    return sorted(found)


def figure_of(pull: PullFigure, measure: Measure) -> float | None:
    """A pull's own peak, corrected where its factor is known [kW or N.m]."""
    peak = pull.power_kw if measure.quantity == "power" else pull.torque_nm
    return None if peak is None or peak <= 0 else peak * (pull.factor or 1.0)


def shown_pulls(
    own: Sequence[PullFigure], apart: Sequence[int], measure: Measure, spread: float, place: SetupPlace
) -> Iterator[OddOne]:
    """Each pull that lies apart, with what is to be expected by the others."""
    figures = [figure_of(pull, measure) or 1.0 for pull in own]
    others = [i for i in range(len(own)) if i not in apart]
    expected = math.exp(fmean(math.log(figures[i]) for i in others))
    usual = Conditions(
        inlet_c=mean_of(others, lambda i: own[i].inlet_c),
        lambda_mean=mean_of(others, lambda i: own[i].lambda_mean),
    )
    for i in apart:
        deviation = math.log(figures[i] / expected)
        here = Conditions(inlet_c=own[i].inlet_c, lambda_mean=own[i].lambda_mean)
        yield OddOne(
            kind="pull",
            where=place_of([place]),
            setup=place.n,
            record=place,
            pull=own[i].pull_id,
            value=figures[i],
            expected=expected,
            deviation_percent=100.0 * math.expm1(deviation),
            score=deviation / spread,
            reasons=reasons(deviation, here, usual, EngineFacts(boosted=False, spark=True)),
        )
