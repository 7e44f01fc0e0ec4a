"""From the level a figure is stored at to the standard that is asked for."""

from types import SimpleNamespace

import pytest

from service.domain.correction import Air, correction_factor
from service.domain.derive import ANY_STANDARD, OBSERVED
from service.domain.engine import Engine
from service.domain.levels import mean_air, pair_ratios, ratio_to, stands_in, strap_down_ratios

WARM = Air(30.0, 98.0, 2.5)


def test_a_figure_with_its_air_stands_in_the_base_standard_already():
    assert ratio_to("sae-j1349", ANY_STANDARD, WARM) == 1.0


def test_uncorrected_is_the_stored_figure_with_its_factor_taken_off():
    # By hand: 1.18 x 99 / (98 - 2.5) x sqrt((30 + 273) / 298) - 0.18 = 1.053466.
    assert correction_factor("sae-j1349", WARM) == pytest.approx(1.053466, abs=1e-6)
    assert ratio_to("none", ANY_STANDARD, WARM) == pytest.approx(1 / 1.053466, abs=1e-6)


def test_a_figure_without_its_air_stands_in_its_own_standard_only():
    assert ratio_to("sae-j1349", "sae-j1349", None) == 1.0
    assert ratio_to("none", "sae-j1349", None) is None


def test_a_figure_at_no_level_stands_in_none():
    assert ratio_to("none", None, None) is None
    assert ratio_to("sae-j1349", ANY_STANDARD, None) is None


DIESEL = Engine("compression", "natural", fuel_per_cycle=50.0)


def test_a_standard_that_goes_by_the_engine_is_reached_where_the_engine_is_known():
    # By hand: fa = 99 / 95.5 x (303 / 298)^0.7 = 1.048794, fm = 0.036 x 50 - 1.14 = 0.66; over J1349's 1.053466
    assert ratio_to("un-r85", ANY_STANDARD, WARM, DIESEL) == pytest.approx(
        1.048794**0.66 / 1.053466, abs=2e-6
    )
    assert ratio_to("un-r85", ANY_STANDARD, WARM, Engine("compression", "natural")) is None
    assert ratio_to("un-r85", ANY_STANDARD, WARM) is None
    assert ratio_to("un-r85", "un-r85", None) == 1.0


def test_a_figure_that_can_be_brought_to_any_standard_stands_in_the_base_one():
    assert [stands_in(level) for level in (ANY_STANDARD, "un-r85", None)] == ["sae-j1349", "un-r85", None]


@pytest.mark.parametrize("missing", [0, 1, 2])
def test_air_is_known_only_whole(missing):
    parts = [30.0, 98.0, 2.5]
    parts[missing] = None
    assert mean_air(*parts) is None
    assert mean_air(30.0, 98.0, 2.5) == WARM


def setup(level: str | None, factor: float | None = None, air: Air | None = None) -> SimpleNamespace:
    return SimpleNamespace(
        level_standard=level,
        factor=factor,
        temperature_c=air and air.temperature_c,
        pressure_kpa=air and air.pressure_kpa,
        vapour_kpa=air and air.vapour_kpa,
    )


def test_an_observed_figure_stands_in_no_standard_but_that_of_no_correction():
    assert ratio_to("sae-j1349", OBSERVED, None) is None
    assert ratio_to("none", OBSERVED, None) == 1.0


def test_two_sides_of_different_standards_are_brought_back_to_what_was_observed():
    """1.02 and 1.05 were their factors."""
    sides = [setup("din-70020", 1.02), setup("iso-1585", 1.05)]
    assert pair_ratios(sides, "sae-j1349", Engine()) == ([1 / 1.02, 1 / 1.05], False)


def test_a_strap_down_of_which_one_setups_level_is_doubted_speaks_by_ratios_alone():
    known = [setup(ANY_STANDARD, 1.0, WARM), setup(ANY_STANDARD, 1.0, WARM)]
    assert strap_down_ratios(known, [False, False], "sae-j1349", Engine()) == [(1.0, True), (1.0, True)]
    assert strap_down_ratios(known, [False, True], "sae-j1349", Engine()) == [(1.0, False), (1.0, False)]


def test_where_nothing_is_shared_one_setup_of_another_level_can_be_compared_with_nothing():
    at_level, alone = setup(ANY_STANDARD, None, WARM), setup("unknown")
    found = strap_down_ratios([at_level, alone], [False, False], "sae-j1349", Engine())
    assert found == [(1.0, True), None]
    found = strap_down_ratios([at_level, alone, alone], [False] * 3, "sae-j1349", Engine())
    assert found == [(1.0, True), (1.0, False), (1.0, False)]
