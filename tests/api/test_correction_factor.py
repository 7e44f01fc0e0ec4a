"""GET /v1/correction-factor: the factor, what it was made of, whether the standard's own limits allow it."""

from urllib.parse import urlencode

import pytest

from service.domain.correction import STANDARDS
from tests.api.bodies import added
from tests.checks import rows

AIR = {"temperature": 35, "pressure": 98, "humidity": 0.35, "units": "si"}
DIESEL = {"ignition": "compression", "aspiration": "turbo", "fuel_per_cycle": 100, "boost_ratio": 2}
DROVER = {
    "slug": "drover", "name": "Drover 3.0 D", "aspiration": "turbo", "ignition": "compression",
    "charge_cooling": "air", "fuel_per_cycle": 100.0, "boost_ratio": 2.0,
}  # fmt: skip


def asked(client, **query):
    """The answer, which must be one."""
    answer = client.get(f"/v1/correction-factor?{urlencode({**AIR, **query})}")
    assert answer.status_code == 200, answer.text
    return answer.json


def refused(client, status=422, **query):
    """The faults of a question that cannot be answered, by parameter."""
    query = {name: value for name, value in {**AIR, **query}.items() if value is not None}
    answer = client.get(f"/v1/correction-factor?{urlencode(query)}")
    assert (answer.status_code, answer.content_type) == (status, "application/problem+json"), answer.text
    return {fault["parameter"]: fault["detail"] for fault in answer.json.get("errors", [])}


@pytest.mark.parametrize(
    "row", [r for r in rows("t01_correction_factors.csv") if r["RH"]], ids=lambda r: r["case"]
)
def test_the_factor_is_the_published_formulas(reader, row):
    """tests/checks/SOURCES.md: computed from the published formulas, apart from our code."""
    air = {"temperature": row["t_C"], "pressure": row["p_total_kPa"], "humidity": row["RH"]}
    answer = asked(reader, **air, standard="sae-j1349", ignition="spark")
    factors = {other["standard"]: other["factor"] for other in answer["every_standard"]}
    assert answer["factor"] == pytest.approx(float(row["CF_J1349_1p18_minus_0p18"]), rel=1e-6)
    assert factors["sae-j607"] == pytest.approx(float(row["CF_J607_29p92_519p67"]), rel=1e-6)
    assert factors["din-70020"] == pytest.approx(float(row["CF_DIN70020_total_p"]), rel=1e-6)
    for slug in ("iso-1585", "un-r85", "jis-d1001"):
        assert factors[slug] == pytest.approx(float(row["CF_powerlaw_1p2_0p6_SI"]), rel=1e-6)


def test_it_says_what_the_factor_is_made_of(reader):
    made = asked(reader, standard="un-r85", **DIESEL)["made_of"]
    assert made["dry_pressure"] == pytest.approx(made["pressure"] - made["vapour_pressure"], rel=1e-8)
    assert made["vapour_pressure"] == pytest.approx(0.35 * 5.62782, rel=1e-5)  # Hyland & Wexler at 35 degC
    theta, delta = 308 / 298, 99 / made["dry_pressure"]
    assert (made["theta"], made["delta"]) == pytest.approx((theta, delta), rel=1e-8)
    assert made["fa"] == pytest.approx(delta**0.7 * theta**1.5, rel=1e-8)
    assert (made["q_c"], made["fm"]) == (50.0, pytest.approx(0.66))
    assert made["engine"] == {**DIESEL, "charge_cooling": None}


def test_it_says_each_limit_and_whether_all_are_kept(reader):
    answer = asked(reader, temperature=36, standard="sae-j1349")
    limits = {limit["what"]: limit for limit in answer["limits"]}
    assert (limits["temperature"]["low"], limits["temperature"]["high"]) == (15.0, 35.0)
    assert [what for what, limit in limits.items() if not limit["inside"]] == ["temperature"]
    assert not answer["allowed"]
    assert "36 °C is outside 15..35 °C" in answer["warnings"][0]
    assert asked(reader, temperature=25, pressure=100, standard="sae-j1349")["allowed"]


def test_other_units_ask_the_same_question(reader):
    si = asked(reader, standard="sae-j1349")
    us = asked(reader, standard="sae-j1349", units="us", temperature=95, pressure=98 / 3.386388640341)
    assert us["factor"] == pytest.approx(si["factor"], rel=1e-9)
    assert us["limits"][1]["high"] == pytest.approx(95.0)
    assert us["density_altitude_m"] == si["density_altitude_m"]


def test_the_dew_point_says_the_moisture_as_well(reader):
    # ASHRAE's example: 40 degC with a dew point of 7 degC has a humidity of 14 %, both printed rounded
    query = {**AIR, "temperature": 40, "standard": "sae-j1349"}
    by_humidity = asked(reader, **{**query, "humidity": 0.14})["factor"]
    del query["humidity"]
    by_dew_point = reader.get(f"/v1/correction-factor?{urlencode({**query, 'dew_point': 7})}").json["factor"]
    assert by_dew_point == pytest.approx(by_humidity, abs=5e-4)


def test_without_a_standard_it_is_the_shops(admin):
    assert asked(admin)["standard"] == "sae-j1349"
    etag = admin.get("/v1/settings").headers["ETag"]
    assert admin.patch("/v1/settings", {"standard": "sae-j607"}, If_Match=etag).status_code == 200
    assert asked(admin)["standard"] == "sae-j607"


def test_every_standard_stands_beside_it_and_says_what_it_would_need(reader):
    others = {other["standard"]: other for other in asked(reader, standard="none")["every_standard"]}
    assert list(others) == list(STANDARDS)
    assert (others["iso-1585"]["factor"], others["iso-1585"]["missing"]) == (None, ["ignition"])
    assert others["none"] == {"standard": "none", "factor": 1.0, "missing": []}


def test_a_platform_lends_its_engine_and_what_is_asked_beside_it_comes_first(admin):
    added(admin, "/v1/platforms", DROVER)
    of_platform = asked(admin, standard="iso-1585", platform="drover")
    assert (
        of_platform["factor"] == asked(admin, standard="iso-1585", charge_cooling="air", **DIESEL)["factor"]
    )
    liquid = asked(admin, standard="iso-1585", platform="drover", charge_cooling="liquid")
    assert liquid["factor"] < of_platform["factor"]


def test_what_the_standard_needs_of_the_engine_is_named(admin):
    added(admin, "/v1/platforms", {**DROVER, "fuel_per_cycle": None, "charge_cooling": None})
    assert list(refused(admin, standard="un-r85")) == ["ignition"]
    faults = refused(admin, standard="iso-1585", platform="drover")
    assert list(faults) == ["fuel_per_cycle", "charge_cooling"]
    assert "PATCH /v1/platforms/drover" in faults["fuel_per_cycle"]


def test_a_weather_reports_figure_is_recognised_by_the_altitude(admin):
    added(admin, "/v1/bays", {"slug": "hill", "name": "Hill", "kind": "hub", "altitude_m": 1000.0})
    # ISO 2533 prints 898.746 mbar at 1000 m
    station = asked(admin, pressure=101.3, bay="hill", standard="none")["station"]
    assert station["standard_pressure"] == pytest.approx(89.8746, abs=1e-4)
    assert station["difference"] == pytest.approx(101.3 - 89.8746, abs=1e-4)
    assert (station["fits"], station["looks_like_sea_level"]) == (False, True)
    assert asked(admin, pressure=90.1, altitude_m=1000, standard="none")["station"]["fits"]
    assert asked(admin, standard="none")["station"] is None


@pytest.mark.parametrize(
    ("query", "parameter", "words"),
    [
        ({"humidity": None}, "humidity", "give humidity"),
        ({"dew_point": 10}, "dew_point", "leave one of the two out"),
        ({"humidity": 45}, "humidity", "between 0 and 1: write percent as a share: 45 % is 0.45"),
        ({"humidity": -0.1}, "humidity", "between 0 and 1"),
        ({"pressure": 980}, "pressure", "between 40 and 115 kPa: is it in another unit?"),
        ({"temperature": 90, "units": "si"}, "temperature", "between -60 and 80"),
        ({"humidity": None, "dew_point": 40}, "dew_point", "above the air temperature"),
        ({"pressure": "thick"}, "pressure", "not a finite number"),
        ({"temperature": None}, "temperature", "missing"),
        ({"standard": "sae-j1394"}, "standard", "must be one of"),
        ({"boost_ratio": 0.5}, "boost_ratio", "between 1 and 10"),
        ({"altitude_m": 100, "bay": "north"}, "bay", "leave one of the two out"),
    ],
)
def test_what_cannot_be_asked_is_named_with_the_way_out(reader, query, parameter, words):
    assert words in refused(reader, **query)[parameter]


def test_every_fault_of_a_question_is_said_at_once_with_the_value_sent(reader):
    """Without units the figures are the shop's, here SI."""
    query = {"temperature": 350, "pressure": 980, "humidity": 45, "boost_ratio": 0.5, "standard": "sae"}
    faults = reader.get(f"/v1/correction-factor?{urlencode(query)}").json["errors"]
    assert {fault["parameter"]: fault["value"] for fault in faults} == {
        name: str(value) for name, value in query.items()
    }
    both = refused(reader, pressure=980, humidity=None)
    assert set(both) == {"pressure", "humidity"}


def test_a_diesel_is_asked_for_all_it_needs_in_one_round(shop):
    faults = refused(shop, standard="iso-1585", ignition="compression", bay="north")
    assert list(faults) == ["aspiration", "fuel_per_cycle", "bay"]
    assert "also boost_ratio and, with a turbocharger, charge_cooling" in faults["aspiration"]
    assert (
        "for compression also aspiration and fuel_per_cycle" in refused(shop, standard="un-r85")["ignition"]
    )


def test_words_are_in_the_units_asked_for(reader):
    us = {"units": "us", "temperature": 60, "pressure": 29.29, "humidity": None}
    said = refused(reader, **us, dew_point=82)["dew_point"]
    assert said.startswith("82 °F is above the air temperature 60 °F")
    answer = asked(reader, **{**us, "humidity": 0.4, "temperature": 110}, altitude_m=0, standard="sae-j1349")
    assert "110 °F is outside 59..95 °F" in answer["warnings"][1]
    assert "29.92 inHg is usual at 0 m" in answer["station"]["reading"]


def test_unknown_names_are_404_and_a_bay_without_altitude_cannot_be_held_against(shop):
    assert refused(shop, status=404, platform="nothing-such") == {}
    assert refused(shop, status=404, bay="nothing-such") == {}
    assert "PATCH /v1/bays/north" in refused(shop, bay="north")["bay"]


def test_it_is_open_to_readers_and_bays_and_not_to_strangers(reader, bay, nobody):
    path = f"/v1/correction-factor?{urlencode(AIR)}"
    assert [client.get(path).status_code for client in (reader, bay, nobody)] == [200, 200, 401]
