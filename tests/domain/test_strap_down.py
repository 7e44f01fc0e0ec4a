"""Where the setups of one strap-down stand: at the asked standard together, or together somewhere else."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.correction import STANDARDS, Air, correction_factor
from service.domain.derive import log_slope
from service.domain.engine import Engine
from service.domain.levels import pair_ratios, strap_down_ratios

BASE = "sae-j1349"
THIN = Air(25.0, 94.0, 1.0)
FACTOR = correction_factor(BASE, THIN)
ENGINE = Engine("spark", "turbo")


@dataclass(frozen=True)
class Stored:
    """A setup's level and air as its summary keeps them."""

    level_standard: str | None
    factor: float | None = None
    temperature_c: float | None = None
    pressure_kpa: float | None = None
    vapour_kpa: float | None = None


ANY = Stored("any", FACTOR, THIN.temperature_c, THIN.pressure_kpa, THIN.vapour_kpa)
OBSERVED = Stored("observed", 1.0)
UNKNOWN = Stored("unknown")
AS_POSTED = Stored(BASE)
IN_J607 = Stored("sae-j607")


def stand(*setups, doubted=(), standard=BASE):
    """What they are multiplied by, with whether that is the standard; `doubted` names places."""
    return strap_down_ratios(setups, [place in doubted for place in range(len(setups))], standard, ENGINE)


def test_setups_that_can_be_brought_to_the_standard_stand_there():
    assert stand(ANY, AS_POSTED) == [(1.0, True), (1.0, True)]
    ratio = correction_factor("sae-j607", THIN) / FACTOR
    assert stand(ANY, IN_J607, standard="sae-j607") == [(pytest.approx(ratio), True), (1.0, True)]


def test_one_that_cannot_takes_the_others_along_to_what_they_share():
    # The air of the first gives back what was observed.
    assert stand(ANY, OBSERVED) == [(pytest.approx(1.0 / FACTOR), False), (1.0, False)]
    ratio = correction_factor("sae-j607", THIN) / FACTOR
    assert stand(ANY, IN_J607) == [(pytest.approx(ratio), False), (1.0, False)]


def test_a_doubt_of_one_level_takes_the_level_of_all_but_no_ratio():
    assert stand(ANY, ANY, doubted=[1]) == [(1.0, False), (1.0, False)]


def test_where_nothing_is_shared_those_at_the_standard_stay_there():
    assert stand(ANY, UNKNOWN) == [(1.0, True), None]


def test_of_the_others_those_of_the_commonest_level_are_kept_for_each_other():
    assert stand(ANY, UNKNOWN, UNKNOWN, IN_J607) == [(1.0, True), (1.0, False), (1.0, False), None]
    assert stand(UNKNOWN, UNKNOWN) == [(1.0, False), (1.0, False)]


@pytest.mark.parametrize("setup", [OBSERVED, UNKNOWN, IN_J607, Stored(None)])
def test_one_alone_without_its_level_says_nothing(setup):
    assert stand(setup) == [None]


def test_a_doubted_level_alone_says_nothing():
    assert stand(ANY, doubted=[0]) == [None]


STORED = st.sampled_from([ANY, OBSERVED, UNKNOWN, AS_POSTED, IN_J607, Stored(None)])


@given(
    setups=st.lists(st.tuples(STORED, st.booleans()), min_size=1, max_size=5),
    standard=st.sampled_from(sorted(STANDARDS)),
)
def test_what_is_kept_on_one_footing_has_the_ratio_that_its_pair_has(setups, standard):
    found = strap_down_ratios([one for one, _ in setups], [doubt for _, doubt in setups], standard, ENGINE)
    footing = [(one, kept) for (one, _), kept in zip(setups, found, strict=True) if kept is not None]
    for level in (True, False):
        for a, (ratio_a, _) in [each for each in footing if each[1][1] is level]:
            for b, (ratio_b, _) in [each for each in footing if each[1][1] is level]:
                pair = pair_ratios([a, b], standard, ENGINE)
                assert pair is not None
                assert ratio_a / ratio_b == pytest.approx(pair[0][0] / pair[0][1], rel=1e-9)


# How an engine fades from pull to pull


@given(first=st.floats(50.0, 500.0), step=st.floats(0.9, 1.1), pulls=st.integers(3, 12))
def test_a_steady_fading_is_found_as_it_is(first, step, pulls):
    assert log_slope(first * step ** np.arange(pulls)) == pytest.approx(np.log(step), abs=1e-12)


@pytest.mark.parametrize("powers", [[], [100.0], [100.0, 99.0], [100.0, float("nan"), 99.0, 98.0]])
def test_fewer_than_three_or_a_gap_among_them_say_nothing_of_it(powers):
    assert log_slope(np.array(powers)) is None
