"""A car against its own earlier readings, by hand and at the limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.stats.own_readings import Reading, change, fall, returned, same_state, steps, told_apart
from service.stats.pairs import Spreads

NOISE = Spreads(pull=0.005, setup=0.004, session=0.007, bay=0.02)
Z90 = 1.6448536269514722
"""Upper 5 % point of the normal distribution (tables; NIST/SEMATECH e-Handbook 1.3.6.7.1)."""


def reading(key: int, value: float, session: int | None = None, **fields: object) -> Reading:
    given = {"bay": 1, "pulls": 3, "parts": frozenset(), "complete": True, **fields}
    return Reading(key=key, session=key if session is None else session, value=value, **given)  # type: ignore[arg-type]


def test_two_visits_to_one_bay_by_hand():
    """v = 2 (0.004^2 + 0.005^2 / 3 + 0.007^2) = 1.46667e-4, sd 1.21106 %; 90 %: 1.64485 sd = 1.99202 %."""
    made = change(reading(1, 100.0), reading(2, 97.0), NOISE, 0.9)
    assert made.error == pytest.approx(math.sqrt(1.4666667e-4), rel=1e-6)
    assert made.half == pytest.approx(Z90 * 0.01211060, rel=1e-6)
    assert made.log_ratio == pytest.approx(math.log(0.97))
    assert made.percent == pytest.approx(-3.0)
    assert made.clear
    assert told_apart(NOISE, 0.9) == pytest.approx(made.half)


def test_inside_one_strap_down_only_setups_and_pulls_count():
    """v = 2 (0.004^2 + 0.005^2 / 3) = 4.86667e-5."""
    made = change(reading(1, 100.0, session=5), reading(2, 101.0, session=5), NOISE, 0.9)
    assert made.error == pytest.approx(math.sqrt(4.8666667e-5), rel=1e-6)


def test_another_bay_of_unknown_level_brings_the_spread_of_bays_twice():
    near = change(reading(1, 100.0), reading(2, 97.0), NOISE, 0.9)
    far = change(reading(1, 100.0), reading(2, 97.0, bay=2), NOISE, 0.9)
    assert far.error**2 - near.error**2 == pytest.approx(2 * 0.02**2)
    assert not far.clear


def test_known_bay_levels_are_taken_out_with_their_own_errors():
    before = reading(1, 100.0, offset=0.01, offset_variance=1e-5)
    after = reading(2, 100.0, bay=2, offset=-0.02, offset_variance=2e-5)
    near = change(reading(1, 100.0), reading(2, 100.0), NOISE, 0.9)
    made = change(before, after, NOISE, 0.9)
    assert made.log_ratio == pytest.approx(0.03)
    assert made.error**2 - near.error**2 == pytest.approx(3e-5)


def test_a_best_of_four_is_already_what_their_mean_would_read_and_not_lowered_again():
    made = change(reading(1, 100.0, best_of=4, pulls=1), reading(2, 100.0), NOISE, 0.9)
    assert made.log_ratio == 0.0


def test_the_best_of_four_scatters_less_than_one_pull_and_more_than_their_mean():
    """Variance of the largest of four standard normals: 0.49172 (David & Nagaraja, Order Statistics, 2003; from memory)."""
    made = change(reading(1, 100.0, session=5, best_of=4, pulls=1), reading(2, 100.0, session=5), NOISE, 0.9)
    assert made.error**2 == pytest.approx(2 * 0.004**2 + 0.005**2 * (0.4917152 + 1 / 3), rel=1e-5)


def test_two_stretches_of_one_bay_are_brought_to_one_level_and_one_stretch_is_left_alone():
    """A bay that was recalibrated in between: its levels differ as those of two bays do."""
    old, new = {"offset": 0.01, "offset_variance": 1e-5}, {"offset": -0.02, "offset_variance": 2e-5}
    plain = change(reading(1, 100.0), reading(2, 100.0), NOISE, 0.9)
    stepped = change(reading(1, 100.0, **old), reading(2, 100.0, **new), NOISE, 0.9)
    assert stepped.log_ratio == pytest.approx(0.03)
    assert stepped.error**2 - plain.error**2 == pytest.approx(3e-5)
    assert change(reading(1, 100.0, **old), reading(2, 100.0, **old), NOISE, 0.9).error == plain.error


@given(a=st.floats(50, 500), b=st.floats(50, 500), level=st.floats(0.5, 0.999))
def test_turned_round_a_change_is_its_own_opposite(a, b, level):
    there = change(reading(1, a), reading(2, b), NOISE, level)
    back = change(reading(2, b), reading(1, a), NOISE, level)
    assert there.log_ratio == pytest.approx(-back.log_ratio, abs=1e-12)
    assert there.half == back.half
    low, high = there.interval_percent
    assert low <= there.percent <= high


def test_a_level_that_is_no_share_is_refused():
    with pytest.raises(ValueError, match="level: 1 is no share"):
        change(reading(1, 100.0), reading(2, 100.0), NOISE, 1.0)


def test_down_since_between_the_last_high_and_the_first_low_reading():
    car = [reading(1, 100.0), reading(2, 100.2), reading(3, 96.0), reading(4, 95.8)]
    found = fall(car, car[-1], NOISE, 0.9)
    assert found is not None
    assert (found.last_high.earlier.key, found.first_low.key) == (2, 3)


def test_one_high_reading_among_many_visits_is_no_fall():
    """2.2 % is clear at 90 % of two visits (1.99 %), not at 1 - 0.1 / 20 (2.81 standard errors, 3.40 %)."""
    car = [reading(1, 102.25), *(reading(n, 100.0) for n in range(2, 22))]
    assert change(car[0], car[-1], NOISE, 0.9).clear
    assert fall(car, car[-1], NOISE, 0.9) is None
    assert fall([car[0], car[-1]], car[-1], NOISE, 0.9) is not None


def test_a_car_that_reads_as_before_has_not_fallen():
    car = [reading(1, 100.0), reading(2, 100.4)]
    assert fall(car, car[-1], NOISE, 0.9) is None


def test_a_car_that_reads_higher_than_before_has_not_fallen():
    car = [reading(1, 100.0), reading(2, 105.0)]
    assert change(car[0], car[1], NOISE, 0.9).clear
    assert fall(car, car[-1], NOISE, 0.9) is None


def test_the_fall_itself_is_told_at_the_asked_level():
    """Only whether there is one is decided at the stricter level of several visits."""
    car = [reading(1, 100.0), reading(2, 100.2), reading(3, 95.8)]
    found = fall(car, car[-1], NOISE, 0.9)
    assert found is not None
    assert found.last_high.half == pytest.approx(Z90 * 0.01211060, rel=1e-6)


def test_only_visits_in_the_same_known_state_are_compared():
    pipe = frozenset({"pipe"})
    car = [
        reading(1, 100.0),
        reading(2, 110.0, parts=pipe),
        reading(3, 100.0, complete=False),
        reading(4, 100.0, session=9),
        reading(5, 99.0, session=9),
    ]
    assert [one.key for one in same_state(car, car[-1])] == [1]


def test_back_to_stock_is_held_against_the_last_stock_reading_before_the_change():
    pipe = frozenset({"pipe"})
    car = [reading(1, 100.0), reading(2, 101.0), reading(3, 110.0, parts=pipe), reading(4, 100.8)]
    found = returned(car, NOISE, 0.9)
    assert found is not None
    assert (found.earlier.key, found.later.key, found.clear) == (2, 4, False)
    assert returned(car[:3], NOISE, 0.9) is None
    assert returned([*car[:2], car[3]], NOISE, 0.9) is None


def test_changed_twice_it_is_held_against_the_last_stock_reading_between_the_changes():
    pipe = frozenset({"pipe"})
    car = [reading(n, 100.0, parts=pipe if n in (2, 4) else frozenset()) for n in range(1, 6)]
    found = returned(car, NOISE, 0.9)
    assert found is not None
    assert (found.earlier.key, found.later.key) == (3, 5)


def test_a_step_is_a_change_of_state_between_known_lists():
    pipe = frozenset({"pipe"})
    car = [
        reading(1, 100.0),
        reading(2, 100.0),
        reading(3, 104.0, complete=False, parts=pipe),
        reading(4, 106.0, parts=pipe),
    ]
    assert [(one.earlier.key, one.later.key) for one in steps(car, NOISE, 0.9)] == [(2, 4)]
