"""When a sheet's version came to be, and on whose peak its band rests."""

from datetime import datetime

import pytest

from tests.conftest import Client
from tests.factories import RPM, hump, lifted, pull, session, setup
from tests.tokens import new_token

ID = "71582c73-4094-5c1e-9a59-fd9cbc07486a"
EARLIER = "a91c22b0-4e1d-5c1e-9a59-fd9cbc07486a"


def sheet(client, more=""):
    answer = client.get(f"/v1/sessions/{ID}/sheet{more}")
    assert answer.status_code == 200, answer.json
    return answer.json


def posted(client, *setups):
    answer = client.post("/v1/sessions", session(*setups, id=ID))
    assert answer.status_code == 201, answer.json
    return answer.json


def noted(connection, at, action="amended"):
    """A change of the session at a stated time: within a test all happens at one."""
    connection.execute(
        "INSERT INTO history (at, who, about, action, before, after) VALUES (%s, 'kim', %s, %s, '{}', '{}')",
        (at, f"sessions/{ID}/setups/1", action),
    )


def test_a_sheet_of_which_nothing_was_changed_dates_from_when_its_session_came_in(north):
    session = posted(north, setup())
    assert sheet(north)["changed_at"] == session["received_at"]


def test_a_version_dates_from_the_last_change_that_made_it(north, connection):
    posted(north, setup())
    for at in ("2027-01-02T09:00:00+00:00", "2027-02-03T10:00:00+00:00"):
        noted(connection, at)
    found = sheet(north)
    assert found["version"] == 3
    assert datetime.fromisoformat(found["changed_at"]) == datetime.fromisoformat("2027-02-03T10:00:00+00:00")


def test_an_older_version_was_superseded_by_the_first_change_after_it(north, connection):
    posted(north, setup())
    for at in ("2027-01-02T09:00:00+00:00", "2027-02-03T10:00:00+00:00"):
        noted(connection, at)
    number = sheet(north)["number"]
    at = {
        version: north.get(f"/v1/sheets/{number}?version={version}").json["superseded"]["at"]
        for version in (1, 2)
    }
    assert {version: datetime.fromisoformat(moment).month for version, moment in at.items()} == {1: 1, 2: 2}


def moved(by, scale=1.0):
    """A pull whose power peak stands `by` rpm higher."""
    return {**pull(), "curve": {"rpm": RPM, "torque": lifted([scale * hump(rpm - by) for rpm in RPM])}}


def test_the_band_rests_on_the_first_states_peak_not_on_the_second_ones(north):
    later = {"parts": ["wide-pipe"], "stock_checked": "verified", "pulls": [moved(-900) for _ in range(3)]}
    posted(north, setup(), later)
    found = sheet(north)
    a, b = (found[letter]["peak_power"]["rpm"] for letter in "ab")
    assert b < a - 300
    assert found["gain"]["band"]["to_rpm"] == round(a / 50) * 50
    assert found["gain"]["band"]["from_rpm"] == pytest.approx(a / 2, abs=25)


# Which states a sheet is of, and who may see them


def test_a_bay_is_shown_no_state_of_another_bays_session_beside_its_own(stoats, north, app, connection):
    posted(north, setup())
    hub = Client(app.test_client(), new_token(connection, scope="post", bay="hub", name="hub"))
    own = session(setup(), bay="hub", day=2, id=EARLIER)
    assert hub.post("/v1/sessions", own).status_code == 201
    path = f"/v1/sessions/{EARLIER}/sheet?after=1&before=/v1/sessions/{ID}/setups/1"
    number = stoats.get(path).json["number"]
    assert stoats.get(f"/v1/sheets/{number}").json["a"]["setup"] == f"/v1/sessions/{ID}/setups/1"
    assert hub.get(f"/v1/sessions/{EARLIER}/sheet").status_code == 200
    assert (hub.get(path).status_code, hub.get(f"/v1/sheets/{number}").status_code) == (404, 404)


def test_without_a_comparison_the_last_state_that_counts_is_shown(north):
    posted(north, setup(), setup(label="second"), setup(label="third"))
    assert sheet(north)["b"]["label"] == "third"
    struck = north.post(f"/v1/sessions/{ID}/setups/3/strike", {"reason": "wrong gear"})
    assert struck.status_code == 200, struck.json
    assert sheet(north)["b"]["label"] == "second"


def test_of_one_part_in_place_of_another_the_one_that_came_later_is_b(north):
    """Such a pair is kept both ways round."""
    posted(north, setup(["wide-pipe"], 1.05), setup(["mesh-pipe"], 1.03))
    found = sheet(north)
    assert [one["part"] for one in found["a"]["not_stock"]] == ["wide-pipe"]
    assert [one["part"] for one in found["b"]["not_stock"]] == ["mesh-pipe"]
    assert found["gain"]["peak"]["percent"] < 0.0


def test_a_bay_is_told_what_was_changed_inside_the_newest_session_though_it_is_another_bays(stoats, north):
    posted(stoats, setup())
    newest = session(setup(), setup(["wide-pipe"], 1.05), bay="hub", day=4, id=EARLIER)
    assert stoats.post("/v1/sessions", newest).status_code == 201
    rows = north.get("/v1/vehicles/stoat-1/states").json["items"]
    assert [row["before"] for row in rows] == [
        f"/v1/sessions/{EARLIER}/setups/1",
        f"/v1/sessions/{ID}/setups/1",
        None,
    ]
    assert rows[0]["fitted"] == ["wide-pipe"]
