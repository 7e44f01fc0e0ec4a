"""One pair's gain and the variance of its measurement, by hand."""

import math

import pytest

from service.stats.pairs import Reading, Spreads, measured_gain, reading_variance

SPREADS = Spreads(pull=0.006, setup=0.004, session=0.007, bay=0.02)
ONE_READING = 0.004**2 + 0.006**2 / 4
"""Of a setup of four pulls."""


def of(value: float, pulls: int = 4, best_of: int | None = None) -> Reading:
    return Reading(value, pulls, best_of)


def pair(with_: Reading, without: Reading, again: Reading | None = None, **fields: object):
    known = {
        "share": None,
        "again_is_with": False,
        "same_session": True,
        "same_bay": True,
        "spreads": SPREADS,
    }
    return measured_gain(with_, without, again, **{**known, **fields})


def test_a_gain_is_the_log_of_the_ratio_and_varies_as_both_readings_do() -> None:
    found = pair(of(105.0), of(100.0))
    assert found.gain == pytest.approx(math.log(1.05))
    assert found.variance == pytest.approx(2 * ONE_READING)


def test_another_strap_down_and_another_bay_count_on_both_sides() -> None:
    assert pair(of(105.0), of(100.0), same_session=False).variance == pytest.approx(
        2 * ONE_READING + 2 * 0.007**2
    )
    apart = pair(of(105.0), of(100.0), same_session=False, same_bay=False)
    assert apart.variance == pytest.approx(2 * ONE_READING + 2 * 0.007**2 + 2 * 0.02**2)


@pytest.mark.parametrize("with_repeated", [True, False])
def test_a_repeated_state_is_taken_where_the_other_lies_between_its_readings(with_repeated: bool) -> None:
    """A quarter of the way from 100 to 104: ln 100 + ln(1.04) / 4; its variance (9 + 1) / 16 of one reading's."""
    between = math.log(100.0) + math.log(1.04) / 4
    if with_repeated:
        found = pair(of(100.0), of(95.0), of(104.0), share=0.25, again_is_with=True)
        assert found.gain == pytest.approx(between - math.log(95.0))
    else:
        found = pair(of(110.0), of(100.0), of(104.0), share=0.25, again_is_with=False)
        assert found.gain == pytest.approx(math.log(110.0) - between)
    assert found.variance == pytest.approx(ONE_READING * (1 + 10 / 16))


def test_a_record_of_the_best_of_four_is_one_reading_that_varies_as_the_largest_of_four_does() -> None:
    """Variance of the largest of four standard normals: 0.4917 (David & Nagaraja, Order Statistics, 2003; from memory)."""
    assert reading_variance(of(100.0, best_of=4), SPREADS) == pytest.approx(
        0.004**2 + 0.4917 * 0.006**2, rel=1e-4
    )
