"""Single pulls apart from the others of their setup."""

import math
from collections.abc import Iterator, Sequence
from itertools import groupby
from statistics import fmean

import numpy as np

from service.answers.model import ModelState
from service.answers.odd_shown import OddOne, place_of
from service.domain.history import Ints
from service.domain.measures import Measure
from service.stats.history.outliers import FEWEST_PULLS, pulls_apart
from service.stats.history.reasons import Conditions, EngineFacts, reasons
from service.store.db import Connection
from service.store.model_questions import (
    PullFigure,
    SetupPlace,
    places_of_setups,
    pulls_of_setups,
    setups_of_many_pulls,
)


def odd_pulls(conn: Connection, measure: Measure, state: ModelState) -> tuple[list[OddOne], Ints]:
    """Pulls apart from their setup's others, and the setup of each that was looked at; of the measure's peak."""
    setups = setups_of_many_pulls(conn, FEWEST_PULLS)
    pulls = [pull for pull in pulls_of_setups(conn, setups) if figure_of(pull, measure) is not None]
    spread = state.system.fit.pull_spread
    found = []
    for setup_id, group in groupby(pulls, key=lambda pull: pull.setup_id):
        own = list(group)
        apart = pulls_apart([math.log(figure_of(pull, measure) or 1.0) for pull in own], spread)
        if apart:
            place = places_of_setups(conn, [setup_id])[setup_id]
            found += list(shown_pulls(own, apart, measure, spread, place))
    return found, np.array([pull.setup_id for pull in pulls], dtype=np.int64)


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
        inlet_c=mean_known([own[i].inlet_c for i in others]),
        lambda_mean=mean_known([own[i].lambda_mean for i in others]),
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


def mean_known(values: Sequence[float | None]) -> float | None:
    """Mean of what was recorded; None where nothing was."""
    known = [value for value in values if value is not None]
    return fmean(known) if known else None
