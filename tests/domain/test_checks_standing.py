"""Checks of where a level stands: among stock cars, against this car's other visits, on this bay's day."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.domain.checks import Surroundings
from service.domain.checks.case import BayDayCar, EarlierState, StockReference
from service.domain.checks.standing import spread_of_the_day, unlike_before
from service.domain.curve import GRID_RPM
from service.domain.derive import PULL_SPREAD_START, derive_pull
from service.domain.records import PostedPart
from tests.domain.test_checks import NOW, RPM, TORQUE, pull
from tests.domain.test_checks_entry import case_of, caught, found
from tests.factories import hump, peak_of_hump

PEAK_KW, PEAK_RPM = peak_of_hump()
FITTED = (PostedPart("wide-pipe"),)
EASY = {"stock": 0.025, "strap": 0.0045, "day": 0.0035, "bay": 0.022, "pull": 0.0045}
HARD = {"stock": 0.045, "strap": 0.010, "day": 0.0100, "bay": 0.040, "pull": 0.0080}
"""Relative spreads of an easy and a hard shop (common practice, no source)."""


def stock(power: float = PEAK_KW, **fields) -> StockReference:
    """What twelve stock cars read: the good curve, 2.5 % apart."""
    torque = np.array([hump(rpm) if 2000.0 <= rpm <= 6500.0 else math.nan for rpm in GRID_RPM])
    like = StockReference(cars=12, power_kw=power, power_rpm=PEAK_RPM, power_sd=0.025, torque_nm=torque)
    return replace(like, **fields)


def among(reference: StockReference | None = None, **fields) -> Surroundings:
    """A platform with its stock cars."""
    return Surroundings(reference=reference or stock(), **fields)


@pytest.mark.parametrize(("scale", "expected"), [(0.61, False), (0.59, True), (1.59, False), (1.61, True)])
def test_a_stock_car_reads_between_six_and_sixteen_tenths_of_its_platforms_median(scale, expected):
    # However far apart the stock cars are: these spread by 12 %.
    said = found("level-unlike-stock", pull(1, scale), around=among(stock(power_sd=0.12)))
    assert [(f.level, f.pointer, f.setup_n) for f in said] == [("doubtful", "/setups/0/pulls", 1)] * expected


# Five spreads of 2.5 % are 12.5 % in ln: 0.8825 to 1.1331; of 4 %, 20 %: 0.8187 to 1.2214.
@pytest.mark.parametrize(
    ("sd", "scale", "expected"),
    [(0.01, 0.885, False), (0.01, 0.880, True), (0.01, 1.130, False), (0.01, 1.136, True),
     (0.04, 0.822, False), (0.04, 0.816, True), (0.04, 1.218, False), (0.04, 1.225, True)],
)  # fmt: skip
def test_a_stock_car_reads_within_five_spreads_of_its_platforms_stock_cars(sd, scale, expected):
    assert caught("level-unlike-stock", pull(1, scale), around=among(stock(power_sd=sd))) is expected


@pytest.mark.parametrize(
    ("sd", "scale", "expected"),
    [(0.09, 0.738, True), (0.06, 0.80, False), (0.06, 1.27, False), (0.11, 0.738, False)],
)
def test_a_level_that_another_unit_gives_is_doubtful_beyond_three_spreads(sd, scale, expected):
    # ln 0.738 = -0.304: 3.4 spreads of 9 %, 2.8 of 11 %; ln 0.80 and ln 1.27 are 3.7 and 4.0 of 6 %, and no unit's.
    assert caught("level-unlike-stock", pull(1, scale), around=among(stock(power_sd=sd))) is expected


def test_a_rough_or_low_bay_and_an_uncorrected_level_are_not_held_against_five_spreads():
    assert caught("level-unlike-stock", pull(1, 0.86), around=among())
    assert not caught("level-unlike-stock", pull(1, 0.86), around=among(pull_spread=0.008))
    assert not caught("level-unlike-stock", pull(1, 0.86), around=among(bay_level=-0.05))
    assert not caught("level-unlike-stock", pull(1, 0.86, humidity=None), around=among())
    assert not caught("level-unlike-stock", pull(1, 0.86), around=among(stock(cars=7)))


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (
            1.0 / 1.3558,
            "lbf·ft sent as N·m or kW sent as hp or kW sent as PS would read so: is the unit right, ",
        ),
        (1.3558, "N·m sent as lbf·ft or hp sent as kW or PS sent as kW would read so: is the unit right, "),
        (0.735 * 0.97, "lbf·ft sent as N·m or kW sent as PS would read so"),
        (0.85, None),
        (1.25, None),
    ],
)
def test_a_level_that_another_unit_gives_is_asked_about_its_unit(scale, words):
    # 0.738, 0.746 and 0.735 lie within 4 % of each other (NIST SP 811, B.8): none is told from the others.
    (finding,) = found("level-unlike-stock", pull(1, scale), around=among())
    assert ("is the unit right" in finding.message) is (words is not None)
    assert (words or "is it the right car, and nothing fitted?") in finding.message


def test_seven_stock_cars_allow_no_verdict_and_neither_does_a_fitted_part():
    assert caught("level-unlike-stock", pull(1, 0.5), around=among(stock(cars=8)))
    assert not caught("level-unlike-stock", pull(1, 0.5), around=among(stock(cars=7)))
    assert not caught("level-unlike-stock", pull(1, 0.5), around=among(), parts=FITTED)
    assert not caught("level-unlike-stock", pull(1, 0.5))


def test_a_power_peak_far_from_the_others_speed_is_doubtful():
    # An engine that is over at 4500 rpm: its peak stands at 4400 rpm, a quarter below 5830.
    early = TORQUE * np.where(RPM > 4400.0, (4400.0 / RPM) ** 2, 1.0)
    wide = among(stock(power_sd=0.05))
    (finding,) = found("level-unlike-stock", pull(channels={"rpm": RPM, "torque": early}), around=wide)
    assert finding.message.startswith("the power peak stands at")
    (both,) = found("level-unlike-stock", pull(channels={"rpm": RPM, "torque": early}), around=among())
    assert both.message.startswith("118 kW is 0.85 times the median and the power peak stands at")
    assert "-25 % from that of this platform's 12 stock cars (139 kW at 5830 rpm)" in finding.message


@pytest.mark.parametrize("apart", [0.11, -0.11])
def test_a_peak_within_twelve_percent_of_the_others_is_like_theirs(apart):
    assert not caught("level-unlike-stock", pull(), around=among(stock(power_rpm=PEAK_RPM / (1.0 + apart))))


def test_a_flat_top_whose_peak_wanders_is_not():
    # Power flat from 4000 rpm up to the end: the peak stands anywhere on it, by chance.
    rng = np.random.default_rng(29)
    flat = TORQUE * np.where(RPM > 4000.0, 4000.0 * 259.5 / (RPM * TORQUE), 1.0)
    peaks = []
    for _ in range(60):
        one = pull(channels={"rpm": RPM, "torque": flat * (1.0 + 0.005 * rng.standard_normal(RPM.size))})
        peaks.append(derive_pull(one, None).observed.power_rpm)
        assert not caught("level-unlike-stock", one, around=among(stock(108.7, power_rpm=5200.0)))
    assert np.mean(np.abs(np.array(peaks) / 5200.0 - 1.0) > 0.12) > 0.2


def test_a_pull_that_does_not_reach_the_others_peak_is_not_held_against_it():
    short = {"rpm": RPM[RPM <= 4800.0], "torque": TORQUE[RPM <= 4800.0]}
    assert not caught("level-unlike-stock", pull(channels=short), around=among())


def visit(power: float, **fields) -> EarlierState:
    """This car, stock, a month ago in the same bay."""
    then = EarlierState("before", 1, "north", NOW - timedelta(days=30), frozenset(), None, None, power, None)
    return replace(then, **fields)


def before(*states: EarlierState, **fields) -> Surroundings:
    """What this car read before."""
    return Surroundings(earlier=states, **fields)


# 4.5 sqrt(2) of 0.7 % are 4.45 %; of 0.7 and 2.2 % together 14.69 %.
@pytest.mark.parametrize(
    ("bay", "apart", "expected"),
    [
        ("north", 0.044, False),
        ("north", 0.045, True),
        ("north", -0.045, True),
        ("south", 0.146, False),
        ("south", 0.148, True),
    ],
)
def test_a_car_with_the_same_parts_reads_what_it_read_before(bay, apart, expected):
    said = found("level-unlike-before", pull(1, math.exp(apart)), around=before(visit(PEAK_KW, bay=bay)))
    assert [(f.level, f.pointer, f.setup_n) for f in said] == [("doubtful", "/setups/0/parts", 1)] * expected


def test_this_bays_visit_goes_before_a_newer_one_elsewhere_and_the_newest_before_the_others():
    here, there = visit(PEAK_KW), visit(0.8 * PEAK_KW, bay="south")
    assert not caught("level-unlike-before", pull(), around=before(there, here))
    assert caught("level-unlike-before", pull(), around=before(visit(0.8 * PEAK_KW), here))


def test_other_parts_another_gear_or_an_uncorrected_figure_are_not_compared():
    low = visit(0.8 * PEAK_KW)
    assert caught("level-unlike-before", pull(), around=before(low))
    assert not caught(
        "level-unlike-before", pull(), around=before(replace(low, parts=frozenset({"wide-pipe"})))
    )
    assert not caught("level-unlike-before", pull(), around=before(replace(low, gear=3)), gear=4)
    assert not caught("level-unlike-before", pull(humidity=None), around=before(low))
    assert not caught("level-unlike-before", pull(), around=before(replace(low, power_kw=None)))
    fitted = replace(low, parts=frozenset({"wide-pipe"}))
    assert caught("level-unlike-before", pull(), around=before(fitted), parts=FITTED)


@pytest.mark.parametrize("shop", [EASY, HARD], ids=["easy", "hard"])
@pytest.mark.parametrize("bay", ["north", "south"])
def test_equal_visits_are_doubted_less_than_once_in_a_thousand(shop, bay):
    around = before(visit(PEAK_KW, bay=bay), pull_spread=shop["pull"])
    limit = least_fired(lambda apart: case_of(pull(1, math.exp(apart)), around=around))
    two = math.sqrt(2.0) * math.hypot(
        shop["strap"], shop["day"], shop["pull"] / math.sqrt(3.0), shop["bay"] if bay == "south" else 0.0
    )
    assert math.erfc(limit / two / math.sqrt(2.0)) < 0.001


def least_fired(case_at) -> float:
    """The smallest distance at which two visits are doubted, by halving."""
    low, high = 0.0, 0.5
    for _ in range(12):
        middle = (low + high) / 2.0
        fired = any(True for _ in unlike_before(case_at(middle), {"spreads": 4.5}))
        low, high = (low, middle) if fired else (middle, high)
    return high


@pytest.mark.parametrize(("scale", "expected"), [(0.958, False), (0.955, True), (1.05, False)])
def test_a_stock_car_low_over_its_whole_curve_is_noted_beyond_the_lower_twentieth(scale, expected):
    # 1.65 x 2.7 %, the smallest spread taken: 4.46 % in ln, exp(-0.04455) = 0.9564.
    said = found("low-everywhere", pull(1, scale), around=among())
    assert [(f.level, f.pointer) for f in said] == [("note", "/setups/0/pulls")] * expected
    assert all("other cars of this bay's day first" in f.message and "no verdict" in f.message for f in said)


@pytest.mark.parametrize(("scale", "expected"), [(0.946, True), (0.942, False), (0.72, False)])
def test_only_near_the_limit_is_it_said_that_one_healthy_car_in_twenty_reads_so(scale, expected):
    # 2.15 spreads of 2.7 %: exp(-0.05805) = 0.9436.
    (finding,) = found("low-everywhere", pull(1, scale), around=among())
    assert ("one healthy car in twenty" in finding.message) is expected


@pytest.mark.parametrize(("slope", "expected"), [(0.009, True), (0.011, False), (-0.011, False)])
def test_a_curve_low_at_one_end_only_is_another_matter(slope, expected):
    tilted = 0.93 * TORQUE * np.exp(slope * (RPM - 4250.0) / 1000.0)
    assert caught("low-everywhere", pull(channels={"rpm": RPM, "torque": tilted}), around=among()) is expected


def test_a_bay_that_always_reads_low_is_taken_off_first():
    assert not caught("low-everywhere", pull(1, 0.95), around=among(bay_level=-0.03))
    assert not caught("low-everywhere", pull(1, 0.9), around=among(stock(cars=7)))
    assert not caught("low-everywhere", pull(1, 0.9, humidity=None), around=among())


def the_day(*residuals: float, **fields) -> Surroundings:
    """Stock cars that this bay measured on the same day."""
    return among(
        bay_day=tuple(BayDayCar(f"marten-{i}", value) for i, value in enumerate(residuals)), **fields
    )


# Three cars, the bay's own level known: 3 x sqrt((1.2533 x 2.7 %)^2 x (1 / 3 + 1 / 12) + 0.7 %^2) = 6.9 %.
@pytest.mark.parametrize(("apart", "expected"), [(0.068, False), (0.070, True), (-0.070, True)])
def test_the_cars_of_a_day_that_are_off_together_blame_the_bay(apart, expected):
    around = the_day(apart, apart, bay_level=0.0)
    said = found("bay-day-off", pull(1, math.exp(apart)), around=around)
    assert [(f.level, f.pointer, f.setup_n) for f in said] == [("doubtful", "/bay", None)] * expected
    assert all("before any car" in f.message for f in said)


def test_one_car_that_is_off_blames_nobody():
    assert not caught("bay-day-off", pull(1, 0.7), around=the_day(0.01, -0.01, bay_level=0.0))
    assert not caught("bay-day-off", pull(1, 0.7), around=the_day(-0.3, bay_level=0.0))


def test_the_bays_own_level_is_no_fault_of_the_day():
    off = the_day(-0.08, -0.08)
    assert caught("bay-day-off", pull(1, math.exp(-0.08)), around=replace(off, bay_level=0.0))
    assert not caught("bay-day-off", pull(1, math.exp(-0.08)), around=replace(off, bay_level=-0.06))
    assert not caught("bay-day-off", pull(1, math.exp(-0.08)), around=off)
    assert caught("bay-day-off", pull(1, math.exp(-0.15)), around=the_day(-0.15, -0.15))


@pytest.mark.parametrize("shop", [EASY, HARD], ids=["easy", "hard"])
@pytest.mark.parametrize("known", [False, True], ids=["bay's level unknown", "known"])
@pytest.mark.parametrize("cars", [3, 8])
@pytest.mark.parametrize("reference", [8, 30])
def test_fewer_than_one_honest_day_in_a_hundred_is_doubted(shop, known, cars, reference):
    rng = np.random.default_rng(31)
    days = 3000

    def normal(sd, *shape):
        return sd * rng.standard_normal((days, *shape))

    bays = normal(shop["bay"], 4)[:, np.arange(reference) % 4]
    others = (
        normal(shop["stock"], reference) + normal(math.hypot(shop["strap"], shop["day"]), reference) + bays
    )
    median = np.median(others, axis=1)
    sd = 1.4826 * np.median(np.abs(others - median[:, None]), axis=1)
    own = normal(math.hypot(shop["stock"], shop["strap"], shop["pull"] / math.sqrt(3.0)), cars)
    off = np.median(own, axis=1) + normal(shop["day"])
    off += normal(1.25 * shop["stock"] / math.sqrt(8.0)) if known else normal(shop["bay"]) - median
    around = among(bay_level=0.0 if known else None, pull_spread=shop["pull"])
    case = case_of(pull(), around=around)
    like = stock(cars=reference)
    limits = [3.0 * spread_of_the_day(case, replace(like, power_sd=one), cars, 0.027) for one in sd]
    assert (np.abs(off) > limits).mean() < 0.01


def test_a_rough_bay_is_given_more_room_and_a_fine_one_no_less():
    def spread(pull_spread):
        return spread_of_the_day(case_of(pull(), around=among(pull_spread=pull_spread)), stock(), 3, 0.027)

    assert spread(0.003) == spread(PULL_SPREAD_START)
    assert spread(2.0 * PULL_SPREAD_START) == pytest.approx(2.0 * spread(PULL_SPREAD_START))
