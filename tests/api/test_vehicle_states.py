"""GET /v1/vehicles/{tag}/states, GET /v1/vehicles/{tag}/own-readings, PATCH /v1/sessions/{id}/setups."""

import csv
import io
from urllib.parse import urlencode

import pytest

from tests.conftest import Client, version_of
from tests.factories import peak_of_hump, session, setup

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
    for pull in bare["pulls"]:
        del pull["ambient"]
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
