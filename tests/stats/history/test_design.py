"""The columns and covariances that stand for a platform's setups."""

import numpy as np
import pytest

from service.stats.history.assembly import values_of
from service.stats.history.design import ADRIFT_SD, PlatformDesign, platform_design
from service.stats.history.fit import starting_fit
from service.stats.history.fitted import ById, Fit, Point, Points, Spreads, Weights, gain_key
from service.stats.history.layout import (
    ARRIVED_KEY,
    ETHANOL_KEY,
    NO_BORDER,
    Border,
    Linear,
    bay_key,
    inlet_key,
    pair_key,
    part_key,
    part_on_key,
    slot_key,
    slot_on_key,
    stretch_key,
    theta_of,
)
from tests.stats.history.made import EXHAUST, INTAKE, TUNE, TURBO, Setup, catalogue, history

POINTS = Points(
    slot={("intake-pipe", "turbo"): Point(0.03, 0.0), ("calibration", "turbo"): Point(0.15, 0.0)},
    part={(INTAKE, "turbo"): Point(0.04, 0.0)},
    slot_on={("intake-pipe", TURBO): 0.25},
    cell={(INTAKE, TURBO): Point(0.06, 0.0), (TUNE, TURBO): Point(0.16, 0.0)},
)


def designed(
    *rows: Setup, points: Points = POINTS, weights: Weights | None = None, **events: tuple[float, ...]
):
    facts, setups = catalogue(**events), history(*rows)
    fit = starting_fit(setups, facts)
    fit = Fit(
        **{name: getattr(fit, name) for name in Fit.__slots__}
        | {"points": points, "weights": weights or Weights()}
    )
    return *platform_design(
        setups, values_of(setups, facts, fit), facts, fit, Linear(points, facts), NO_BORDER
    ), fit


def shared(design: PlatformDesign, border: Border, row: int) -> dict:
    dense = design.block.x_border[[row]].toarray()[0]
    return {border.keys[i]: value for i, value in zip(design.block.border, dense, strict=True) if value}


def own(design: PlatformDesign, row: int) -> dict:
    dense = design.block.x_local[[row]].toarray()[0]
    return {key: dense[i] for key, i in design.local_place.items() if dense[i]}


def test_a_gain_is_linear_about_its_points() -> None:
    design, border, _ = designed(Setup(1), Setup(1, (INTAKE,)))
    # G = M (1 + a)(1 + eta)(1 + delta) at M = .03, M (1 + a) = .04, eta = .25
    columns = shared(design, border, 1)
    assert columns[slot_key("intake-pipe", "turbo")] == pytest.approx(1.25)
    assert columns[part_key(INTAKE)] == pytest.approx(1.25 * 0.03)
    assert own(design, 1)[slot_on_key("intake-pipe")] == pytest.approx(0.04)
    assert own(design, 1)[part_on_key(INTAKE)] == 1.0


def test_an_ill_known_gain_is_not_taken_for_a_small_one() -> None:
    """The root of its expected square, mean^2 + variance; never below 1.5 %."""
    assert Point(0.03, 0.04**2).size == pytest.approx(0.05)
    assert Point(0.0, 0.02**2).size == pytest.approx(0.02)
    assert Point(0.001, 0.0).size == 0.015


def test_at_its_points_the_linear_gain_is_the_product() -> None:
    gain = Linear(POINTS, catalogue()).of(INTAKE, TURBO, "turbo")
    a, eta = 0.04 / 0.03 - 1.0, 0.25
    linear = gain.tilt * (0.03 + gain.scale * a) + gain.main * eta + gain.offset
    assert linear == pytest.approx(0.03 * (1 + a) * (1 + eta))


def test_where_a_slot_hardly_gives_anything_a_fifth_of_what_is_learned_elsewhere_still_counts() -> None:
    """A shift of -0.9 leaves a tenth of the gain; what moves the part elsewhere moves it here by a fifth, never backwards."""
    points = Points(
        slot=POINTS.slot, part=POINTS.part, slot_on={("intake-pipe", TURBO): -0.9}, cell=POINTS.cell
    )
    gain = Linear(points, catalogue()).of(INTAKE, TURBO, "turbo")
    assert gain.tilt == 0.2
    at_its_points = gain.tilt * 0.04 + gain.main * -0.9 + gain.offset
    assert at_its_points == pytest.approx(0.04 * 0.1)


def test_a_slot_never_measured_with_an_aspiration_is_taken_as_large_as_with_others_and_known_so_much_worse() -> (
    None
):
    """4 % elsewhere: as much again is open, and half of the usual 3 %: the root of 4^2 + 4^2 + 1.5^2."""
    points = Points(slot={("intake-pipe", "natural"): Point(0.04, 0.0)}, part={}, slot_on={}, cell={})
    gain = Linear(points, catalogue()).of(INTAKE, TURBO, "turbo")
    assert gain.scale == pytest.approx(np.sqrt(0.04**2 + 0.04**2 + 0.015**2))


def test_a_shift_of_a_part_on_a_platform_is_relative_to_what_is_expected_there() -> None:
    design, _, fit = designed(Setup(1, (INTAKE,)))
    variance = (
        design.block.prior_local.sd(theta_of(fit.spreads))[design.local_place[part_on_key(INTAKE)]] ** 2
    )
    assert variance == pytest.approx((fit.spreads.part_on * 0.04 * 1.25) ** 2)


def test_two_slots_together_interact_by_the_root_of_both_gains() -> None:
    design, border, _ = designed(Setup(1, (INTAKE, TUNE)), Setup(1, (INTAKE,)))
    assert shared(design, border, 0)[pair_key("calibration", "intake-pipe")] == pytest.approx(
        np.sqrt(0.06 * 0.16)
    )
    assert pair_key("calibration", "intake-pipe") not in shared(design, border, 1)


def test_a_recorded_event_gives_the_bay_a_further_column_after_it() -> None:
    design, border, _ = designed(Setup(1, at=10.0), Setup(2, at=30.0), bay1=(20.0,))
    assert stretch_key(1, 20.0) not in shared(design, border, 0)
    assert shared(design, border, 1)[stretch_key(1, 20.0)] == 1.0
    assert shared(design, border, 1)[bay_key(1)] == 1.0


def test_inlet_air_counts_by_ten_degrees_above_the_reference() -> None:
    design, border, _ = designed(Setup(1, inlet_c=40.0), Setup(2, inlet_c=30.0))
    assert shared(design, border, 0)[inlet_key("turbo")] == pytest.approx(1.5)


def test_air_that_was_not_recorded_counts_as_the_mean_of_what_was() -> None:
    design, border, _ = designed(Setup(1, inlet_c=40.0), Setup(2, inlet_c=30.0), Setup(3, inlet_c=np.nan))
    assert shared(design, border, 2)[inlet_key("turbo")] == pytest.approx(1.0)


def test_ethanol_counts_with_a_calibration_only_and_against_the_usual_fuel() -> None:
    rows = (Setup(1, (TUNE,), ethanol=0.05), Setup(2, (TUNE,), ethanol=0.05), Setup(3, (TUNE,), ethanol=0.45))
    design, border, _ = designed(*rows, Setup(4, ethanol=0.45))
    assert ETHANOL_KEY not in shared(design, border, 0)
    assert shared(design, border, 2)[ETHANOL_KEY] == pytest.approx(4.0)
    assert ETHANOL_KEY not in shared(design, border, 3)


def test_a_car_that_arrives_modified_is_marked_in_all_its_setups() -> None:
    design, border, _ = designed(Setup(1, (EXHAUST,), at=1.0), Setup(1, at=2.0), Setup(2, at=1.0))
    assert [ARRIVED_KEY in shared(design, border, row) for row in range(3)] == [True, True, False]


def test_a_car_that_came_as_built_is_not_marked_by_what_was_fitted_here() -> None:
    design, border, _ = designed(Setup(1, at=1.0), Setup(1, (EXHAUST,), at=2.0))
    assert [ARRIVED_KEY in shared(design, border, row) for row in range(2)] == [False, False]


SPREADS = Spreads(
    part=0.4,
    slot_on=0.2,
    part_on=0.25,
    interaction=0.1,
    bay=0.02,
    car=0.03,
    car_gain=0.2,
    car_floor=0.004,
    session=0.005,
    setup=0.006,
)


def test_the_covariance_of_a_car_is_the_sum_of_what_its_setups_share() -> None:
    weights = Weights(
        car=ById(np.array([1]), np.array([0.5])),
        gain=ById(gain_key(np.array([1]), np.array([INTAKE])), np.array([0.8])),
        setup=ById(np.array([2]), np.array([0.25])),
    )
    rows = (Setup(1, session=7), Setup(1, (INTAKE,), session=7), Setup(1, (INTAKE,), session=8, at=20001.0))
    design, _, fit = designed(*rows, weights=weights)
    block = design.block
    packed = block.covariance(theta_of(SPREADS))
    gain = ((0.2 * 0.06) ** 2 + 0.004**2) / 0.8
    noise = fit.pull_spread**2 / 3
    expected = np.full((3, 3), 0.03**2 / 0.5)
    expected[:2, :2] += 0.005**2
    expected[2, 2] += 0.005**2
    expected[1:, 1:] += gain
    expected += np.diag([0.006**2, 0.006**2 / 0.25, 0.006**2]) + noise * np.eye(3)
    assert packed.reshape(3, 3) == pytest.approx(expected)


def test_setups_whose_level_is_not_known_share_an_unknown_of_their_strap_down() -> None:
    rows = (
        Setup(1, session=7),
        Setup(1, (INTAKE,), session=7, levelled=False),
        Setup(1, session=7, complete=False),
        Setup(1, session=8, at=20001.0, levelled=False),
    )
    design, _, _ = designed(*rows)
    adrift = design.block.patterns[5].toarray()
    expected = np.zeros((4, 4))
    expected[1:3, 1:3] = ADRIFT_SD**2
    expected[3, 3] = ADRIFT_SD**2
    assert adrift == pytest.approx(expected)


def test_a_border_keeps_the_places_of_its_columns_when_it_grows() -> None:
    border = Border({part_key(1): 0}, (part_key(1),)).extended([part_key(2), part_key(1), bay_key(1)])
    assert border.keys == (part_key(1), part_key(2), bay_key(1))
    assert [border.place[key] for key in border.keys] == [0, 1, 2]
