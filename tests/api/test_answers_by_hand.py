"""The figures of answers by hand, from as little as each needs: no ledger, no model."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pytest

from service.answers import bay_agreement, car_levels, odd_shown, stock_places, stock_spread
from service.answers.model import touches_others
from service.answers.odd_shown import OddOne, differing, is_everywhere, nearest_two, shown_gain, shown_setup
from service.answers.outliers import OutliersAsked, is_asked
from service.answers.own_standing import group_words
from service.answers.pairs_gain import shared_variance
from service.answers.part_choice import Choice, by_worth, cost_fitted
from service.answers.sheet_gain import along_the_curve
from service.answers.sheet_states import State
from service.answers.weighed import joint_covariance, weighed
from service.domain.curve import GRID_RPM
from service.domain.measures import Measure
from service.stats.history.cells import BayLevel, CarEffects, side_by_side
from service.stats.history.gains import GainRanges, Interval, chance_of_at_least
from service.stats.history.outliers import Odd
from service.store.model_questions import SetupPlace
from tests.stats.history.gain_cases import FIT, gain
from tests.stats.history.made import EXHAUST, INTAKE, LEVEL, TUNE, Setup, catalogue, history

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)

# The choice of a part


@pytest.mark.parametrize(
    ("interval", "standing"),
    [((0.01, 0.03), "gains"), ((-0.03, -0.01), "loses"), ((-0.03, 0.005), "unclear")],
)
def test_a_part_gains_or_loses_only_where_its_whole_interval_does(interval, standing):
    low, high = interval
    said = GainRanges(Interval((low + high) / 2, low, high), (low, high), 0.5)
    one = Choice(None, None, gain(), said, "fair", 100.0, None, None)
    assert one.standing == standing


def test_most_gain_for_the_money_comes_first_not_most_gain_or_most_money():
    """4 % for 100 before 10 % for 1,000; what is not known to gain last."""
    said = GainRanges(Interval(0.05, 0.01, 0.2), (0.0, 0.3), 0.9)
    unclear = GainRanges(Interval(0.2, -0.1, 0.5), (-0.2, 0.6), 0.7)
    parts = [SimpleNamespace(slug=slug) for slug in ("dear", "unclear", "cheap")]
    choices = [
        Choice(parts[0], None, gain(10.0), said, "fair", 1000.0, None, None),
        Choice(parts[1], None, gain(20.0), unclear, "fair", 10.0, None, None),
        Choice(parts[2], None, gain(4.0), said, "fair", 100.0, None, None),
    ]
    assert [one.part.slug for one in sorted(choices, key=by_worth)] == ["cheap", "dear", "unclear"]


def test_a_price_in_other_money_is_no_cost_though_no_work_is_paid_for():
    part = SimpleNamespace(price=Decimal(100), currency="EUR", labour_hours=0.0)
    asked, shop = SimpleNamespace(labour_rate=None), {"currency": "GBP", "labour_rate": 72.0}
    assert cost_fitted(part, asked, shop) is None
    part.currency = "GBP"
    assert cost_fitted(part, asked, shop) == 100.0


def test_errors_of_gains_beside_what_is_fitted_go_together_as_those_of_the_parts_alone_do():
    """Standard deviations 2 and 3 with covariance 2: correlation 1/3; beside what is fitted 4 and 6: covariance 8."""
    cells = side_by_side([replace(gain(), variance=16.0), replace(gain(), variance=36.0)])
    alone = SimpleNamespace(joint=lambda platform, ids: (None, np.array([[4.0, 2.0], [2.0, 9.0]])))
    assert joint_covariance(cells, alone, 1, [1, 2]) == pytest.approx(np.array([[16.0, 8.0], [8.0, 36.0]]))


@pytest.mark.parametrize(
    ("measure", "against", "may_lose"),
    [
        (Measure("peak_power"), 0, False),
        (Measure("peak_power"), 9, True),
        (Measure("torque_at", rpm=3000.0), 0, True),
    ],
)
def test_only_over_stock_and_at_a_peak_are_parts_known_to_be_made_to_gain(measure, against, may_lose):
    unsure = gain(0.3, sd=1.0)
    solved = SimpleNamespace(gain=lambda *_: unsure, system=SimpleNamespace(fit=FIT))
    (found,) = weighed(solved, 1, [(7, against)], (), measure).chance_of_gain
    assert found == pytest.approx(chance_of_at_least(unsure, FIT, 0.0, may_lose=may_lose))


# Stock cars


def stock_row(vehicle: str, bay: int = 1) -> SimpleNamespace:
    return SimpleNamespace(vehicle=vehicle, vehicle_id=int(vehicle), session="s", bay_id=bay, started_at=NOON)


def test_a_cars_value_is_the_geometric_mean_of_its_setups():
    (car,) = stock_spread.cars_of([(stock_row("1"), 100.0), (stock_row("1"), 144.0)])
    assert car.value == pytest.approx(120.0)


def levelled(n: int, value: float) -> stock_places.LevelledCar:
    return stock_places.LevelledCar(n, f"car-{n}", "s", value, value, 1, (1,))


def test_a_value_is_above_those_cars_alone_that_read_less():
    ten = [levelled(n, 100.0 + n) for n in range(10)]
    assert stock_spread.placed(105.0, ten, 0.9, None).reading.startswith("above 5 of 10 stock cars")
    assert stock_spread.placed(100.0, ten, 0.9, None).reading.startswith("below all 10 stock cars")


@pytest.mark.parametrize(("cars", "few"), [(7, True), (8, False)])
def test_a_distribution_has_a_shape_from_eight_cars_on(cars, few):
    known = SimpleNamespace(cars=[levelled(n, 100.0 + n) for n in range(cars)], about_levels=())
    asked = stock_spread.StockAsked(Measure("peak_power"), "none", 0.9, None, "verified")
    question = SimpleNamespace(name="Stoat", aspiration="natural", ignition="spark")
    said = stock_spread.cautions(question, asked, known, SimpleNamespace(left_out={}, peaks_only=0), None)
    assert (f"Only {cars} cars: too few for the shape of a distribution." in list(said)) is few


STRETCHES = [(-math.inf, 0.01), (20.0, 0.03)]


@pytest.mark.parametrize(("when", "offset"), [(19.99, 0.01), (20.0, 0.03), (25.0, 0.03)])
def test_a_reading_at_the_very_moment_of_an_event_has_the_bays_level_after_it(when, offset):
    bays = car_levels.stretches_of(
        BayLevel(1, since, mean, 0.0, 1, 1, True) for since, mean in STRETCHES[::-1]
    )
    found = car_levels.level_at(bays[1], when)
    assert found is not None
    assert found.mean == offset
    assert stock_places.mean_offset([(1, when)], bays) == offset


def effects(own: list[float], variance: list[float]) -> CarEffects:
    ids = np.arange(1, len(own) + 1)
    return CarEffects(0.025**2, ids, np.ones(len(own), dtype=np.int64), np.array(own), np.array(variance))


def test_a_car_that_the_model_does_not_have_has_no_place_of_its_own():
    solved = SimpleNamespace(
        stock=lambda _: 150.0, cars=lambda _: effects([0.01, 0.02], [1e-4, 1e-4]), shop_spread=lambda: 0.025
    )
    state = SimpleNamespace(system=SimpleNamespace(fit=FIT))
    found = stock_places.places_among([levelled(n, 150.0) for n in (1, 3, 2)], solved, state, 1)
    assert found.own == pytest.approx([0.01, np.nan, 0.02], nan_ok=True)
    assert found.variance == pytest.approx([1e-4, np.nan, 1e-4], nan_ok=True)


def test_a_car_is_called_above_the_average_by_its_own_error():
    """Two cars 5 % up, one known to 0.1 %, one to 5 %."""
    cars = effects([0.05, 0.05], [0.001**2, 0.05**2])
    assert group_words(cars, 0, 0.9, 0.025) == "clearly above the average"
    assert group_words(cars, 1, 0.9, 0.025) == "too close to call against the average"


# Bays


def test_the_interval_of_a_bays_level_leaves_a_tenth_out_half_of_it_on_either_side():
    assert bay_agreement.about(0.02, 0.01**2, 0.9) == pytest.approx(
        (0.02 - 0.01645, 0.02 + 0.01645), abs=1e-5
    )


def test_a_check_car_is_read_in_its_usual_state_where_its_level_is_known():
    rows = (
        Setup(1, (INTAKE,), at=1.0), Setup(1, at=2.0), Setup(1, at=3.0), Setup(1, at=4.0, levelled=False),
        Setup(1, at=5.0, complete=False), Setup(1, at=6.0, value=np.nan), Setup(2, at=1.0),
    )  # fmt: skip
    made = history(*rows)
    found = bay_agreement.same_state(made, 1)
    assert made.at[found].tolist() == [2.0, 3.0]


def checked(*rows: Setup):
    cars = {1: SimpleNamespace(check_car=True, tag="check"), 2: SimpleNamespace(check_car=False, tag="other")}
    state = SimpleNamespace(system=SimpleNamespace(catalogue=SimpleNamespace(cars=cars)))
    return bay_agreement.study_of(history(*rows), state)


def test_check_cars_make_a_study_only_where_they_were_in_every_bay():
    readings = [
        Setup(1, bay=bay, at=float(at), value=LEVEL + at / 1000) for bay in (1, 2) for at in (bay, bay + 4)
    ]
    assert checked(*readings) is not None
    assert checked(*readings, Setup(2, bay=3)) is None


@pytest.mark.parametrize(("days", "told"), [(179.0, []), (180.0, [4])])
def test_drift_is_told_of_bays_whose_readings_span_half_a_year(days, told):
    setups = SimpleNamespace(at=np.array([0.0, days]), bay_id=np.array([4, 4]))
    system = SimpleNamespace(
        setups=lambda: setups,
        columns_against=lambda columns, starts: (
            np.ones(len(starts) - 1),
            [np.array([[4.0]])] * (len(starts) - 1),
        ),
    )
    found = bay_agreement.drifts(system)
    assert list(found) == told
    assert [(one.mean, one.error) for one in found.values()] == [(0.25, 0.5)] * len(told)


def agreed(shared: int, steps: tuple = ()) -> SimpleNamespace:
    level = BayLevel(1, -math.inf, 0.0, 1e-6, 9, shared, True)
    return SimpleNamespace(
        post=SimpleNamespace(name="North", slug="north"), level=level, cars=9, cars_shared=shared, steps=steps,
        check_cars=(),
    )  # fmt: skip


@pytest.mark.parametrize(("shared", "few"), [(2, True), (3, False)])
def test_three_shared_cars_are_enough_to_compare_a_bay_by(shared, few):
    said = list(bay_agreement.agreement_cautions([agreed(shared)]))
    assert ("North: compared by fewer than three cars." in said) is few


def test_of_several_steps_the_newest_is_told():
    days = [(moment - datetime(1970, 1, 1, tzinfo=UTC)).days for moment in (NOON, NOON + timedelta(days=40))]
    (said,) = bay_agreement.agreement_cautions(
        [agreed(5, tuple(SimpleNamespace(at=float(day)) for day in days))]
    )
    assert "stepped on 2026-04-10" in said


def test_a_change_of_a_parts_slot_touches_cars_that_did_not_change():
    before = catalogue()
    moved = replace(before.parts[INTAKE], slot="throttle-body")
    renamed = replace(before.parts[INTAKE], name="Another name")
    assert touches_others(before, replace(before, parts={**before.parts, INTAKE: moved}))
    assert not touches_others(before, replace(before, parts={**before.parts, INTAKE: renamed}))


# Odd ones


def test_nineteen_of_twenty_ordinary_ones_lie_within_1_96_of_the_spreads_that_an_odd_one_is_off_by():
    """10 % low and three spreads off: a spread is -ln(0.9) / 3 = 3.51 %, so 1.96 of them 6.88 %."""
    one = OddOne("car", None, -10.0, -3.0, (), 90.0, 100.0)
    assert one.ordinary == pytest.approx((100.0 * 0.9 ** (1.96 / 3), 100.0 * 0.9 ** (-1.96 / 3)))
    assert one.ordinary[0] < 100.0 < one.ordinary[1]


@pytest.mark.parametrize(
    ("power", "torque", "everywhere"),
    [
        (-0.05, -0.03, True),
        (-0.05, 0.03, False),
        (0.05, 0.03, True),
        (-0.05, -0.02, False),
        (-0.05, None, None),
    ],
)
def test_a_whole_curve_is_off_where_both_peaks_are_on_the_same_side(power, torque, everywhere):
    assert is_everywhere(power, torque) is everywhere


def place(setup_id: int, parts: tuple[int, ...] = (), day: int = 0, **measured: float) -> SetupPlace:
    nothing = dict.fromkeys(SetupPlace._fields)
    return SetupPlace(**{
        **nothing, "setup_id": setup_id, "session": f"s{setup_id}", "n": 1, "vehicle": "stoat-1", "platform": "stoat",
        "bay": "north", "started_at": NOON + timedelta(days=day), "part_ids": list(parts), **measured,
    })  # fmt: skip


def test_a_setup_is_shown_beside_the_one_that_differs_by_the_fewest_parts_then_by_the_nearest_in_time():
    it, other_parts, later, sooner = (
        place(1),
        place(2, (INTAKE, EXHAUST), 1),
        place(3, (INTAKE,), 9),
        place(4, (EXHAUST,), 5),
    )
    assert differing(it, other_parts) == 2
    assert nearest_two([it], [other_parts, later, sooner])[1] is sooner


def company(**figures: float) -> SimpleNamespace:
    usual = SimpleNamespace(aspiration="natural", ignition="spark")
    system = SimpleNamespace(
        inlet_effect=lambda _: -0.001,
        catalogue=SimpleNamespace(
            parts={
                INTAKE: SimpleNamespace(name="Intake", slug="intake", is_tune=False),
                TUNE: SimpleNamespace(name="Calibration", slug="calibration", is_tune=True),
            }
        ),
    )
    return SimpleNamespace(
        state=SimpleNamespace(system=system), usual={"stoat": usual}, figures={1: 90.0}, heat_soaked=frozenset(),
        typical={("stoat", INTAKE): 0.05},
    )  # fmt: skip


def test_what_was_expected_of_a_setup_is_its_figure_without_its_deviation_and_the_model_takes_its_share_of_hot_air():
    """90 kW, 10 % below 100. Ten degrees take 0.5 ln(313.15 / 303.15) = 1.62 % off by the law, of which the model has
    taken out 1 % already."""
    odd = Odd("pull", 1, 1, 1, None, 1, math.log(0.9), -5.0, 1e-6)
    here, other = place(1, inlet_c=40.0), place(2, inlet_c=30.0)
    shown = shown_setup(odd, [here], [here, other], company())
    assert shown.expected == pytest.approx(100.0)
    (hot,) = (one for one in shown.reasons if one.code == "inlet-air")
    assert hot.explains_percent == pytest.approx(100 * math.expm1(-0.5 * math.log(313.15 / 303.15) + 0.01))


@pytest.mark.parametrize(
    ("parts", "reasons"),
    [
        ((), ["ethanol", "unexplained"]),
        ((INTAKE,), ["ethanol", "unexplained"]),
        ((TUNE,), ["unexplained"]),
    ],
)
def test_strong_fuel_is_no_reason_with_a_calibration_for_the_model_has_taken_out_what_it_gives(
    parts, reasons
):
    odd = Odd("pull", 1, 1, 1, None, 1, math.log(1.1), 5.0, 1e-6)
    here, other = place(1, parts, ethanol=0.75), place(2, parts, ethanol=0.05)
    shown = shown_setup(odd, [here], [here, other], company())
    assert [one.code for one in shown.reasons] == reasons


def test_strong_fuel_is_a_reason_for_what_a_part_did_with_no_calibration_beside_it():
    odd = Odd("gain", 1, 1, None, INTAKE, 1, 0.04, 5.0, 1e-6)
    before = place(1, ethanol=0.05)
    for beside, said in (((), True), ((TUNE,), False)):
        shown = shown_gain(odd, [before, place(2, (INTAKE, *beside), ethanol=0.75)], company())
        assert ("ethanol" in {one.code for one in shown.reasons}) is said


def test_a_cars_own_gain_is_the_typical_one_and_its_deviation_multiplied():
    """5 % typical and 4 % more, in logs: exp(0.09) - 1 = 9.42 %."""
    odd = Odd("gain", 1, 1, None, INTAKE, 1, 0.04, 5.0, 1e-6)
    shown = shown_gain(odd, [place(1), place(2, (INTAKE,))], company())
    assert shown.value == pytest.approx(100 * math.expm1(0.09))
    assert shown.expected == pytest.approx(100 * math.expm1(0.05))


def test_what_was_measured_at_the_asked_moment_is_since_then():
    one = SimpleNamespace(where=odd_shown.Where(at=NOON, bay="north"))
    asked = OutliersAsked(Measure("peak_power"), "none", None, None, NOON)
    assert is_asked(one, asked)
    assert not is_asked(one, replace(asked, since=NOON + timedelta(seconds=1)))


# Pairs between bays


def pair(with_bay: int, without_bay: int, variance: float = 1.0) -> SimpleNamespace:
    sides = {"with_": SimpleNamespace(bay_id=with_bay), "without": SimpleNamespace(bay_id=without_bay)}
    return SimpleNamespace(
        row=SimpleNamespace(**sides), measured=SimpleNamespace(variance=variance), between_bays=9.0
    )


@pytest.mark.parametrize(
    ("pairs", "shared"),
    [
        ([(1, 2), (1, 2)], 9.0),  # both cars went the same way: the offset stands in the mean whole
        ([(1, 2), (2, 1)], 0.0),  # one each way: it cancels
        ([(1, 2), (1, 1), (2, 2)], 1.0),  # a third of the weight: a ninth of the variance
        ([(1, 2), (1, 3)], 4.5),  # two offsets, each on half the weight: 9 / 4 twice
    ],
)
def test_the_offset_of_two_bays_is_one_unknown_however_many_cars_went_between_them(pairs, shared):
    assert shared_variance([pair(*bays) for bays in pairs], 0.5) == pytest.approx(shared)


# Sheets


def state(pulls: list[SimpleNamespace], power_kw: float = 150.0) -> State:
    setup = SimpleNamespace(power_kw=power_kw, torque_nm=300.0)
    return State(SimpleNamespace(), setup, tuple(pulls), tuple(pulls), (), 1.02, None, {}, None)


def test_an_observed_mean_is_told_only_where_every_counted_pull_has_one():
    known = SimpleNamespace(factor=1.02, power_kw=148.0)
    assert state([known, SimpleNamespace(factor=1.01, power_kw=150.0)]).observed_kw == pytest.approx(149.0)
    assert state([known, SimpleNamespace(factor=None, power_kw=150.0)]).observed_kw is None


def test_a_state_of_which_no_pull_counts_has_no_figure():
    assert state([SimpleNamespace(factor=1.02, power_kw=148.0)]).power_kw == pytest.approx(153.0)
    assert state([]).power_kw is None


def test_a_repeated_state_lies_a_quarter_of_the_way_where_the_other_was_measured_a_quarter_of_the_way():
    """Without 200 and again 210 N.m, with 220: ln(220) less (3/4 ln 200 + 1/4 ln 210)."""
    curves = {key: np.full(GRID_RPM.size, torque) for key, torque in ((1, 220.0), (2, 200.0), (3, 210.0))}
    row = SimpleNamespace(
        with_=SimpleNamespace(setup_id=1), without=SimpleNamespace(setup_id=2), again=SimpleNamespace(setup_id=3),
        again_share=0.25, again_is_with=False,
    )  # fmt: skip
    used = SimpleNamespace(ratios=(1.0, 1.0, 1.0), measured=SimpleNamespace(variance=1e-4))
    found = along_the_curve(row, True, used, curves)
    expected = math.log(220.0) - 0.75 * math.log(200.0) - 0.25 * math.log(210.0)
    assert found.gain == pytest.approx(np.full(GRID_RPM.size, expected))
