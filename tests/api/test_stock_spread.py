"""GET /v1/platforms/{slug}/stock-spread: where stock cars lie, and where one more value lands among them."""

import math

import numpy as np
import pytest
from scipy import stats

from tests.conftest import Client
from tests.factories import peak_of_hump, pull, session, setup

SPREAD = "/v1/platforms/stoat/stock-spread"
HORSEPOWER = 0.7456998715822702  # kW of 550 ft.lbf/s, NIST SP 811 App. B.8
POWER = peak_of_hump()[0]


def post(client: Client, *setups: dict, **fields) -> dict:
    """A session that must be taken."""
    response = client.post("/v1/sessions", session(*setups, **fields))
    assert response.status_code == 201, response.text
    return response.json


def stock_cars(client: Client, *scales: float) -> None:
    """One stock car after another, each that many times the hump's power."""
    for n, scale in enumerate(scales, 1):
        post(client, setup(scale=scale), vehicle=f"stoat-{n}", day=n)


def answer(client: Client, query: str = "") -> dict:
    """The answer, with what is asked beside it."""
    response = client.get(SPREAD + query)
    assert response.status_code == 200, response.text
    return response.json


def left_out(client: Client, why: str) -> int:
    """How many setups were left out, all of them for this reason."""
    ((reason, setups),) = answer(client)["left_out"].items()
    assert why in reason
    return setups


def wilson(successes: int, n: int, level: float = 0.9) -> list[float]:
    """Wilson's score interval (Wilson 1927) by SciPy [0..1]."""
    found = stats.binomtest(successes, n).proportion_ci(level, method="wilson")
    return [found.low, found.high]


TEN = (0.94, 0.96, 0.97, 0.98, 0.99, 1.0, 1.01, 1.02, 1.03, 1.1)


def test_the_answer_has_the_whole_shape_of_the_contract(stoats):
    stock_cars(stoats, *TEN)
    body = answer(stoats, "?value=100&units=us")
    assert set(body) >= {
        "cars", "mean", "median", "sd", "quantiles", "above_average", "below_average", "values", "value",
    }  # fmt: skip
    assert body["question"] == {
        "platform": "stoat", "measure": "peak_power", "standard": "sae-j1349", "units": "us", "checked": "declared",
    }  # fmt: skip
    assert set(body["values"][0]) >= {"vehicle", "session", "value", "percentile"}
    assert set(body["value"]) == {"value", "percentile", "interval", "reading", "as_one_reading"}


def test_mean_median_and_spread_are_those_of_the_cars(stoats):
    stock_cars(stoats, *TEN)
    body, values = answer(stoats), POWER * np.array(TEN)
    assert body["cars"] == 10
    assert body["mean"] == pytest.approx(values.mean(), rel=1e-3)
    assert body["median"] == pytest.approx(POWER * (0.99 + 1.0) / 2, rel=1e-3)
    assert body["sd"] == pytest.approx(values.std(ddof=1), rel=2e-3)
    # The (n + 1) p definition: 11 x 0.25 = 2.75, so three quarters of the way from the second to the third.
    assert body["quantiles"]["0.25"] == pytest.approx(POWER * (0.96 + 0.75 * 0.01), rel=1e-3)


def test_shares_above_and_below_carry_wilsons_interval_and_need_not_be_halves(stoats):
    stock_cars(stoats, 0.9, 0.98, 1.0, 1.3)  # mean 1.045: three below, one above
    body = answer(stoats)
    assert (body["above_average"]["share"], body["below_average"]["share"]) == (0.25, 0.75)
    assert body["above_average"]["interval"] == pytest.approx(wilson(1, 4), rel=1e-3)
    assert body["below_average"]["interval"] == pytest.approx(wilson(3, 4), rel=1e-3)


def test_a_value_is_placed_among_the_cars_with_its_interval_and_in_words(stoats):
    stock_cars(stoats, *TEN)
    placed = answer(stoats, f"?value={1.015 * POWER}")["value"]
    assert placed["value"] == pytest.approx(1.015 * POWER, rel=1e-4)
    assert placed["percentile"] == 70.0
    assert placed["interval"] == pytest.approx([100 * end for end in wilson(7, 10)], rel=1e-3)
    low, high = (round(end) for end in placed["interval"])
    one = placed["as_one_reading"]
    assert (
        one["interval"][0] < low < high < one["interval"][1] or one["interval"][1] - one["interval"][0] > 40
    )
    assert placed["reading"] == (
        f"above 7 of 10 stock cars of this kind; 90% sure: {low} to {high} in 100 such cars read less. One reading in a bay "
        "that is not named is less sure than that: with its noise counted, the car itself stands above "
        f"{one['interval'][0]:.0f} to {one['interval'][1]:.0f} in 100"
    )


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (0.5, "below all 10 stock cars measured here; 90% sure: at most 22 in 100 such cars read less"),
        (1.9, "above all 10 stock cars measured here; 90% sure: at least 78 in 100 such cars read less"),
    ],
)
def test_a_value_beyond_all_cars_says_so(stoats, scale, words):
    """Wilson's interval of none of ten at 90 %: z^2 / (10 + z^2) = 0.213."""
    stock_cars(stoats, *TEN)
    assert answer(stoats, f"?value={scale * POWER}")["value"]["reading"].startswith(words)


@pytest.mark.parametrize(
    ("scale", "asked_after"), [(1.0, False), (1.15, False), (1 / 1.341, True), (1.341, True)]
)
def test_a_value_far_outside_all_cars_is_asked_after(stoats, scale, asked_after):
    """1.341 hp are one kW: the slip that is looked for."""
    stock_cars(stoats, *TEN)
    said = answer(stoats, f"?value={scale * POWER}")["cautions"]
    assert any("check the value and its units" in one for one in said) == asked_after


def test_a_value_in_horsepower_is_placed_as_the_same_in_kilowatts(stoats):
    stock_cars(stoats, *TEN)
    si, us = (
        answer(stoats, f"?value={v}&units={u}")
        for v, u in ((1.015 * POWER, "si"), (1.015 * POWER / HORSEPOWER, "us"))
    )
    assert us["value"]["percentile"] == si["value"]["percentile"] == 70.0
    # both are shown to five significant digits: half a unit of the last is up to 4e-5 of either
    assert us["mean"] * HORSEPOWER == pytest.approx(si["mean"], rel=8e-5)


def test_under_ten_cars_no_percentile_is_given(stoats):
    stock_cars(stoats, *TEN[:9])
    body = answer(stoats, f"?value={POWER}")
    assert body["value"]["percentile"] is None
    assert body["value"]["interval"] is None
    assert "9 cars measured here: too few" in body["value"]["reading"]
    assert {car["percentile"] for car in body["values"]} == {None}
    assert any("no percentile" in caution for caution in body["cautions"])


def test_every_car_is_listed_lowest_first_with_its_percentile_and_a_link_that_resolves(stoats):
    stock_cars(stoats, *TEN[::-1])
    values = answer(stoats)["values"]
    assert [car["vehicle"] for car in values] == [f"stoat-{n}" for n in range(10, 0, -1)]
    percentiles = [car["percentile"] for car in values]
    assert percentiles == sorted(percentiles)
    assert 0 < percentiles[0] < 30
    assert 80 < percentiles[-1] < 100
    assert stoats.get(values[0]["session"]).json["vehicle"] == "stoat-10"


def test_a_car_is_the_mean_of_its_sessions_and_its_newest_is_named(stoats):
    post(stoats, setup(scale=0.98), day=1)
    newest = post(stoats, setup(scale=1.02), day=2)
    (car,) = answer(stoats)["values"]
    assert car["value"] == pytest.approx(POWER * math.sqrt(0.98 * 1.02), rel=1e-3)
    assert (car["setups"], car["session"]) == (2, f"/v1/sessions/{newest['id']}")


def test_a_car_with_a_part_fitted_is_not_stock(stoats):
    post(stoats, setup(), setup(["wide-pipe"], 1.1))
    body = answer(stoats)
    assert (body["cars"], body["values"][0]["setups"]) == (1, 1)
    assert body["mean"] == pytest.approx(POWER, rel=1e-3)


def test_a_car_whose_parts_are_not_all_known_is_not_stock(stoats):
    post(stoats, setup(parts_known="partial"))
    assert answer(stoats)["cars"] == 0


def test_cars_nobody_checked_are_left_out_counted_and_taken_in_when_asked(stoats):
    for n, checked in enumerate(("verified", "declared", "unknown"), 1):
        post(stoats, setup(stock_checked=checked), vehicle=f"stoat-{n}", day=n)
    plain = answer(stoats)
    assert (plain["cars"], left_out(stoats, "not checked to be stock")) == (2, 1)
    assert plain["checked"] == {"verified": 1, "declared": 1, "unknown": 0}
    assert any("1 setup left out: not checked" in caution for caution in plain["cautions"])
    assert answer(stoats, "?checked=any")["cars"] == 3
    assert answer(stoats, "?checked=verified")["cars"] == 1


def test_a_doubtful_car_is_left_out_and_counted_until_it_is_confirmed(stoats):
    body = post(stoats, {**setup(), "pulls": [pull(), pull(1.05)]})
    assert (answer(stoats)["cars"], left_out(stoats, "doubt")) == (0, 1)
    done = stoats.post(f"/v1/pulls/{body['setups'][0]['pulls'][0]['id']}/confirm", {"reason": "looked at"})
    assert (done.status_code, answer(stoats)["cars"]) == (200, 1)


def test_a_struck_car_is_neither_counted_nor_left_out(stoats):
    stock_cars(stoats, 1.0, 1.02)
    body = post(stoats, setup(scale=1.3), vehicle="stoat-3", day=3)
    assert stoats.post(f"/v1/sessions/{body['id']}/strike", {"reason": "another car"}).status_code == 200
    found = answer(stoats)
    assert (found["cars"], found["left_out"], found["mean"]) == (2, {}, pytest.approx(1.01 * POWER, rel=1e-3))


def test_a_car_without_its_air_is_left_out_and_counted(stoats):
    post(stoats, {**setup(), "pulls": [pull(ambient={})]})
    assert (answer(stoats)["cars"], left_out(stoats, "not known in")) == (0, 1)


def test_one_session_places_a_car_no_better_than_it_can(stoats):
    """A car's place is drawn towards the middle as far as its readings are noise, and its interval says how far."""
    stock_cars(stoats, *TEN)
    for car in answer(stoats)["values"]:
        low, high = car["percentile_interval"]
        assert low < car["percentile"] < high
        assert high - low > 2
    groups = answer(stoats)["groups"]
    assert sum(groups.values()) == 10
    assert set(groups) == {"clearly_above", "clearly_below", "too_close_to_call"}


def test_bays_that_share_cars_are_levelled_and_the_reading_stands_beside(stoats):
    """The hub reads 4 % higher; six cars were measured in both bays, three only in the hub."""
    for n in range(1, 7):
        post(stoats, setup(), vehicle=f"stoat-{n}", day=n)
        post(stoats, setup(scale=1.04), vehicle=f"stoat-{n}", bay="hub", day=n + 10)
    for n in range(7, 10):
        post(stoats, setup(scale=1.04), vehicle=f"stoat-{n}", bay="hub", day=n)
    body = answer(stoats)
    by_car = {car["vehicle"]: car for car in body["values"]}
    assert body["levelled"] is True
    assert by_car["stoat-9"]["raw"] == pytest.approx(1.04 * POWER, rel=1e-3)
    assert by_car["stoat-9"]["value"] == pytest.approx(by_car["stoat-1"]["value"], rel=5e-3)
    assert by_car["stoat-1"]["raw"] == pytest.approx(math.sqrt(1.04) * POWER, rel=1e-3)
    assert body["sd_percent"] < 0.5


def test_what_other_kinds_of_car_tell_of_a_bay_moves_the_values_at_once(stoats):
    """Three stoats in the north, three in the hub, 4 % apart, none in both: most of it is taken for the bays'. Then four
    herons read alike in both: it was the cars."""
    for n in range(1, 7):
        post(
            stoats,
            setup(scale=1.0 if n < 4 else 1.04),
            vehicle=f"stoat-{n}",
            bay="north" if n < 4 else "hub",
            day=n,
        )
    before = {car["vehicle"]: car["value"] for car in answer(stoats)["values"]}
    heron = {"slug": "heron", "name": "Merrow Heron", "aspiration": "natural", "ignition": "spark"}
    assert stoats.post("/v1/platforms", heron).status_code == 201
    for n in range(1, 5):
        added = stoats.post("/v1/vehicles", {"tag": f"heron-{n}", "platform": "heron", "confirm": True})
        assert added.status_code == 201, added.text
        post(stoats, setup(scale=0.7), vehicle=f"heron-{n}", day=10 + n)
        post(stoats, setup(scale=0.7), vehicle=f"heron-{n}", bay="hub", day=20 + n)
    after = {car["vehicle"]: car["value"] for car in answer(stoats)["values"]}
    assert before["stoat-5"] / before["stoat-2"] < 1.01
    assert after["stoat-5"] / after["stoat-2"] > 1.03


def test_before_there_is_a_model_cars_stand_as_they_read_and_two_bays_are_warned_of(stoats, without_model):
    post(stoats, setup(), vehicle="stoat-1", day=1)
    post(stoats, setup(scale=1.04), vehicle="stoat-2", bay="hub", day=2)
    body = answer(stoats)
    assert body["levelled"] is False
    assert [car["value"] for car in body["values"]] == [car["raw"] for car in body["values"]]
    assert any("not levelled against each other yet" in caution for caution in body["cautions"])


def test_no_stock_car_gives_no_number_and_says_so(stoats):
    body = answer(stoats, "?value=150")
    assert (body["cars"], body["mean"], body["value"], body["values"]) == (0, None, None, [])
    assert body["cautions"][0].startswith("Not measured: ")


def test_another_measure_and_standard_are_read_alike(stoats):
    warm = {"temperature": 30.0, "pressure": 98.0, "humidity": 0.0}
    factor = 1.18 * (99 / 98.0) * math.sqrt((30 + 273) / 298) - 0.18  # SAE J1349 in dry air, by hand
    post(stoats, {**setup(), "pulls": [pull(ambient=warm)]})
    assert answer(stoats, "?measure=peak_torque")["mean"] == pytest.approx(factor * 260, rel=1e-3)
    assert answer(stoats, "?measure=torque_at&rpm=4200&standard=none")["mean"] == pytest.approx(260, rel=1e-3)


def test_the_answer_moves_with_the_next_post_and_is_304_until_then(stoats):
    stock_cars(stoats, 1.0)
    etag = stoats.get(SPREAD).headers["ETag"]
    assert stoats.get(SPREAD, If_None_Match=etag).status_code == 304
    post(stoats, setup(scale=1.1), vehicle="stoat-2", day=2)
    moved = stoats.get(SPREAD, If_None_Match=etag)
    assert (moved.status_code, moved.json["cars"]) == (200, 2)


def test_the_values_as_csv_have_one_row_a_car(stoats):
    stock_cars(stoats, 1.0, 1.1)
    response = stoats.get(SPREAD, Accept="text/csv")
    lines = [line.split(",") for line in response.text.splitlines()]
    about = ["checked", "platform", "measure", "standard", "units"]
    assert lines[0] == ["vehicle", "session", "value", "setups", "percentile", "raw", "group", *about]
    assert lines[1][7:] == ["declared", "stoat", "peak_power", "sae-j1349", "si"]
    assert [line[0] for line in lines[1:]] == ["stoat-1", "stoat-2"]
    assert float(lines[1][2]) == pytest.approx(POWER, rel=1e-3)


def test_an_unknown_platform_is_404_with_the_nearest(stoats):
    response = stoats.get("/v1/platforms/stoet/stock-spread")
    assert response.status_code == 404
    assert "stoat" in response.json["detail"]


def test_a_low_figure_is_said_to_be_no_verdict(stoats):
    cautions = answer(stoats)["cautions"]
    assert any("qualified person's look, not a verdict" in caution for caution in cautions)
    assert any("no promise for another car" in caution for caution in cautions)


def two_bays(client: Client) -> None:
    """Twelve cars of even spread in two bays; the second reads 3 % high, as five shared cars show."""
    for n in range(1, 13):
        scale = 0.97 + 0.005 * n
        if n <= 9:
            post(client, setup(scale=scale), vehicle=f"stoat-{n}", day=n)
        if n >= 5:
            post(client, setup(scale=1.03 * scale), vehicle=f"stoat-{n}", day=n, bay="hub")


def test_as_read_the_values_keep_what_the_bays_differ_by(stoats):
    two_bays(stoats)
    levelled, raw = answer(stoats), answer(stoats, "?raw=true")
    assert (levelled["levelled"], raw["levelled"]) == (True, False)
    assert [row["value"] for row in raw["values"]] == [row["raw"] for row in raw["values"]]
    assert raw["mean"] == raw["as_read"]["mean"] == levelled["as_read"]["mean"]
    assert raw["sd"] == levelled["as_read"]["sd"] > levelled["sd"]
    highest = raw["values"][-1]
    # measured in the high bay alone, so as it read it keeps all of that bay's 3 %
    assert highest["vehicle"] == "stoat-12"
    assert highest["value"] == pytest.approx(POWER * 1.03 * (0.97 + 0.06), rel=1e-3)


def test_as_read_no_car_is_placed_and_it_is_said_why(stoats):
    two_bays(stoats)
    raw = answer(stoats, "?raw=true&value=100")
    assert raw["groups"] is None
    assert {row["percentile"] for row in raw["values"]} == {None}
    assert raw["value"]["as_one_reading"] is None
    (said,) = [words for words in raw["cautions"] if "not levelled" in words]
    assert "no car is placed" in said
    assert not [words for words in answer(stoats)["cautions"] if "no car is placed" in words]


def flywheel(client: Client) -> list[str]:
    (item,) = [one for one in answer(client, "?units=si")["questions"] if "flywheel" in one["question"]]
    return item["answer"]


def test_the_flywheel_gets_no_number_of_its_own(stoats):
    stock_cars(stoats, *TEN)
    etag = stoats.get("/v1/platforms/stoat").headers["ETag"]
    change = {"units": "si", "rated_power": 132.0}
    assert stoats.patch("/v1/platforms/stoat", change, If_Match=etag).status_code == 200
    refused, rated, measured = flywheel(stoats)
    assert refused.startswith("No single number is given")
    assert rated == "The maker rates this engine at 132 kW."
    assert f"make {POWER * np.mean(TEN):.0f} kW on average" in measured


def test_a_rating_that_nobody_recorded_is_said_to_be_unknown(stoats):
    stock_cars(stoats, *TEN)
    said = flywheel(stoats)
    assert "The maker's rating of this engine is not recorded." in said
