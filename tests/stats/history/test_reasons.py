"""What recorded conditions explain of a figure that lies apart."""

import math

import pytest

from service.stats.history import reasons
from service.stats.history.reasons import Conditions, EngineFacts

PETROL = EngineFacts(boosted=False, spark=True)
USUAL = Conditions(inlet_c=30.0, lambda_mean=0.86, map_kpa=98.0, ethanol=0.05, factor=1.0)


def only(deviation: float, engine: EngineFacts = PETROL, **here: float) -> list[tuple[str, float | None]]:
    """Codes and percentages of what is said."""
    found = reasons.reasons(deviation, Conditions(**here), USUAL, engine)
    return [
        (one.code, None if one.explains_percent is None else round(one.explains_percent, 1)) for one in found
    ]


def test_ten_degrees_of_inlet_air_are_1_6_percent() -> None:
    # sqrt(298 / 308) = 0.9836; common practice, no source
    assert 100 * math.expm1(reasons.inlet_effect(35.0, 25.0)) == pytest.approx(-1.6, abs=0.05)


@pytest.mark.parametrize(
    ("lambda_mean", "percent"), [(0.80, -0.8), (0.75, -3.1), (0.70, -7.8), (0.92, -0.8), (1.00, -3.2)]
)
def test_mixture_costs_what_the_table_says_and_never_gains_beyond_the_best(
    lambda_mean: float, percent: float
) -> None:
    assert 100 * math.expm1(reasons.mixture_effect(lambda_mean, 0.856)) == pytest.approx(percent, abs=1e-9)
    for step in range(70, 101):
        assert reasons.mixture_effect(step / 100, 0.856) <= 0.0


def test_a_mixture_beyond_the_table_counts_as_its_end() -> None:
    assert reasons.mixture_effect(0.6, 0.856) == reasons.mixture_effect(0.70, 0.856)


def test_power_follows_manifold_pressure() -> None:
    assert 100 * math.expm1(reasons.pressure_effect(190.0, 200.0)) == pytest.approx(-5.0)


def test_hot_inlet_air_explains_part_and_what_is_left_is_said() -> None:
    # sqrt(303.15 / 318.15) = 0.9761: 2.4 of 6 %
    assert only(math.log(0.94), inlet_c=45.0) == [("inlet-air", -2.4), ("unexplained", -3.6)]


def test_what_explains_most_of_it_leaves_nothing_to_be_said() -> None:
    assert only(math.log(0.97), inlet_c=45.0) == [("inlet-air", -2.4)]


def test_what_pulls_the_other_way_is_no_reason() -> None:
    assert only(math.log(1.05), inlet_c=45.0) == [("unexplained", 5.0)]


def test_what_was_not_recorded_explains_nothing() -> None:
    found = reasons.reasons(math.log(0.9), Conditions(), USUAL, PETROL)
    assert [(one.code, one.message) for one in found] == [
        ("unexplained", "not explained by what was recorded")
    ]


def test_reasons_come_largest_first() -> None:
    assert [code for code, _ in only(math.log(0.93), inlet_c=38.0, lambda_mean=0.75, map_kpa=97.0)] == [
        "mixture", "inlet-air", "manifold-pressure",
    ]  # fmt: skip


def test_what_the_model_took_out_for_inlet_air_explains_no_more() -> None:
    effect = reasons.inlet_effect(45.0, 30.0)
    found = reasons.reasons(math.log(0.94), Conditions(inlet_c=45.0), USUAL, PETROL, taken_out=effect)
    assert [one.code for one in found] == ["unexplained"]


def test_a_diesels_mixture_is_no_reason() -> None:
    diesel = EngineFacts(boosted=True, spark=False)
    assert only(math.log(0.94), diesel, lambda_mean=1.3) == [("unexplained", -6.0)]


def test_ethanol_that_is_unusual_explains_an_unknown_amount() -> None:
    assert only(math.log(1.08), ethanol=0.75) == [("ethanol", None), ("unexplained", 8.0)]
    assert only(math.log(1.08), ethanol=0.14) == [("unexplained", 8.0)]


def test_a_factor_outside_the_limits_overstates_a_boosted_engine_by_what_it_is() -> None:
    boosted = EngineFacts(boosted=True, spark=True)
    assert only(math.log(1.10), boosted, factor=1.09) == [("factor", 9.0)]
    assert only(math.log(1.10), PETROL, factor=1.09) == [("factor", None), ("unexplained", 10.0)]
    assert only(math.log(1.10), boosted, factor=1.06) == [("unexplained", 10.0)]
    assert only(math.log(1.10), boosted, factor=1.07) == [("unexplained", 10.0)]  # at its limit it is inside
