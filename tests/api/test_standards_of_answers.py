"""Answers in any standard: they follow the shop's setting, and say so where a standard cannot be computed."""

import pytest

from service.domain.correction import STANDARDS
from tests.api.bodies import added
from tests.factories import pull, session

THIN = {"temperature": 28.0, "pressure": 98.0, "humidity": 0.5}
SHOWN = {"gain": 5e-3, "spread": 1e-4, "session": 1e-6}
"""How exactly each answer shows its figure: of 140 kW to 0.01, of 7 kW and 5 % to two digits behind the point."""
ENGINE = {"charge_cooling": "liquid", "fuel_per_cycle": 100.0, "boost_ratio": 2.0}
DIESEL = {"slug": "drover", "name": "Tarn Drover 3.0 D", "aspiration": "turbo", "ignition": "compression"}
GAIN = "/v1/typical-gain?part=wide-pipe&platform={}&curve=false"
SPREAD = "/v1/platforms/{}/stock-spread"


def state(parts=(), scale=1.0):
    """A setup of three equal pulls in thin air."""
    return {
        "parts": list(parts),
        "stock_checked": "verified",
        "pulls": [pull(scale, ambient=THIN) for _ in range(3)],
    }


@pytest.fixture
def measured(stoats):
    """Three cars, each without and with the pipe; answers their shop."""
    for car in (1, 2, 3):
        body = session(state(), state(["wide-pipe"], 1.05), vehicle=f"stoat-{car}", day=car)
        assert stoats.post("/v1/sessions", body).status_code == 201
    return stoats


def factors(client, **engine):
    """Every standard's factor in that air, as the calculator gives it (tested against published rows)."""
    query = "&".join(f"{name}={value}" for name, value in {**THIN, **engine}.items())
    answer = client.get(f"/v1/correction-factor?units=si&{query}").json
    return {other["standard"]: other["factor"] for other in answer["every_standard"]}


def set_standard(client, slug):
    """The shop's setting from now on."""
    etag = client.get("/v1/settings").headers["ETag"]
    assert client.patch("/v1/settings", {"standard": slug}, If_Match=etag).status_code == 200


def figures(client, platform="stoat", tag="stoat-1"):
    """(standard, figure) as the gain, the spread and the car's session say it."""
    gain, spread = client.get(GAIN.format(platform)).json, client.get(SPREAD.format(platform)).json
    address = client.get(f"/v1/sessions?vehicle={tag}").json["items"][0]["id"]
    summary = client.get(f"/v1/sessions/{address}").json["setups"][0]["summary"]
    return {
        "gain": (gain["question"]["standard"], gain["pairs"][0]["gain"] / gain["pairs"][0]["percent"] * 100),
        "spread": (spread["question"]["standard"], spread["mean"]),
        "session": (summary["standard"], summary["peak_power"]["mean"]),
        "percent": gain["typical_percent"],
    }


@pytest.mark.parametrize("slug", STANDARDS)
def test_every_answer_follows_the_shops_setting_without_a_post(measured, slug):
    base, factor = figures(measured), factors(measured, ignition="spark")
    set_standard(measured, slug)
    now = figures(measured)
    for answer in ("gain", "spread", "session"):
        assert now[answer][0] == slug
        ratio = factor[slug] / factor["sae-j1349"]
        assert now[answer][1] == pytest.approx(base[answer][1] * ratio, rel=SHOWN[answer]), answer
    assert now["percent"] == pytest.approx(base["percent"], abs=1e-3)


@pytest.fixture
def diesels(stoats):
    """Diesel cars whose engine is not recorded, measured like the others."""
    added(stoats, "/v1/platforms", DIESEL)
    for car in (1, 2, 3):
        added(stoats, "/v1/vehicles", {"tag": f"drover-{car}", "platform": "drover", "confirm": True})
        body = session(state(), state(["wide-pipe"], 1.05), vehicle=f"drover-{car}", day=car)
        assert stoats.post("/v1/sessions", body).status_code == 201
    return stoats


@pytest.mark.parametrize("path", [GAIN + "&standard=", SPREAD + "?standard="], ids=["gain", "spread"])
@pytest.mark.parametrize(
    ("slug", "missing"),
    [
        ("un-r85", "fuel_per_cycle and boost_ratio"),
        ("iso-1585", "fuel_per_cycle and boost_ratio and charge_cooling"),
    ],
)
def test_a_standard_that_needs_more_of_the_engine_is_refused_naming_it(diesels, path, slug, missing):
    answer = diesels.get(path.format("drover") + slug)
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    assert f"{slug} cannot be computed for drover: it needs {missing}" in answer.json["detail"]
    assert "PATCH /v1/platforms/drover" in answer.json["detail"]
    assert "sae-j1349" in answer.json["detail"]
    (fault,) = answer.json["errors"]
    assert (fault["parameter"], fault["value"], fault["code"]) == ("standard", slug, "engine-not-recorded")


def test_the_shops_own_setting_is_refused_in_the_same_words(diesels):
    set_standard(diesels, "un-r85")
    answer = diesels.get(SPREAD.format("drover"))
    assert answer.status_code == 422
    assert answer.json["errors"][0]["parameter"] == "standard"
    assert diesels.get(SPREAD.format("stoat")).status_code == 200  # spark ignition needs nothing more


def test_what_is_kept_of_a_diesel_is_shown_in_the_standard_it_stands_in(diesels):
    set_standard(diesels, "un-r85")
    address = diesels.get("/v1/sessions?vehicle=drover-1").json["items"][0]["id"]
    setup = diesels.get(f"/v1/sessions/{address}").json["setups"][0]
    assert setup["pulls"][0]["factor"] is None
    assert setup["summary"]["standard"] == "sae-j1349"


def test_once_the_engine_is_recorded_the_answer_is_the_standards(diesels):
    base = figures(diesels, "drover", "drover-1")
    version = diesels.get("/v1/platforms/drover").headers["ETag"]
    assert diesels.patch("/v1/platforms/drover", ENGINE, If_Match=version).status_code == 200
    factor = factors(diesels, ignition="compression", aspiration="turbo", **ENGINE)
    for slug in ("un-r85", "iso-1585", "jis-d1001"):
        set_standard(diesels, slug)
        now = figures(diesels, "drover", "drover-1")
        for answer in ("spread", "session"):
            assert now[answer] == (
                slug,
                pytest.approx(base[answer][1] * factor[slug] / factor["sae-j1349"], rel=SHOWN[answer]),
            )


def test_a_diesel_is_told_so_only_where_the_form_is_for_spark_ignition(diesels):
    version = diesels.get("/v1/platforms/drover").headers["ETag"]
    diesels.patch("/v1/platforms/drover", ENGINE, If_Match=version)
    said = {
        slug: " ".join(diesels.get(SPREAD.format("drover") + f"?standard={slug}").json["cautions"])
        for slug in STANDARDS
    }
    assert [slug for slug in said if "Diesel engine" in said[slug]] == ["sae-j1349", "sae-j607", "din-70020"]
