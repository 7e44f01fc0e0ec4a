"""Close calls: what lies just short of a rule, or has one of the two signs that it asks for and not the other."""

from dataclasses import replace

import numpy as np
import pytest

from service.domain.checks import Surroundings
from service.domain.checks.case import BayDayCar, Case
from service.domain.checks.rules import RULES
from service.domain.derive import derive_pull
from tests.domain import engine_cases as engine
from tests.domain import test_checks_machine as machine
from tests.domain.test_checks import NOW, RPM, TORQUE, pull, session
from tests.domain.test_checks_air_path import BOOSTED, PARTS, PULLS, boosted
from tests.domain.test_checks_company import begun, kept
from tests.domain.test_checks_entry import caught
from tests.domain.test_checks_standing import among, stock


def test_seven_stock_cars_are_too_few_to_blame_a_bays_day():
    day = (BayDayCar("marten-1", -0.3), BayDayCar("marten-2", -0.3))
    assert caught("bay-day-off", pull(1, 0.74), around=among(bay_day=day, bay_level=0.0))
    assert not caught("bay-day-off", pull(1, 0.74), around=among(stock(cars=7), bay_day=day, bay_level=0.0))


def test_tyres_that_nobody_wrote_down_either_time_are_not_known_to_be_the_same():
    bigger = machine.posted(machine.geared(3.2 * 1.06))
    found = machine.found(bigger, earlier=(machine.earlier(tyre_size=None),))
    assert found == [("speed-ratio-differs", machine.PULLS)]


def test_a_level_that_cannot_be_corrected_says_nothing_of_boost():
    dry = [replace(one, humidity=None) for one in boosted(-10.0, 0.97)]
    assert engine.of("boost-low", boosted(-10.0, 0.97), **BOOSTED) == [PULLS]
    assert engine.of("boost-low", dry, **BOOSTED) == []
    more = [replace(one, humidity=None) for one in boosted(10.0, 1.03)]
    assert engine.of("not-stock-map", more, **BOOSTED) == []


def test_more_boost_in_a_bay_that_always_reads_high_is_no_other_calibration():
    assert engine.of("not-stock-map", boosted(10.0, 1.03), bay_level=0.04, **BOOSTED) == []
    assert engine.of("not-stock-map", boosted(10.0, 0.99), bay_level=-0.04, **BOOSTED) == [PARTS]


def test_boost_that_falls_while_torque_rises_is_a_matter_of_the_sensor():
    assert (
        engine.of("boost-low", boosted(-17.0 * engine.ramp(0.6), 1.0 + 0.01 * engine.ramp(0.6)), **BOOSTED)
        == []
    )


def test_a_copy_cut_short_by_more_than_a_knot_at_either_end_is_another_curve():
    short = {"rpm": RPM[:-12], "torque": TORQUE[:-12]}
    assert not caught("curve-repeated", pull(1), pull(2, channels=short))
    assert caught("curve-repeated", pull(1), pull(2, channels={"rpm": RPM[:-2], "torque": TORQUE[:-2]}))


def test_the_sequence_goes_by_when_the_first_pull_was_made_not_by_when_the_session_began():
    # Ours began an hour after the session was opened; number 8 was measured half an hour before that.
    around = Surroundings(bay_pulls=(kept(1800.0, "other", 8),))
    assert not caught("sequence-back", begun(1, 3600.0), around=around, sequence=9)
    assert caught("sequence-back", begun(1, 900.0), around=around, sequence=9)


@pytest.mark.parametrize(("slope", "expected"), [(0.0009, []), (0.0012, ["/setups/0/pulls"])])
def test_power_that_falls_by_less_than_a_thousandth_a_degree_is_no_heat(slope, expected):
    pulls = [engine.pull(n, 1.0 - slope * 6.0 * n, inlet_c=30.0 + 6.0 * n) for n in range(1, 5)]
    assert engine.of("heat-costs-power", pulls) == expected


def test_engine_speed_that_slides_back_smoothly_is_no_change_of_gear():
    rpm = machine.plain()["rpm"]
    sliding = machine.ahead(0.25 * (1.0 - (rpm - rpm[0]) / (rpm[-1] - rpm[0])))
    assert "gear-change" not in dict(machine.found(machine.posted(sliding)))


def test_engine_speed_that_is_ahead_at_first_and_again_later_is_no_unlocked_converter():
    rpm = machine.plain()["rpm"]
    twice = 0.08 * (np.exp(-(((rpm - 2000.0) / 700.0) ** 2)) + np.exp(-(((rpm - 4200.0) / 500.0) ** 2)))
    assert "converter-unlocked" not in dict(machine.found(machine.posted(machine.ahead(twice))))


def test_a_mixture_that_is_lean_only_in_the_lower_half_does_not_stop_the_bay():
    lean = np.where(engine.RPM < 3500.0, 1.0, 0.85) + 0.005 * np.sin(40.0 * engine.X)
    pulls = engine.three(channels={"lambda": lean, "map": np.full(engine.RPM.size, 190.0)})
    assert engine.of("lean-at-full-load", pulls, platform=engine.TURBO) == []
    upper = np.where(engine.RPM > 5000.0, 1.0, 0.85) + 0.005 * np.sin(40.0 * engine.X)
    pulls = engine.three(channels={"lambda": upper, "map": np.full(engine.RPM.size, 190.0)})
    assert engine.of("lean-at-full-load", pulls, platform=engine.TURBO) != []


@pytest.mark.parametrize(("apart", "expected"), [(0.029, 0), (0.035, 1)])
def test_two_equal_states_may_lie_apart_by_the_bays_spread_too(apart, expected):
    # 4 x sqrt(0.64 %^2 + 0.5 %^2) = 3.2 %; without the bay's spread 2.6 %.
    first = session(pull(1)).setups[0]
    second = replace(first, n=2, pulls=(pull(1, float(np.exp(apart))),))
    posted = replace(session(pull(1)), setups=(first, second))
    derived = {(s.n, 1): derive_pull(s.pulls[0], None) for s in posted.setups}
    assert len(list(RULES["same-parts-differ"].findings(Case(posted, NOW, derived), {}))) == expected
