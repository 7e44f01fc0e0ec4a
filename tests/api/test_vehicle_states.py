"""GET /v1/vehicles/{tag}/states, GET /v1/vehicles/{tag}/own-readings, PATCH /v1/sessions/{id}/setups."""

import csv
import io
import math
from urllib.parse import urlencode

import pytest

from tests.conftest import Client, version_of
from tests.factories import WARM, peak_of_hump, pull, session, setup

CAR = "/v1/vehicles/stoat-1"
PEAK_KW = peak_of_hump()[0]
HP_W = 550 * 0.3048 * 0.45359237 * 9.80665
"""One horsepower of 550 ft.lbf/s [W]: international foot, avoirdupois pound and standard gravity (NIST SP 811)."""


def posted(client: Client, body: dict) -> dict:
    answer = client.post("/v1/sessions", body)
    assert answer.status_code == 201, answer.text
    return answer.json


def states(client: Client, query: str = "") -> list[dict]:
    answer = client.get(f"{CAR}/states{query}")
    assert answer.status_code == 200, answer.text
    return answer.json["items"]


def own(client: Client, query: str = "") -> dict:
    answer = client.get(f"{CAR}/own-readings{query}")
    assert answer.status_code == 200, answer.text
    return answer.json


@pytest.fixture
def visits(stoats: Client) -> list[dict]:
    """Stock on day 1, stock then piped on day 2, stock again on day 3, a little lower."""
    return [
        posted(stoats, session(setup(label="as it came"), day=1)),
        posted(stoats, session(setup(scale=1.002), setup(["wide-pipe"], 1.06), day=2)),
        posted(stoats, session(setup(scale=0.96), day=3)),
    ]


def test_every_setup_is_a_state_newest_first_with_what_changed_before_it(stoats, visits):
    rows = states(stoats)
    first, second, third = (one["id"] for one in visits)
    assert [(row["session"], row["n"]) for row in rows] == [
        (f"/v1/sessions/{third}", 1), (f"/v1/sessions/{second}", 2),
        (f"/v1/sessions/{second}", 1), (f"/v1/sessions/{first}", 1),
    ]  # fmt: skip
    assert [(row["fitted"], row["removed"]) for row in rows] == [
        ([], ["wide-pipe"]), (["wide-pipe"], []), ([], []), (None, None),
    ]  # fmt: skip
    assert [row["before"] for row in rows] == [*(row["setup"] for row in rows[1:]), None]
    assert rows[3]["label"] == "as it came"
    assert {row["bay"] for row in rows} == {"north"}


def test_the_figure_is_the_sessions_own_in_the_asked_units(stoats, visits):
    row = states(stoats, "?units=us")[-1]
    shown = stoats.get(f"{row['setup']}?units=us").json["summary"]["peak_power"]
    assert row["mean"] == pytest.approx(shown["mean"], rel=1e-4)
    assert row["mean"] == pytest.approx(PEAK_KW * 1000 / HP_W, rel=1e-3)
    assert (row["best"], row["pulls"], row["pulls_posted"]) == (pytest.approx(shown["best"], rel=1e-4), 3, 3)
    assert row["spread_percent"] == pytest.approx(shown["spread_percent"], abs=0.002)


def test_a_figure_between_speeds_is_read_from_the_mean_curve_and_has_no_best(stoats, visits):
    row = states(stoats, "?measure=torque_at&rpm=4200")[-1]
    assert row["mean"] == pytest.approx(260.0, rel=2e-3)  # the top of the parabola of `hump`
    assert (row["best"], row["spread"], row["peak_rpm"]) == (None, None, None)


def test_a_figure_whose_air_is_not_known_stands_where_it_was_posted(stoats):
    bare = setup()
    for one in bare["pulls"]:
        del one["ambient"]
    posted(stoats, session(bare))
    row = states(stoats)[0]
    assert row["standard"] is None
    assert row["standing"] == "as measured, not corrected: the air was not recorded"
    assert row["levelled"] is None
    assert own(stoats)["left_out"] == {"not known in SAE J1349": 1}


def test_what_is_struck_stays_in_the_list_and_is_no_state_before(stoats, visits):
    second = visits[1]["id"]
    stoats.post(f"/v1/sessions/{second}/setups/2/strike", {"reason": "wrong gear"})
    rows = states(stoats)
    assert [row["struck"] for row in rows] == [None, "wrong gear", None, None]
    assert rows[0]["before"] == f"/v1/sessions/{second}/setups/1"
    assert rows[0]["removed"] == []
    stoats.post(f"/v1/sessions/{second}/strike", {"reason": "wrong car"})
    assert [row["struck"] for row in states(stoats)] == [None, "wrong car", "wrong car", None]


def test_pages_go_on_where_the_last_one_ended(stoats, visits):
    whole, found, path = states(stoats), [], f"{CAR}/states?limit=1"
    while path:
        answer = stoats.get(path)
        found += answer.json["items"]
        path = answer.headers.get("Link", "").partition("<")[2].partition(">")[0]
    assert found == whole


@pytest.mark.parametrize("after", ["x", "2026-03-01T00:00:00~1~1", "2026-03-01T00:00:00+00:00~1", "~~"])
def test_a_place_that_no_page_gave_is_422(stoats, after):
    assert stoats.get(f"{CAR}/states?{urlencode({'after': after})}").status_code == 422


def test_states_as_csv_have_a_row_each(stoats, visits):
    text = stoats.get(f"{CAR}/states", Accept="text/csv").text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["removed"] for row in rows] == ["wide-pipe", "", "", ""]
    assert [float(row["mean"]) for row in rows] == [row["mean"] for row in states(stoats)]


def test_an_unknown_car_is_404_and_one_never_measured_has_no_states(stoats):
    assert stoats.get("/v1/vehicles/nobodys/states").status_code == 404
    assert states(stoats) == []
    assert (own(stoats)["now"], own(stoats)["newest"]) == (None, None)


def test_a_bays_token_sees_its_own_bays_states_and_the_newest_session(stoats, north, visits):
    elsewhere = posted(stoats, session(bay="hub", day=4))
    assert len(states(north)) == 5  # the hub's is the newest
    posted(stoats, session(day=5))
    seen = states(north)
    assert len(seen) == 5
    assert f"/v1/sessions/{elsewhere['id']}" not in {row["session"] for row in seen}


def test_a_bays_token_is_not_told_what_another_bay_found_fitted(stoats, north):
    posted(stoats, session(setup(parts=["wide-pipe"]), bay="hub", day=4))
    posted(stoats, session(setup(parts=[]), day=5))
    mine, everyones = states(north)[0], states(stoats)[0]
    assert (everyones["removed"], mine["removed"], mine["fitted"]) == (["wide-pipe"], None, None)
    assert mine["before"] is None


def test_levels_common_to_the_bays_need_a_car_that_both_measured(stoats):
    for n in range(1, 7):
        for bay, scale, later in (("north", 1.0, 0), ("hub", 1.04, 10)):
            posted(stoats, session(setup(scale=scale), vehicle=f"stoat-{n}", bay=bay, day=n + later))
    hub, north = states(stoats)
    assert hub["mean"] / north["mean"] == pytest.approx(1.04, rel=1e-3)
    assert hub["levelled"] / north["levelled"] == pytest.approx(1.0, abs=0.01)


def test_down_since_lies_between_the_last_higher_and_the_first_lower_reading(stoats, visits, without_model):
    found = own(stoats)
    second, third = visits[1]["id"], visits[2]["id"]
    assert found["now"]["setup"] == f"/v1/sessions/{third}/setups/1"
    assert found["in_state"][-1]["earlier"] == f"/v1/sessions/{second}/setups/1"
    assert found["in_state"][-1]["percent"] == pytest.approx(100 * (0.96 / 1.002 - 1), abs=0.02)
    assert found["in_state"][-1]["clear"]
    says = found["says"]["since"]
    assert "lower" in says
    assert "2 March 2026" in says
    assert "3 March 2026" in says


def test_the_interval_of_two_visits_is_that_of_the_shops_settings_by_hand(stoats, visits, without_model):
    """v = 2 (0.0045^2 + 0.007^2 + 0.005^2 / 3): settings as they come, three pulls; 90 %: 1.64485 standard errors."""
    error = (2 * (0.0045**2 + 0.007**2 + 0.005**2 / 3)) ** 0.5
    found = own(stoats)
    assert found["told_apart_percent"] == pytest.approx(100 * 1.644854 * error, rel=1e-4)
    low, high = found["in_state"][-1]["interval_percent"]
    middle = found["in_state"][-1]["percent"] / 100 + 1
    assert (1 + high / 100) / middle == pytest.approx(2.718281828 ** (1.644854 * error), rel=1e-4)
    assert low < high


def test_put_back_to_stock_it_is_held_against_the_last_stock_reading_before(stoats, visits, without_model):
    found = own(stoats)["returned"]
    assert found["earlier"] == f"/v1/sessions/{visits[1]['id']}/setups/1"
    assert found["later"] == f"/v1/sessions/{visits[2]['id']}/setups/1"


def test_two_readings_are_spoken_of_once(stoats, visits, without_model):
    """The fall since day 2 is also what it reads put back to stock; only what differs is added."""
    says = own(stoats)["says"]
    assert "2 March 2026" in says["since"]
    assert says["returned"] == (
        "It had been changed in between and was put back to stock: it did not quite come back."
    )
    assert "first stock reading of 1 March 2026" in says["first"]


def test_a_car_that_reads_as_before_is_not_said_to_be_down(stoats, without_model):
    posted(stoats, session(setup(), day=1))
    posted(stoats, session(setup(scale=1.001), day=2))
    says = own(stoats)["says"]
    assert says["since"].startswith("It is not clearly down: against the same state on 1 March 2026")
    assert "no change this test can tell from nothing" in says["first"]
    assert says["returned"] is None


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (
            0.9784,
            "It is not clearly down: it reads 2.2 % lower (0.1 to 4.1 %, 90 % sure) than in the same state on 2 March",
        ),
        (
            1.0220,
            "In the same state on 2 March 2026 it read less: it is 2.2 % higher (0.1 to 4.3 %, 90 % sure) now.",
        ),
        (0.9740, "Now it reads 2.6 % lower"),
    ],
)
def test_lower_than_one_of_two_visits_is_down_only_beyond_what_two_visits_give_by_chance(
    stoats, without_model, scale, words
):
    """By hand, settings as they come: one visit 1.645 x 1.246 % = 2.05 %; one of two (Bonferroni) 1.960 x 1.246 % = 2.44 %."""
    posted(stoats, session(setup(), day=1))
    posted(stoats, session(setup(), day=2))
    posted(stoats, session(setup(scale=scale), day=3))
    assert own(stoats)["says"]["since"].startswith(words)


def test_a_car_seen_once_is_not_called_up_or_down(stoats, without_model):
    posted(stoats, session(day=1))
    found = own(stoats)
    assert (found["first"], found["in_state"], found["steps"]) == (None, [], [])
    assert "whether it is down is not known" in found["says"]["since"]


def test_each_change_of_state_is_a_step_with_its_gain(stoats, visits, without_model):
    first, second = own(stoats)["steps"]
    assert (first["fitted"], first["removed"]) == (["wide-pipe"], [])
    assert first["percent"] == pytest.approx(100 * (1.06 / 1.002 - 1), abs=0.02)
    assert (second["fitted"], second["removed"]) == ([], ["wide-pipe"])
    assert first["difference"] == pytest.approx((1.06 - 1.002) * PEAK_KW, rel=0.01)


def test_what_is_struck_or_in_doubt_is_not_held_against_anything_and_counted_by_why(
    stoats, visits, without_model
):
    overheated = [pull(engine={**WARM, "coolant": 115.0}) for _ in range(3)]
    posted(stoats, session({**setup(), "pulls": overheated}, day=4))
    last = posted(stoats, session(setup(scale=0.9), day=5))["id"]
    stoats.post(f"/v1/sessions/{last}/strike", {"reason": "wrong car"})
    found = own(stoats)
    assert found["left_out"] == {"struck": 1, "doubts stand against the pulls, not confirmed": 1}
    assert found["now"]["setup"] == f"/v1/sessions/{visits[2]['id']}/setups/1"
    assert found["newest"]["setup"] not in (found["now"]["setup"], f"/v1/sessions/{last}/setups/1")
    assert (found["sessions"], found["setups"]) == (5, 6)
    assert found["says"]["in_doubt"] == (
        "1 setup is in doubt (engine hot) and counts nowhere until confirmed or amended."
    )


def test_air_typed_once_in_the_morning_is_said_to_be_why_later_setups_count_nowhere(stoats, without_model):
    """The same air to the last digit in six pulls over four hours: at most three (`weather-stuck`)."""
    posted(stoats, session(setup(), started_at="2026-03-01T08:00:00+00:00"))
    later = setup(["wide-pipe"], 1.05)
    body = posted(stoats, session(later, started_at="2026-03-01T12:00:00+00:00"))
    assert body["setups"][0]["doubts"] == ["weather-stuck"]
    found = own(stoats)
    assert found["steps"] == []
    assert found["says"]["in_doubt"] == (
        "1 setup is in doubt (the air was not measured anew) and counts nowhere until confirmed or amended."
    )


def test_nothing_is_said_of_doubts_where_there_are_none(stoats, visits, without_model):
    assert own(stoats)["says"]["in_doubt"] is None


def test_a_list_that_may_not_be_whole_is_no_state_known_to_be_the_same(stoats, without_model):
    for day, known in ((1, "partial"), (2, "complete"), (3, "complete")):
        posted(stoats, session(setup(parts_known=known), day=day))
    assert [one["earlier"] for one in own(stoats)["in_state"]] == [states(stoats)[1]["setup"]]


@pytest.mark.parametrize(
    ("then", "now", "words"),
    [
        ("unknown", "complete", "in which what was fitted is not known"),
        ("complete", "unknown", "while what is fitted now is not known"),
    ],
)
def test_against_a_reading_with_parts_not_known_no_loss_is_called_the_cars(
    stoats, without_model, then, now, words
):
    posted(stoats, session(setup(["wide-pipe"], parts_known=then), day=1))
    posted(stoats, session(setup(["wide-pipe"], 0.95, parts_known=now), day=2))
    said = own(stoats)["says"]["first"]
    assert f"first reading that can be compared, of 1 March 2026, {words}" in said
    assert "lower" in said
    assert "how much of that is parts, and how much the car, is not known" in said
    assert "That is" not in said


def test_the_best_of_several_pulls_is_known_less_well_than_their_mean(stoats, without_model):
    """Variance of the largest of three standard normals: 0.5595 (David & Nagaraja, Order Statistics, 2003; from memory).

    v = 2 (0.0045^2 + 0.007^2) + 0.005^2 (0.5595 + 1): settings as they come, the best of three against one single pull.
    """
    record = {"basis": {"standard": "sae-j1349", "factor": 1.0}, "peaks": {"power": 150.0}}
    for day, best_of in ((1, 3), (2, 1)):
        peak = {"parts": [], "stock_checked": "verified", "pulls": [{**record, "best_of": best_of}]}
        posted(stoats, session(peak, day=day))
    found = own(stoats)["in_state"][0]
    # Mean of the largest of three standard normals: 3 / (2 sqrt(pi)), by hand; taken off once, at 0.5 % a pull.
    assert found["percent"] == pytest.approx(0.5 * 3 / (2 * math.sqrt(math.pi)), rel=1e-3)
    low, high = found["interval_percent"]
    half = math.log((1 + high / 100) / (1 + low / 100)) / 2
    error = math.sqrt(2 * (0.0045**2 + 0.007**2) + 0.005**2 * (0.5595 + 1))
    assert half == pytest.approx(1.644854 * error, rel=1e-3)


def in_bay(client: Client, bay: str, first_day: int, scale: float, cars: range = range(1, 7)) -> None:
    for n in cars:
        posted(
            client, session(setup(scale=scale), vehicle=f"stoat-{n}", bay=bay, day=first_day + n - cars.start)
        )


def test_bays_that_share_no_car_have_no_common_level(stoats):
    in_bay(stoats, "north", 1, 1.0)
    in_bay(stoats, "hub", 1, 1.04, range(7, 13))
    assert states(stoats)[0]["mean"] is not None
    assert states(stoats)[0]["levelled"] is None


def test_a_figure_of_unknown_air_is_brought_to_no_common_level(stoats):
    in_bay(stoats, "north", 1, 1.0)
    in_bay(stoats, "hub", 11, 1.04)
    bare = setup()
    for one in bare["pulls"]:
        del one["ambient"]
    posted(stoats, session(bare, day=20))
    assert [row["levelled"] is None for row in states(stoats)] == [True, False, False]


def test_a_bay_that_was_recalibrated_has_its_own_level_before_and_after(stoats):
    """The north bay reads 2 % more from day 15 on; the errors of both its levels widen what can be told."""
    in_bay(stoats, "north", 1, 1.0)
    in_bay(stoats, "hub", 8, 1.0)
    event = {"at": "2026-03-15T00:00:00+00:00", "kind": "recalibrated"}
    assert stoats.post("/v1/bays/north/events", event).status_code == 201
    in_bay(stoats, "north", 16, 1.02)
    after, _, before = states(stoats)
    assert after["mean"] / before["mean"] == pytest.approx(1.02, rel=1e-3)
    assert after["levelled"] / before["levelled"] == pytest.approx(1.0, abs=0.006)
    found = own(stoats)
    first = found["in_state"][0]
    assert first["earlier"] == before["setup"]
    assert not first["clear"]
    low, high = first["interval_percent"]
    assert (high - low) / 2 > 1.05 * found["told_apart_percent"]


def test_two_setups_of_one_strap_down_are_told_apart_without_the_strap_downs_own_spread(stoats):
    """By the model's spreads, three pulls each: v = 2 (setup^2 + pull^2 / 3), half = 1.64485 standard errors."""
    for n in range(1, 7):
        posted(stoats, session(setup(), setup(["wide-pipe"], 1.05), vehicle=f"stoat-{n}", day=n))
    sd = {one["name"]: one["sd_percent"] / 100 for one in stoats.get("/v1/model").json["spreads"]}
    assert sd["setup"] != pytest.approx(sd["session"], rel=0.05)
    (step,) = own(stoats)["steps"]
    low, high = step["interval_percent"]
    half = math.log((1 + high / 100) / (1 + low / 100)) / 2
    assert half == pytest.approx(1.644854 * math.sqrt(2 * (sd["setup"] ** 2 + sd["pull"] ** 2 / 3)), rel=2e-3)


def test_a_peak_of_torque_has_its_own_speed_and_the_best_stands_at_the_means_standard(stoats):
    """The top of the parabola of `hump` is at 4200 rpm; SAE J607 reads higher than J1349 by some 4 %."""
    posted(stoats, session({**setup(), "pulls": [pull(scale) for scale in (0.99, 1.0, 1.01)]}))
    (torque,) = states(stoats, "?measure=peak_torque&standard=sae-j607")
    assert torque["standard"] == "sae-j607"
    assert torque["peak_rpm"] == pytest.approx(4200, abs=50)
    assert torque["best"] / torque["mean"] == pytest.approx(1.01, rel=1e-3)
    assert torque["mean"] > 1.02 * states(stoats, "?measure=peak_torque")[0]["mean"]


def test_two_setups_taken_for_each_other_are_swapped_together(stoats, visits):
    session_id = visits[1]["id"]
    at = f"/v1/sessions/{session_id}"
    etag = version_of(stoats.get(at))
    body = {"setups": [1, 2], "reason": "A and B were swapped"}
    assert stoats.patch(f"{at}/setups", body).status_code == 428
    done = stoats.patch(f"{at}/setups", body, If_Match=etag)
    assert done.status_code == 200, done.text
    assert [one["parts"] for one in done.json["setups"]] == [["wide-pipe"], []]
    pair = done.json["pairs"][0]
    assert pair["peak_power_percent"] == pytest.approx(100 * (1.002 / 1.06 - 1), abs=0.02)
    assert stoats.patch(f"{at}/setups", body, If_Match=etag).status_code == 412
    rows = stoats.get(f"/v1/history?about=sessions/{session_id}").json["items"]
    assert {(row["about"].rpartition("/")[2], row["after"]["parts"][0] if row["after"]["parts"] else None)
            for row in rows[:2]} == {("1", "wide-pipe"), ("2", None)}  # fmt: skip


def test_a_swap_takes_all_that_is_said_of_the_state_and_leaves_what_was_measured(stoats):
    bare = setup(
        label="as it came",
        stock_checked="declared",
        parts_known="partial",
        fuel={"octane": 95, "octane_method": "ron"},
    )
    piped = setup(["wide-pipe"], 1.05, label="piped", fuel={"octane": 98, "octane_method": "ron"})
    at = f"/v1/sessions/{posted(stoats, session(bare, piped))['id']}"
    was = stoats.get(at).json["setups"]
    body = {"setups": [2, 1], "reason": "A and B were swapped"}
    now = stoats.patch(f"{at}/setups", body, If_Match=version_of(stoats.get(at))).json["setups"]
    said, kept = ("label", "parts", "parts_known", "stock_checked"), ("fuel",)
    for one, other in ((0, 1), (1, 0)):
        assert [now[one][name] for name in said] == [was[other][name] for name in said]
        assert [now[one][name] for name in kept] == [was[one][name] for name in kept]
    rows = stoats.get(f"/v1/history?about={at.removeprefix('/v1/')}").json["items"][:2]
    noted = {row["about"][-1]: (row["before"]["label"], row["after"]["label"], row["reason"]) for row in rows}
    assert noted == {
        "1": ("as it came", "piped", "A and B were swapped"),
        "2": ("piped", "as it came", "A and B were swapped"),
    }


def test_a_swap_with_itself_or_with_nothing_changes_nothing(stoats, visits):
    at = f"/v1/sessions/{visits[1]['id']}"
    etag = version_of(stoats.get(at))
    for setups, status in (([1, 1], 422), ([1, 9], 404), ([1], 422)):
        answer = stoats.patch(f"{at}/setups", {"setups": setups, "reason": "x"}, If_Match=etag)
        assert answer.status_code == status, answer.text
    assert version_of(stoats.get(at)) == etag


def test_a_bays_token_reads_the_history_of_its_own_sessions_only(stoats, north, visits):
    about = f"sessions/{visits[0]['id']}"
    assert north.get(f"/v1/history?about={about}").status_code == 200
    assert north.get("/v1/history").status_code == 403
    assert north.get("/v1/history?about=bays/north").status_code == 403
    elsewhere = posted(stoats, session(bay="hub", day=2))
    assert north.get(f"/v1/history?about=sessions/{elsewhere['id']}").status_code == 404


def test_a_strike_that_names_an_old_version_is_412_and_strikes_nothing(stoats, visits):
    at = f"/v1/sessions/{visits[0]['id']}"
    etag = version_of(stoats.get(at))
    assert stoats.post(f"{at}/strike", {"reason": "wrong car"}, If_Match=etag).status_code == 200
    for path, body in ((f"{at}/unstrike", {}), (f"{at}/setups/1/strike", {"reason": "again"})):
        assert stoats.post(path, body, If_Match=etag).status_code == 412
    assert [row["struck"] for row in states(stoats)][-1] == "wrong car"
