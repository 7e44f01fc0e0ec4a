"""GET /v1/bay-agreement: how far the bays agree, and what the check car says."""

import csv
import io
import math

import pytest
from scipy.stats import chi2

from tests.api.bodies import added
from tests.api.gains import post
from tests.api.odd_shop import CHECK, HUB
from tests.conftest import Client
from tests.factories import setup

AGREEMENT = "/v1/bay-agreement"


@pytest.fixture(scope="session")
def stoats_url(odd_url: str) -> str:
    """Here `stoats` is a shop whose hub reads 3 % over its north bay by five cars measured in both."""
    return odd_url


def answer(client: Client, query: str = "") -> dict:
    """How far the bays agree."""
    response = client.get(AGREEMENT + query)
    assert response.status_code == 200, response.text
    return response.json


def by_bay(body: dict) -> dict[str, dict]:
    """The bays by slug."""
    return {one["bay"]: one for one in body["items"]}


def test_the_offsets_are_those_of_cars_measured_in_both_bays_about_the_mean_of_the_bays(stoats):
    bays = by_bay(answer(stoats))
    assert bays["hub"]["offset_percent"] - bays["north"]["offset_percent"] == pytest.approx(
        100 * (HUB - 1), abs=0.5
    )
    assert bays["hub"]["offset_percent"] + bays["north"]["offset_percent"] == pytest.approx(0, abs=0.1)
    for bay in bays.values():
        assert bay["interval"][0] < bay["offset_percent"] < bay["interval"][1]
    assert [(bay["cars"], bay["cars_shared"]) for bay in (bays["hub"], bays["north"])] == [(5, 5), (14, 5)]
    assert (bays["hub"]["since"], bays["north"]["last_post"][:10]) == (None, "2026-03-22")


def test_another_level_widens_the_intervals(stoats):
    wide, plain = (by_bay(answer(stoats, query))["hub"]["interval"] for query in ("?level=0.99", ""))
    assert wide[0] < plain[0] < plain[1] < wide[1]


def test_the_shops_noise_comes_in_the_terms_of_iso_5725(stoats):
    """s_R is larger than s_r by what strap-downs and bays differ; a limit is 2.8 = 1.96 sqrt(2) times its spread."""
    shop = answer(stoats)["shop"]
    order = ("repeatability", "intermediate", "reproducibility_levelled", "reproducibility")
    assert [shop[f"{name}_percent"] for name in order] == sorted(shop[f"{name}_percent"] for name in order)
    assert shop["repeatability_limit_percent"] == pytest.approx(2.8 * shop["repeatability_percent"], rel=2e-3)


def test_the_check_car_is_held_against_its_own_readings(stoats):
    check = by_bay(answer(stoats))["north"]["check_car"]
    assert (check["vehicle"], check["inside"], len(check["readings"])) == (CHECK, False, 6)
    assert [reading["state"] for reading in check["readings"]] == ["first", *["inside"] * 4, "outside"]
    last = check["readings"][-1]
    assert last["deviation_percent"] == pytest.approx(-4.05, abs=0.1)
    assert last["limit_percent"] == pytest.approx(
        2.02, abs=0.01
    )  # 2 % in logs until there are enough readings
    assert stoats.get(last["setup"]).json["parts"] == []
    assert by_bay(answer(stoats))["hub"]["check_car"] is None
    assert any(
        f"check car {CHECK} read outside its limits in North" in said for said in answer(stoats)["cautions"]
    )


def test_a_check_car_measured_in_every_bay_gives_precision_by_the_standards_own_table(stoats):
    assert answer(stoats)["check_cars_alone"] is None
    for day in (23, 24):
        post(stoats, setup(scale=HUB), vehicle=CHECK, bay="hub", day=day)
    alone = answer(stoats)["check_cars_alone"]
    assert 0 < alone["repeatability_percent"] < alone["reproducibility_percent"] < 5


def test_a_bay_that_shares_no_car_is_not_compared_and_says_so(stoats):
    added(stoats, "/v1/bays", {"slug": "yard", "name": "Yard", "kind": "roller-loaded"})
    post(stoats, setup(scale=0.95), vehicle="stoat-1", bay="yard", day=2)
    body = answer(stoats)
    yard = by_bay(body)["yard"]
    assert (yard["offset_percent"], yard["interval"], yard["cars"], yard["cars_shared"]) == (None, None, 1, 0)
    assert any("Yard shares no car with another bay" in caution for caution in body["cautions"])


def test_a_bay_begins_anew_at_a_recorded_event(stoats):
    event = {"at": "2026-03-21T00:00:00+00:00", "kind": "recalibrated"}
    added(stoats, "/v1/bays/north/events", event)
    north = by_bay(answer(stoats))["north"]
    assert north["since"][:10] == "2026-03-21"
    assert north["cars"] == 1  # only the check car was measured since
    few = [said for said in answer(stoats)["cautions"] if "fewer than three" in said]
    assert few == ["North: compared by fewer than three cars since anything was last recorded about it."]


def test_before_there_is_a_model_it_says_why_there_is_nothing(stoats, without_model):
    """A standard that the shop has just changed to has no fit yet."""
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"standard": "sae-j607"}, If_Match=etag).status_code == 200
    body = answer(stoats)
    assert (body["items"], body["shop"]) == ([], None)
    assert any("history model is not ready" in caution for caution in body["cautions"])
    assert not any("pairs" in caution for caution in body["cautions"])


def test_where_a_bay_stands_is_said_in_words_what_is_urgent_first(stoats):
    body = answer(stoats)
    north, hub = by_bay(body)["north"], by_bay(body)["hub"]
    assert (north["state"], north["state_words"]) == ("outside", "Outside: stop publishing")
    assert (
        f"the check car {CHECK} read 4.0 % low on 22 March 2026, beyond its limit of 2.0 %" in north["said"]
    )
    assert (hub["state"], hub["said"][:30]) == ("not-checked", "No check car was measured here")
    assert body["said"].startswith(f"Stop publishing figures of {north['name']} until it has been looked at")


def test_repeatability_comes_by_quarter_with_its_pulls_and_a_chi_square_interval(stoats):
    north = by_bay(answer(stoats))["north"]
    (quarter,) = north["repeatability_by_quarter"]
    assert (quarter["quarter"], quarter["from"]) == ("2026-Q1", "2026-01-01")
    assert (quarter["pulls"], quarter["setups"]) == (57, 19)  # 12 + 1 + 6 setups of three pulls
    sd, df = quarter["repeatability_percent"], 57 - 19
    ends = [sd * math.sqrt(df / chi2(df).ppf(tail)) for tail in (0.95, 0.05)]
    assert quarter["interval"] == pytest.approx(ends, rel=1e-3)
    assert north["repeatability_interval"] == quarter["interval"]
    assert north["repeatability_trend_percent_per_year"] is None
    assert "from 57 pulls of 19 setups" in north["repeatability_said"]


def test_the_cars_that_two_bays_share_are_named(stoats):
    (pair,) = answer(stoats)["shared_cars"]
    assert sorted(pair["bays"]) == ["hub", "north"]
    assert set(pair["vehicles"]) == {f"heron-{n}" for n in range(1, 6)}
    assert (pair["cars"], pair["comparable"], pair["said"]) == (5, True, "5 cars ever measured in both.")


def test_bays_without_shared_cars_are_called_not_comparable(stoats):
    added(stoats, "/v1/bays", {"slug": "yard", "name": "Yard", "kind": "roller-loaded"})
    post(stoats, setup(scale=0.95), vehicle="stoat-1", bay="yard", day=2)
    pairs = {tuple(sorted(pair["bays"])): pair for pair in answer(stoats)["shared_cars"]}
    assert not pairs["hub", "yard"]["comparable"]
    assert pairs["north", "yard"]["said"].startswith("Not comparable")
    assert "Yard cannot be compared with another bay" in answer(stoats)["said"]


def test_what_was_recorded_about_a_bay_stands_with_it_without_its_note(stoats):
    event = {"at": "2026-03-21T00:00:00+00:00", "kind": "recalibrated", "note": "by the owner's brother"}
    added(stoats, "/v1/bays/north/events", event)
    north = by_bay(answer(stoats))["north"]
    assert north["events"] == [{"at": "2026-03-21T00:00:00+00:00", "kind": "recalibrated"}]


def test_the_bays_as_csv_have_one_row_each_and_one_figure_a_cell(stoats):
    text = stoats.get(AGREEMENT, Accept="text/csv").text
    rows = {row["bay"]: row for row in csv.DictReader(io.StringIO(text))}
    body = by_bay(answer(stoats))
    assert list(rows) == ["hub", "north"]
    for slug, row in rows.items():
        assert [float(row["interval_low"]), float(row["interval_high"])] == body[slug]["interval"]
        ends = [float(row[f"repeatability_{end}"]) for end in ("low", "high")]
        assert ends == body[slug]["repeatability_interval"]
    newest = body["north"]["check_car"]["readings"][-1]
    assert (rows["north"]["check_car"], rows["hub"]["check_car"]) == (CHECK, "")
    assert float(rows["north"]["check_car_deviation_percent"]) == newest["deviation_percent"]
    assert float(rows["north"]["check_car_limit_percent"]) == newest["limit_percent"]
    assert "[" not in text
    assert "{" not in text


def test_the_agreement_is_304_until_something_is_posted(stoats):
    etag = stoats.get(AGREEMENT).headers["ETag"]
    assert stoats.get(AGREEMENT, If_None_Match=etag).status_code == 304
    post(stoats, setup(), vehicle="stoat-2", day=23)
    assert stoats.get(AGREEMENT, If_None_Match=etag).status_code == 200


@pytest.mark.parametrize("query", ["?level=1", "?bay=north"])
def test_a_parameter_it_does_not_know_or_cannot_be_is_422(stoats, query):
    assert stoats.get(AGREEMENT + query).status_code == 422
