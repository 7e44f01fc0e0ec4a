"""Heat and the lack of it: a good setup passes each check, a bad one is caught on the other side of its limit."""

from dataclasses import replace

import pytest

from service.domain.records import PostedPart, PostedPeaks
from tests.domain.engine_cases import ENGINE, TURBO, X, case, of, pull, said, setup, stock_cars, three

PULLS = "/setups/0/pulls"
ROAD_MAP = (PostedPart("road-map", "calibration"),)


def warming(first: float, oil: float = 80.0):
    return [pull(1, first, oil_c=oil), pull(2, 1.001, oil_c=86.0), pull(3, 0.999, oil_c=90.0)]


def test_a_first_pull_that_is_low_while_the_oil_warms_is_noted():
    # Two spreads of 0.45 % are 0.9 %.
    assert of("warm-up-pull", warming(0.985)) == [f"{PULLS}/0/status"]
    assert of("warm-up-pull", warming(0.992)) == []
    assert of("warm-up-pull", warming(0.985), spread=0.008) == []


def test_a_first_pull_that_is_low_with_the_oil_as_warm_as_after_is_not_called_warm_up():
    assert of("warm-up-pull", warming(0.985, oil=86.0)) == []
    assert of("warm-up-pull", warming(0.985, oil=None)) == []


def test_a_first_pull_that_was_marked_as_settling_is_no_longer_spoken_of():
    settled = [replace(warming(0.985)[0], status="settling"), *warming(0.985)[1:]]
    assert of("warm-up-pull", settled) == []


def test_the_warm_up_message_gives_its_figures_and_what_it_is_consistent_with():
    (found,) = said("warm-up-pull", case([setup(warming(0.985))]))
    assert (found.level, found.pull_n) == ("note", 1)
    assert "1.5 % below the next two" in found.message
    assert "8 °C colder: consistent with warming up" in found.message


@pytest.mark.parametrize(
    ("start", "power", "caught"),
    [(43.1, 0.98, True), (42.9, 0.98, False), (43.1, 0.995, False), (48.1, 1.0, True), (47.9, 1.0, False)],
)
def test_a_hotter_start_with_less_power_or_a_much_hotter_one_is_heat_soak(start, power, caught):
    # The first pull starts at 38 °C; two spreads of 0.45 % are 0.9 %.
    pulls = [pull(1), pull(2, power, inlet_c=start)]
    assert of("heat-soak", pulls) == ([f"{PULLS}/1/engine/inlet"] if caught else [])


@pytest.mark.parametrize(
    ("platform", "limit"), [({}, 15.0), ({"platform": TURBO}, 25.0)], ids=["natural", "boosted"]
)
def test_inlet_air_may_rise_so_far_within_a_pull(platform, limit):
    for rise, expected in ((limit - 0.5, []), (limit + 0.5, [f"{PULLS}/0/engine/inlet"])):
        assert (
            of("heat-soak", [pull(channels={"inlet": None}, inlet_end_c=38.0 + rise)], **platform) == expected
        )


def test_the_rise_is_read_along_the_curve_where_that_was_recorded():
    assert of("heat-soak", [pull(channels={"inlet": 38.0 + 18.0 * X}, inlet_end_c=40.0)]) == [
        f"{PULLS}/0/engine/inlet"
    ]
    assert of("heat-soak", [pull(channels={"inlet": 38.0 + 12.0 * X}, inlet_end_c=80.0)]) == []


def test_a_platform_whose_inlet_air_always_rises_so_far_makes_no_car_doubtful():
    hot = stock_cars(inlet=38.0 + 20.0 * X)
    pulls = [pull(channels={"inlet": 38.0 + 18.0 * X})]
    assert of("heat-soak", pulls, reference=hot) == []
    assert of("heat-soak", pulls, reference=stock_cars()) == [f"{PULLS}/0/engine/inlet"]


def test_coolant_at_84_to_85_and_inlet_air_at_38_to_41_degrees_count_as_held():
    # Common practice, no source.
    states = [
        setup([pull(1, coolant_c=84.0, inlet_c=38.0), pull(2, coolant_c=85.0, inlet_c=41.0)], n=n)
        for n in (1, 2)
    ]
    for code in ("heat-soak", "heat-costs-power", "engine-not-warm", "engine-hot"):
        assert said(code, case(states)) == []


def hotter(loss_per_degree: float, step: float = 3.0, pulls: int = 4):
    return [pull(1 + i, 1.0 - loss_per_degree * step * i, inlet_c=38.0 + step * i) for i in range(pulls)]


def test_power_that_falls_as_the_inlet_air_gets_hotter_is_doubtful():
    # Nine degrees in all: at 0.2 % a degree 1.8 %, over 2.2 spreads of 0.45 %, which are 1 %.
    (found,) = said("heat-costs-power", case([setup(hotter(0.002))]))
    assert (found.level, found.pointer) == ("doubtful", PULLS)
    assert "0.20 % per °C over 4 pulls, 1.8 %" in found.message


@pytest.mark.parametrize(
    "pulls",
    [hotter(0.0009), hotter(0.002, step=1.6), hotter(0.003, pulls=3), hotter(-0.002)],
    ids=["a tenth of a per cent a degree", "not five degrees", "three pulls", "power rises"],
)
def test_what_is_not_power_lost_to_heat(pulls):
    assert of("heat-costs-power", pulls) == []


def test_what_the_bays_own_spread_explains_is_not_heat():
    assert of("heat-costs-power", hotter(0.0015)) == [PULLS]  # 1.35 % in all
    assert of("heat-costs-power", hotter(0.0015), spread=0.008) == []  # 2.2 spreads are 1.76 %


@pytest.mark.parametrize(
    ("code", "field", "good", "bad"),
    [
        ("engine-not-warm", "coolant_c", 75.0, 74.9),
        ("engine-not-warm", "oil_c", 70.0, 69.9),
        ("engine-hot", "coolant_c", 110.0, 110.1),
    ],
)
def test_temperatures_at_the_start_that_a_warm_engine_does_not_have_are_doubtful(code, field, good, bad):
    assert of(code, [pull(**{field: good})]) == []
    assert of(code, [pull(**{field: bad})]) == [f"{PULLS}/0/engine/{field.removesuffix('_c')}"]


def test_three_or_four_pulls_within_two_to_three_horsepower_of_450_raise_no_doubt():
    # Common practice, no source: 3 / 450 is 0.7 %.
    power = (450.0, 448.0, 447.0, 449.5)
    pulls = [pull(1 + i, hp / 450.0, inlet_c=38.0 + i) for i, hp in enumerate(power)]
    for kept in (pulls[:3], pulls):
        looked_at = case([setup(kept)], reference=stock_cars())
        assert [found for code in ENGINE for found in said(code, looked_at)] == []


def test_records_without_a_curve_are_passed_over():
    record = pull(peaks=PostedPeaks(140.0, 6100.0, 250.0, 4200.0))
    records = [replace(record, n=n, channels={}) for n in (1, 2, 3, 4)]
    looked_at = case([setup(records)], reference=stock_cars())
    assert [found for code in ENGINE for found in said(code, looked_at)] == []


def test_temperatures_that_nobody_recorded_raise_no_doubt():
    unknown = [pull(coolant_c=None, oil_c=None, inlet_c=None, channels={"inlet": None})]
    for code in ("engine-not-warm", "engine-hot", "heat-soak", "heat-costs-power"):
        assert of(code, unknown * 4) == []


def rising(*steps: float):
    return [pull(1 + i, 1.0 + step) for i, step in enumerate(steps)]


def written(after, parts=ROAD_MAP, **around):
    return [
        f.pointer for f in said("drifts-upward", case([setup(three()), setup(after, 2, parts)], **around))
    ]


def test_pulls_that_rise_one_after_the_other_behind_a_change_of_calibration_are_noted():
    # Two spreads are 0.9 %.
    assert written(rising(0.0, 0.006, 0.012)) == ["/setups/1/pulls"]
    assert written(rising(0.0, 0.003, 0.007)) == []
    assert written(rising(0.0, 0.012, 0.006)) == []


def test_a_calibration_is_known_by_its_slot_where_the_post_does_not_name_it():
    mapped = (PostedPart("road-map"),)
    assert written(rising(0.0, 0.006, 0.012), mapped) == []
    assert written(rising(0.0, 0.006, 0.012), mapped, calibrations=frozenset({"road-map"})) == [
        "/setups/1/pulls"
    ]


def test_pulls_that_rise_without_a_change_of_calibration_are_not_called_learning():
    assert written(rising(0.0, 0.006, 0.012), (PostedPart("open-intake"),)) == []
    assert of("drifts-upward", rising(0.0, 0.006, 0.012), ROAD_MAP) == []
