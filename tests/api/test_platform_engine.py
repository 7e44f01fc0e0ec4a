"""The engine's own figures on a platform: what they may be, and what is derived anew when they change."""

import pytest

from service.domain.air import vapour_pressure_kpa
from service.domain.correction import Air, correction_factor
from service.domain.engine import Engine
from tests.api.bodies import added
from tests.conftest import version_of
from tests.factories import RPM, hump, lifted, pull, session

THIN = {"temperature": 31.0, "pressure": 96.4, "humidity": 0.55}
AIR = Air(31.0, 96.4, vapour_pressure_kpa(31.0, humidity=0.55))
ENGINE = {"charge_cooling": "liquid", "fuel_per_cycle": 100.0, "boost_ratio": 2.0}
DROVER = {
    "slug": "drover",
    "name": "Tarn Drover 3.0 D",
    "aspiration": "turbo",
    "ignition": "compression",
}
TRUE = Engine("compression", "turbo", "liquid", 100.0, 2.0)
PEAKS = {"power": 120.0, "power_rpm": 5400.0, "torque": 255.0, "torque_rpm": 4200.0}


def amended(client, **changes):
    """The platform with changed fields; the change must be taken."""
    version = version_of(client.get("/v1/platforms/drover"))
    answer = client.patch("/v1/platforms/drover", changes, If_Match=version)
    assert answer.status_code == 200, answer.text
    return answer.json


@pytest.fixture
def drovers(stoats):
    """Diesel cars whose engine is not recorded."""
    added(stoats, "/v1/platforms", DROVER)
    for car in (1, 2):
        added(stoats, "/v1/vehicles", {"tag": f"drover-{car}", "platform": "drover", "confirm": True})
    return stoats


def corrected(slug, form="curve", scale=1.0):
    """A pull corrected to a standard by the true engine, its factor not stated."""
    factor = scale * correction_factor(slug, AIR, TRUE)
    body = {**pull(), "ambient": THIN, "basis": {"standard": slug}}
    if form == "curve":
        return {**body, "curve": {"rpm": RPM, "torque": lifted([hump(rpm) * factor for rpm in RPM])}}
    del body["curve"]
    shown = {name: value * (1.0 if "rpm" in name else factor) for name, value in PEAKS.items()}
    return {**body, "peaks": shown, "best_of": 3}


def state(pulls, parts=()):
    """A setup of these pulls."""
    return {"parts": list(parts), "stock_checked": "verified", "pulls": pulls}


def kept(client, *setups, vehicle="drover-1", day=1):
    """A session that must be taken."""
    answer = client.post("/v1/sessions", session(*setups, vehicle=vehicle, day=day))
    assert answer.status_code == 201, answer.text
    return answer.json


def now(client, body):
    """A session as it stands now."""
    return client.get(f"/v1/sessions/{body['id']}").json


def test_they_are_optional_kept_and_can_be_forgotten(drovers):
    assert [drovers.get("/v1/platforms/drover").json[name] for name in ENGINE] == [None, None, None]
    assert ENGINE.items() <= amended(drovers, **ENGINE).items()
    assert amended(drovers, fuel_per_cycle=None)["fuel_per_cycle"] is None


@pytest.mark.parametrize(
    ("change", "pointer", "words"),
    [
        ({"fuel_per_cycle": 0.5}, "/fuel_per_cycle", "between 1 and 500"),
        ({"boost_ratio": 0.9}, "/boost_ratio", "between 1 and 10"),
        ({"charge_cooling": "water"}, "/charge_cooling", "one of none, air, liquid"),
        ({"aspiration": "natural", "boost_ratio": 1.4}, "/boost_ratio", "has no boost"),
        ({"aspiration": "natural", "charge_cooling": "air"}, "/charge_cooling", "no charge to cool"),
    ],
)
def test_what_cannot_be_is_refused(drovers, change, pointer, words):
    answer = drovers.patch(
        "/v1/platforms/drover", change, If_Match=version_of(drovers.get("/v1/platforms/drover"))
    )
    assert answer.status_code == 422
    (fault,) = answer.json["errors"]
    assert (fault["pointer"], words in fault["detail"]) == (pointer, True)


@pytest.mark.parametrize("form", ["curve", "peaks"])
@pytest.mark.parametrize("slug", ["un-r85", "iso-1585", "jis-d1001"])
def test_a_pull_corrected_by_an_engine_not_recorded_is_divided_out_once_it_is(drovers, slug, form):
    body = kept(drovers, state([corrected(slug, form)]))
    assert (body["setups"][0]["pulls"][0]["observed"], body["setups"][0]["summary"]["standard"]) == (
        None,
        slug,
    )
    amended(drovers, **ENGINE)
    observed = now(drovers, body)["setups"][0]["pulls"][0]["observed"]
    plain = (
        pull(ambient=THIN)
        if form == "curve"
        else {**corrected(slug, form), "basis": "observed", "peaks": PEAKS}
    )
    expected = kept(drovers, state([plain]), vehicle="drover-2", day=2)["setups"][0]
    assert observed == pytest.approx(expected["pulls"][0]["observed"], rel=2e-7)
    summary = now(drovers, body)["setups"][0]["summary"]
    assert summary["standard"] == "sae-j1349"
    assert summary["peak_power"]["mean"] == pytest.approx(expected["summary"]["peak_power"]["mean"], rel=2e-7)


@pytest.mark.parametrize("form", ["curve", "peaks"])
def test_a_corrected_engine_divides_out_anew_and_its_return_brings_back_the_same(drovers, form):
    amended(drovers, **ENGINE)
    body = kept(drovers, state([corrected("un-r85", form)]))
    before = now(drovers, body)["setups"]
    amended(drovers, fuel_per_cycle=130.0)  # q_c 65, fm 1.2 in place of 0.66
    wrong = now(drovers, body)["setups"][0]["pulls"][0]["observed"]["peak_power"]
    other = correction_factor("un-r85", AIR, Engine("compression", "turbo", "liquid", 130.0, 2.0))
    true = correction_factor("un-r85", AIR, TRUE)
    right = before[0]["pulls"][0]["observed"]["peak_power"]
    assert wrong == pytest.approx(right * true / other, rel=1e-6)
    amended(drovers, fuel_per_cycle=100.0)
    again = now(drovers, body)["setups"]
    assert again[0]["pulls"][0]["observed"] == pytest.approx(before[0]["pulls"][0]["observed"], rel=1e-9)


def test_the_pairs_of_its_cars_are_made_anew(drovers):
    """Observed without, corrected with: no pair while the engine is unknown, a gain of 5 % once it is recorded."""
    without = [pull(ambient=THIN) for _ in range(3)]
    with_part = [corrected("un-r85", scale=1.05) for _ in range(3)]
    body = kept(drovers, state(without), state(with_part, ["wide-pipe"]))
    amended(drovers, **ENGINE)
    (pair,) = now(drovers, body)["pairs"]
    assert pair["peak_power_percent"] == pytest.approx(5.0, abs=0.005)
    answer = drovers.get("/v1/typical-gain?part=wide-pipe&platform=drover&standard=un-r85").json
    assert answer["pairs_only"]["typical_percent"] == pytest.approx(5.0, abs=0.005)


def test_pulls_that_do_not_rest_on_the_engine_stay_as_they_are(drovers):
    stated = {**corrected("un-r85"), "basis": {"standard": "un-r85", "factor": 1.03}}
    body = kept(drovers, state([pull(ambient=THIN), pull(ambient=THIN)]), state([stated], ["wide-pipe"]))
    before = now(drovers, body)
    amended(drovers, **ENGINE)
    assert now(drovers, body) == before


def test_a_session_moved_to_a_car_of_another_engine_is_divided_out_by_that_one(drovers):
    amended(drovers, **ENGINE)
    added(drovers, "/v1/platforms", {**DROVER, **ENGINE, "slug": "drover-old", "fuel_per_cycle": 130.0})
    added(drovers, "/v1/vehicles", {"tag": "elder", "platform": "drover-old"})
    body = kept(drovers, state([corrected("un-r85")]))
    right = body["setups"][0]["pulls"][0]["observed"]["peak_power"]
    change = {"vehicle": "elder", "reason": "the wrong tag was keyed"}
    version = version_of(drovers.get(f"/v1/sessions/{body['id']}"))
    moved = drovers.patch(f"/v1/sessions/{body['id']}", change, If_Match=version)
    assert moved.status_code == 200, moved.text
    other = correction_factor("un-r85", AIR, Engine("compression", "turbo", "liquid", 130.0, 2.0))
    true = correction_factor("un-r85", AIR, TRUE)
    wrong = moved.json["setups"][0]["pulls"][0]["observed"]["peak_power"]
    assert wrong == pytest.approx(right * true / other, rel=1e-6)
