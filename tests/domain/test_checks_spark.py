"""Spark and cuts: a good setup passes each check, a bad one is caught on the other side of its limit."""

from dataclasses import replace

import numpy as np
import pytest

from tests.domain.engine_cases import (
    GOOD,
    INTAKE,
    RPM,
    TORQUE,
    case,
    of,
    place,
    pull,
    said,
    setup,
    stock_cars,
    three,
)

PULLS = "/setups/0/pulls"
STOCK = {"reference": stock_cars()}
CODES = ("spark-low", "spark-low-same-place", "spark-low-wanders", "cut")


def knocking(n: int, degrees: float = 4.0, loss: float = 0.03, at: float = 4800.0, half_width: float = 500.0):
    there = place(at, half_width)
    return pull(n, 1.0 - loss * there, channels={"spark": GOOD["spark"] - degrees * there})


def retarded(n: int, at: float, degrees: float = 4.0):
    return pull(n, channels={"knock_retard": degrees * place(at)})


@pytest.mark.parametrize("code", CODES)
def test_a_good_setup_raises_nothing(code):
    assert of(code, three(), **STOCK) == []
    assert of(code, three(channels={"spark": None}), **STOCK) == []
    assert of(code, [retarded(1, 4800.0, 0.5), retarded(2, 3600.0, 0.5)], **STOCK) == []


def test_one_pull_with_less_spark_and_less_torque_in_one_place_is_doubtful():
    (found,) = said("spark-low", case([setup([pull(1), knocking(2), pull(3)])]))
    assert (found.level, found.pull_n, found.pointer) == ("doubtful", 2, f"{PULLS}/1/curve/spark")
    assert "4.0° less spark" in found.message
    assert "consistent with knock control" in found.message


@pytest.mark.parametrize(
    "other",
    [
        knocking(2, degrees=1.9),
        knocking(2, loss=0.005),
        knocking(2, half_width=100.0),
        knocking(2, degrees=-4.0),
    ],
    ids=["not two degrees", "no torque missing", "over 200 rpm", "more spark"],
)
def test_what_is_not_a_pull_whose_spark_is_low(other):
    assert of("spark-low", [pull(1), other, pull(3)]) == []


def test_torque_missing_within_two_of_the_bays_own_spreads_is_not_missing():
    pulls = [pull(1), knocking(2, loss=0.014), pull(3)]
    assert of("spark-low", pulls, spread=0.0045) == [f"{PULLS}/1/curve/spark"]
    assert of("spark-low", pulls, spread=0.008) == []


def test_pulls_of_another_state_are_not_compared():
    # A calibration with less spark and less torque is another state, not a knock.
    mild = setup([knocking(n) for n in (1, 2, 3)], n=2, parts=INTAKE)
    assert said("spark-low", case([setup(three()), mild], **STOCK)) == []


def test_two_pulls_have_no_others_to_be_held_against():
    assert of("spark-low", [pull(1), knocking(2)]) == []


def test_a_stock_car_with_less_spark_and_torque_than_its_platform_in_one_place_is_doubtful():
    knocks = [knocking(n) for n in (1, 2, 3)]
    assert of("spark-low", knocks, **STOCK) == [PULLS]
    assert of("spark-low", knocks, reference=stock_cars(7)) == []
    assert of("spark-low", knocks, INTAKE, **STOCK) == []


def test_a_bay_that_reads_low_takes_no_torque_from_one_place():
    low = [pull(n, 0.93, channels={"spark": GOOD["spark"] - 4.0 * place(4800.0)}) for n in (1, 2, 3)]
    assert of("spark-low", low, **STOCK) == []


def test_spark_missing_at_one_place_in_every_pull_is_noted_as_such():
    pulls = [retarded(1, 4800.0), retarded(2, 4900.0), retarded(3, 4700.0)]
    assert of("spark-low-same-place", pulls) == [PULLS]
    assert of("spark-low-wanders", pulls) == []


def test_spark_missing_at_another_place_from_pull_to_pull_is_noted_as_such():
    pulls = [retarded(1, 3600.0), retarded(2, 4800.0), pull(3, channels={"knock_retard": 0.0 * RPM})]
    assert of("spark-low-wanders", pulls) == [PULLS]
    assert of("spark-low-same-place", pulls) == []


def test_the_place_must_be_missing_in_every_pull_to_be_the_same():
    assert (
        of("spark-low-same-place", [retarded(1, 4800.0), retarded(2, 4800.0), retarded(3, 4800.0, 1.0)]) == []
    )


def test_without_knock_retard_the_platforms_spark_shows_the_place():
    pulls = [knocking(n) for n in (1, 2, 3)]
    assert of("spark-low-same-place", pulls, **STOCK) == [PULLS]
    assert of("spark-low-same-place", pulls) == []


@pytest.mark.parametrize(("left", "caught"), [(0.75, False), (0.62, True)])
def test_power_that_falls_by_over_three_tenths_within_100_rpm_and_stays_away_is_noted(left, caught):
    found = said("cut", case([setup([pull(1, np.where(RPM > 6000.0, left, 1.0))])]))
    assert [one.level for one in found] == (["note"] if caught else [])
    assert all("beyond 6000 rpm" in one.message for one in found)
    assert all("the 20 samples after it are left out" in one.message for one in found)


@pytest.mark.parametrize("times", [1.45, 0.6])
def test_one_bad_sample_is_no_cut(times):
    (good,) = [pull(1)]
    spoiled = good.channels["torque"] * np.where(RPM == 4800.0, times, 1.0)
    looked_at = case([setup([replace(good, channels={**good.channels, "torque": spoiled})])])
    assert looked_at.derived[1, 1].trace.left_out == {"spike": 1}
    assert looked_at.derived[1, 1].rpm_to == 6500.0
    assert said("cut", looked_at) == []


RISE = np.arange(2000.0, 6401.0, 20.0)
RISING_NM = np.interp(RISE, RPM, TORQUE)
COAST = np.linspace(6380.0, 3000.0, 60)


def recorded(rpm, torque):
    """A trace of nothing but speed, torque and time, 20 rows a second."""
    return replace(pull(1), channels={"rpm": rpm, "torque": torque, "time": 0.05 * np.arange(len(rpm))})


@pytest.mark.parametrize("coasts", [False, True])
def test_the_saw_tooth_of_a_limiter_is_noted_whether_or_not_a_coast_down_follows(coasts):
    hunting = 6400.0 + np.tile([0.0, 15.0, 25.0, 10.0, -15.0, -30.0, -20.0, -5.0], 6)
    teeth = RISING_NM[-1] * np.tile([1.0, 0.9, 0.2, 0.1, 0.1, 0.4, 0.95, 1.0], 6)
    after = COAST if coasts else COAST[:0]
    limited = recorded(np.r_[RISE, hunting, after], np.r_[RISING_NM, teeth, -20.0 + 0.0 * after])
    assert of("cut", [limited]) == [f"{PULLS}/0/curve"]


def test_lifting_off_at_the_end_is_no_cut():
    over = RISE[-1] + np.array([5.0, 8.0, 6.0])
    gone = RISING_NM[-1] * np.array([0.6, 0.2, -0.05])
    lifted = recorded(np.r_[RISE, over, COAST], np.r_[RISING_NM, gone, -20.0 + 0.0 * COAST])
    assert case([setup([lifted])]).derived[1, 1].trace.left_out["cut"] > 0
    assert of("cut", [lifted]) == []


def test_a_cut_after_which_the_engine_turned_on_is_one_even_where_it_coasts_down_at_the_end():
    cut = recorded(
        np.r_[RISE, COAST], np.r_[np.where(RISE > 5000.0, 0.3, 1.0) * RISING_NM, -20.0 + 0.0 * COAST]
    )
    assert of("cut", [cut]) == [f"{PULLS}/0/curve"]


def test_cuts_of_several_pulls_are_one_note_of_their_setup_that_names_them():
    pulls = [pull(n, np.where(6000.0 + 25.0 * n < RPM, 0.3, 1.0)) for n in (1, 2, 3)]
    (found,) = said("cut", case([setup(pulls)]))
    assert (found.pointer, found.setup_n, found.pull_n) == (PULLS, 1, None)
    assert found.message.startswith("pull 1: power falls by over 30 % within 100 rpm beyond 6025 rpm")
    assert found.message.endswith("(so too pulls 2 and 3)")


def test_power_that_falls_as_far_over_a_thousand_rpm_is_no_cut():
    falling = 1.0 - 0.6 * np.clip((RPM - 5000.0) / 1500.0, 0.0, 1.0)
    assert of("cut", [pull(1, falling)]) == []


def test_a_cut_is_seen_in_power_and_in_axle_torque_alike():
    cut = np.where(RPM >= 6200.0, 0.3, 1.0) * TORQUE
    for name, values in (("power", cut * RPM * np.pi / 30_000), ("axle_torque", 3.9 * cut)):
        posted = pull(1)
        kept = {key: value for key, value in posted.channels.items() if key != "torque"}
        assert of("cut", [replace(posted, channels={**kept, name: values})]) == [f"{PULLS}/0/curve"]
