"""What is posted: well-formed, finite, in believable ranges, in the unit it names."""

import hashlib
import json
import time
from typing import Any

import numpy as np
import pytest

from seed.history import DEFAULT_SEED, History, make_history
from seed.parts import PARTS
from seed.post import site_weather
from seed.pulls import Bench
from seed.shop import BAYS, PLATFORM
from seed.wire import HP_KW, LBF_FT_NM, part_body, session_body

Json = dict[str, Any]
# Warn limits of a pull record: common practice, no source. Petrol engines for lambda.
SOUND = {"lambda": (0.65, 1.15), "map": (20.0, 400.0), "inlet": (0.0, 90.0), "rpm": (500.0, 12000.0)}


def sessions_with(fault: str, shop: History) -> set[str]:
    return {plan.session_id(DEFAULT_SEED) for plan in shop.sessions if fault in plan.faults}


def pulls_of(bodies: list[Json]) -> list[tuple[Json, Json]]:
    return [(body, pull) for body in bodies for setup in body["setups"] for pull in setup["pulls"]]


def test_every_post_is_plain_json_without_gaps(bodies: list[Json]) -> None:
    for body in bodies:
        json.dumps(body, allow_nan=False)


def test_posts_are_the_same_bytes_whenever_they_are_made(shop: History, bodies: list[Json]) -> None:
    again = make_history(400, DEFAULT_SEED)
    bench = Bench(again, site_weather(DEFAULT_SEED))
    for index in (400, 3, 250):  # in any order
        body = session_body(again.sessions[index], again, bench)
        assert digest(body) == digest(bodies[index])


def digest(body: Json) -> str:
    return hashlib.sha256(json.dumps(body).encode()).hexdigest()


def test_curves_rise_in_speed_and_hold_equally_many_samples(bodies: list[Json], shop: History) -> None:
    thinned = sessions_with("sparse-export", shop) | sessions_with("cut-short", shop)
    for body, pull in pulls_of(bodies):
        if "curve" not in pull:
            continue
        curve = {name: values for name, values in pull["curve"].items() if name != "resolution"}
        assert {len(values) for values in curve.values()} == {len(curve["rpm"])}
        assert 110 <= len(curve["rpm"]) <= 310 or body["id"] in thinned
        assert np.all(np.diff(curve["rpm"]) > 0)
        assert set(pull["curve"]["resolution"]) == set(curve)


def test_each_figure_sits_on_the_step_it_declares(bodies: list[Json]) -> None:
    for _, pull in pulls_of(bodies[::7]):
        for name, step in pull.get("curve", {}).get("resolution", {}).items():
            steps = np.array(pull["curve"][name]) / step
            assert np.allclose(steps, np.round(steps), atol=1e-6)


def test_channels_stay_in_ranges_a_workshop_would_believe(bodies: list[Json]) -> None:
    for _, pull in pulls_of(bodies):
        for name, (low, high) in SOUND.items():
            values = pull.get("curve", {}).get(name)
            assert values is None or (min(values) > low and max(values) < high)


def test_temperatures_pressure_and_humidity_are_believable(bodies: list[Json]) -> None:
    for body, pull in pulls_of(bodies):
        if body["units"] != "si":
            continue
        assert -10.0 < pull["ambient"]["temperature"] < 45.0
        assert 96.0 < pull["ambient"]["pressure"] < 104.3
        assert 0.05 < pull["ambient"].get("humidity", 0.5) < 1.0
        if "engine" in pull:
            assert 70.0 < pull["engine"]["coolant"] < 115.0
            assert 50.0 < pull["engine"]["oil"] < 140.0
            assert 0.0 < pull["engine"]["inlet"] < pull["engine"]["inlet_end"] < 90.0


def test_wheel_power_of_stock_cars_is_near_the_platforms_in_every_unit(
    bodies: list[Json], shop: History
) -> None:
    platforms = {car.tag: car.platform for car in shop.cars}
    kw_of = {"si": 1.0, "us": LBF_FT_NM, "ps": 1.0}
    seen = set()
    wrong = sessions_with("wrong-car", shop)
    for body, pull in pulls_of([body for body in bodies if body["id"] not in wrong]):
        if "curve" not in pull or body["setups"][0]["parts"] or pull not in body["setups"][0]["pulls"]:
            continue
        torque = np.array(pull["curve"]["torque"]) * kw_of[body["units"]]
        power = float((torque * np.array(pull["curve"]["rpm"])).max()) * np.pi / 30000.0
        expected = PLATFORM[platforms[body["vehicle"]]].engine.wheel_power_kw
        assert 0.78 < power / expected < 1.2
        seen.add(body["units"])
    assert seen == {"si", "us"}


def test_old_peaks_are_in_metric_horsepower_and_agree_with_their_torque(
    bodies: list[Json], shop: History
) -> None:
    """Power can never be less than peak torque makes at the torque peak's speed."""
    old = [(body, pull) for body, pull in pulls_of(bodies) if "peaks" in pull]
    assert len(old) >= 30
    lost = sessions_with("best-of-lost", shop)
    for body, pull in old:
        peaks = pull["peaks"]
        best_of = None if body["id"] in lost else 3
        assert (body["units"], pull.get("best_of"), pull["source"]) == ("ps", best_of, "paper")
        assert peaks["power"] * 0.73549875 * 30000.0 / np.pi >= 0.999 * peaks["torque"] * peaks["torque_rpm"]


def test_a_horsepower_here_is_550_foot_pounds_a_second() -> None:
    """550 ft.lbf/s with the international foot and pound and standard gravity: 0.3048, 0.45359237, 9.80665."""
    assert pytest.approx(550 * 0.3048 * 0.45359237 * 9.80665 / 1000.0, rel=1e-12) == HP_KW
    assert pytest.approx(0.3048 * 0.45359237 * 9.80665, rel=1e-12) == LBF_FT_NM


def test_every_live_pull_records_coolant_oil_and_inlet_at_its_start_and_no_paper_record_does(
    bodies: list[Json],
) -> None:
    for _, pull in pulls_of(bodies):
        assert ("curve" in pull) == ({"coolant", "oil", "inlet"} <= set(pull.get("engine", {})))


def test_some_sessions_come_corrected_some_with_a_dew_point_and_some_without_humidity(
    bodies: list[Json],
) -> None:
    bases = {
        pull["basis"]
        if pull["basis"] == "observed"
        else (pull["basis"]["standard"], "factor" in pull["basis"])
        for _, pull in pulls_of(bodies)
    }
    air = [frozenset(pull["ambient"]) for _, pull in pulls_of(bodies)]
    corrected = {(bay.standard, stated) for bay in BAYS for stated in (True, False)}
    assert bases == {"observed", ("unknown", False)} | corrected
    assert air.count(frozenset(("temperature", "pressure", "dew_point"))) > 20
    assert 10 < air.count(frozenset(("temperature", "pressure"))) < 200


def test_a_session_that_states_its_standard_without_a_factor_gives_all_the_air(bodies: list[Json]) -> None:
    for _, pull in pulls_of(bodies):
        if pull["basis"] in [{"standard": bay.standard} for bay in BAYS]:
            assert {"temperature", "pressure"} < set(pull["ambient"])


def test_no_post_names_a_vin_and_a_clock_stands_only_in_sessions_sent_later_after_their_last_pull(
    bodies: list[Json], shop: History
) -> None:
    later = sessions_with("sent-later", shop)
    for body in bodies:
        assert "vin" not in body
        assert ("clock" in body) == (body["id"] in later)
        if "clock" in body:
            assert body["clock"] > max(pull["started_at"] for _, pull in pulls_of([body]))


def test_settling_and_rejected_pulls_are_marked_and_rejected_ones_say_why(bodies: list[Json]) -> None:
    pulls = [pull for _, pull in pulls_of(bodies)]
    assert sum(pull["status"] == "settling" for pull in pulls) > 100
    rejected = [pull for pull in pulls if pull["status"] == "rejected"]
    assert rejected
    assert all(pull["reason"] for pull in rejected)


def test_every_setup_keeps_at_least_one_accepted_pull(bodies: list[Json]) -> None:
    for body in bodies:
        for setup in body["setups"]:
            assert any(pull["status"] == "accepted" for pull in setup["pulls"])


def test_a_kit_fills_several_slots_and_a_reworked_part_names_what_it_was() -> None:
    parts = {part.slug: part_body(part) for part in PARTS}
    assert parts["200-cell-down-pipe"]["slots"] == ["down-pipe", "catalyst"]
    assert parts["side-feed-plenum-re-machined"]["variant_of"] == "side-feed-plenum"
    assert all(part["price"] > 0 and part["labour_hours"] > 0 for part in parts.values())  # type: ignore[operator]


def test_all_posts_are_made_in_under_five_seconds_of_processor_time(shop: History, bench: Bench) -> None:
    began = time.process_time()
    for plan in shop.sessions:
        json.dumps(session_body(plan, shop, bench))
    assert time.process_time() - began < 5.0
