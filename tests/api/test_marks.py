"""Strikes, confirmations and amendments: the record stays and can be read, what counts moves, and the history says why."""

import pytest

from tests.conftest import Client, version_of
from tests.factories import peak_of_hump, pull, session, setup
from tests.tokens import new_token

GAIN = "/v1/typical-gain?part=wide-pipe&platform=stoat"
WHY = {"reason": "wrong tyre pressure"}
CARS = {"stoat-1": 1.04, "stoat-2": 1.05, "stoat-3": 1.06}


@pytest.fixture
def tested(stoats: Client) -> dict[str, dict]:
    """Three cars with the same part, gaining 4, 5 and 6 %; their sessions by car."""
    bodies = {}
    for day, (car, gain) in enumerate(CARS.items(), 1):
        response = stoats.post(
            "/v1/sessions", session(setup(), setup(["wide-pipe"], gain), vehicle=car, day=day)
        )
        assert response.status_code == 201, response.text
        bodies[car] = response.json
    return bodies


def done(response) -> dict:
    """The answer of a change that must be taken."""
    assert response.status_code == 200, response.text
    return response.json


def amend(client: Client, path: str, body: dict, of: str):
    """A PATCH that names the newest version of the session at `of`."""
    return client.patch(path, body, If_Match=client.get(of).headers["ETag"])


def cars(client: Client, path: str = GAIN) -> int:
    """How many cars the answer rests on now."""
    return client.get(path).json["evidence"]["cars"]


def said(client: Client) -> dict:
    """The answer without the moment it was made at."""
    return {name: value for name, value in client.get(GAIN).json.items() if name != "as_of"}


def history(client: Client, about: str) -> list[tuple]:
    """(who, action, reason) of what happened, newest first."""
    rows = client.get(f"/v1/history?about={about}").json["items"]
    return [(row["who"], row["action"], row["reason"]) for row in rows]


def first_pull(body: dict, n: int = 2) -> str:
    """Address of the first pull of a session's setup n."""
    return f"/v1/pulls/{body['setups'][n - 1]['pulls'][0]['id']}"


@pytest.mark.parametrize("what", ["session", "setup", "every pull"])
def test_a_strike_takes_a_car_out_of_the_answer_and_its_end_brings_the_same_answer_back(stoats, tested, what):
    session_at = f"/v1/sessions/{tested['stoat-3']['id']}"
    pulls = [f"/v1/pulls/{p['id']}" for p in tested["stoat-3"]["setups"][1]["pulls"]]
    marked = {"session": [session_at], "setup": [f"{session_at}/setups/2"], "every pull": pulls}[what]
    before, etag = said(stoats), stoats.get(GAIN).headers["ETag"]
    for path in marked:
        done(stoats.post(f"{path}/strike", WHY))
    struck = stoats.get(GAIN)
    assert struck.json["evidence"]["cars"] == 2
    assert struck.json["pairs_only"]["typical_percent"] == pytest.approx(
        4.5, abs=0.01
    )  # between 4 and 5 %, in logs 4.4988
    for path in marked:
        done(stoats.post(f"{path}/unstrike", None))
    assert said(stoats) == before
    assert len({etag, struck.headers["ETag"], stoats.get(GAIN).headers["ETag"]}) == 3


def test_a_struck_pull_counts_in_no_mean(stoats):
    body = stoats.post(
        "/v1/sessions", session({"parts": [], "pulls": [pull(1.0), pull(1.0), pull(1.012)]})
    ).json
    last = body["setups"][0]["pulls"][2]["id"]
    struck = done(stoats.post(f"/v1/pulls/{last}/strike", WHY))["setups"][0]
    assert struck["summary"]["peak_power"]["pulls"] == 2
    assert struck["summary"]["peak_power"]["mean"] == pytest.approx(peak_of_hump()[0], rel=5e-4)
    assert struck["pulls"][2]["struck"] == WHY["reason"]


def test_a_struck_record_can_still_be_read_with_its_curve(stoats, tested):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    curve = stoats.get(first_pull(tested["stoat-1"])).json["curve"]
    done(stoats.post(f"{path}/strike", WHY))
    assert stoats.get(path).json["struck"] == WHY["reason"]
    assert stoats.get(first_pull(tested["stoat-1"])).json["curve"] == curve
    assert path.rpartition("/")[2] in [row["id"] for row in stoats.get("/v1/sessions").json["items"]]


def test_a_struck_session_leaves_the_stock_cars_too(stoats, tested):
    spread = "/v1/platforms/stoat/stock-spread"
    assert stoats.get(spread).json["cars"] == 3
    done(stoats.post(f"/v1/sessions/{tested['stoat-1']['id']}/strike", WHY))
    assert stoats.get(spread).json["cars"] == 2


@pytest.mark.parametrize(
    "body", [{}, {"reason": ""}, {"reason": None}, {"reason": "\x00"}, {"reason": "x", "y": 1}]
)
def test_a_strike_needs_a_reason_in_words(stoats, tested, body):
    response = stoats.post(f"/v1/sessions/{tested['stoat-1']['id']}/strike", body)
    assert response.status_code == 422
    assert response.json["errors"][0]["pointer"] in ("/reason", "/y")
    assert cars(stoats) == 3


def test_the_history_says_who_did_what_and_why(stoats, tested):
    about = f"sessions/{tested['stoat-2']['id']}"
    done(stoats.post(f"/v1/{about}/setups/2/strike", WHY))
    done(stoats.post(f"/v1/{about}/setups/2/unstrike", None))
    done(stoats.post(f"{first_pull(tested['stoat-2'])}/strike", {"reason": "slip"}))
    assert history(stoats, about) == [
        ("admin", "struck", "slip"),
        ("admin", "unstruck", None),
        ("admin", "struck", WHY["reason"]),
        ("admin", "posted", None),
    ]


@pytest.fixture
def doubtful(stoats) -> dict:
    """A session whose second setup has one pull 4 % above its others, which makes it doubtful."""
    spread = {"parts": ["wide-pipe"], "pulls": [pull(1.05), pull(1.05), pull(1.05 * 1.04)]}
    body = stoats.post("/v1/sessions", session(setup(), spread)).json
    assert [(c["code"], c["pointer"]) for c in body["checks"]] == [("pulls-disagree", "/setups/1/pulls")]
    assert cars(stoats) == 0
    return body


def test_a_confirmed_doubt_counts_and_keeps_who_confirmed_it_and_why(stoats, doubtful):
    answer = done(stoats.post(f"{first_pull(doubtful)}/confirm", {"reason": "checked the trace"}))
    cleared = answer["checks"][0]["cleared"]
    assert (cleared["by"], cleared["reason"]) == ("admin", "checked the trace")
    assert answer["setups"][1]["doubts"] == []
    assert cars(stoats) == 1
    assert history(stoats, f"sessions/{doubtful['id']}")[0] == ("admin", "confirmed", "checked the trace")


def test_a_pull_without_a_doubt_has_nothing_to_confirm(stoats, tested):
    response = stoats.post(f"{first_pull(tested['stoat-1'])}/confirm", WHY)
    assert response.status_code == 409


def test_the_bad_pull_struck_settles_the_doubt_and_unstruck_raises_it_again(stoats, doubtful):
    bad = f"/v1/pulls/{doubtful['setups'][1]['pulls'][2]['id']}"
    assert done(stoats.post(f"{bad}/strike", WHY))["setups"][1]["doubts"] == []
    assert stoats.get(GAIN).json["pairs_only"]["typical_percent"] == pytest.approx(5.0, abs=0.01)
    assert done(stoats.post(f"{bad}/unstrike", None))["setups"][1]["doubts"] == ["pulls-disagree"]
    assert cars(stoats) == 0


def test_a_good_pull_struck_leaves_the_doubt_standing(stoats, doubtful):
    good = f"/v1/pulls/{doubtful['setups'][1]['pulls'][0]['id']}"
    assert done(stoats.post(f"{good}/strike", WHY))["setups"][1]["doubts"] == ["pulls-disagree"]


def test_the_bad_pull_amended_to_settling_settles_the_doubt(stoats, doubtful):
    bad, of = f"/v1/pulls/{doubtful['setups'][1]['pulls'][2]['id']}", f"/v1/sessions/{doubtful['id']}"
    answer = done(amend(stoats, bad, {"status": "settling", **WHY}, of))
    assert answer["setups"][1]["pulls"][2]["status"] == "settling"
    assert (answer["setups"][1]["doubts"], cars(stoats)) == ([], 1)
    row = stoats.get(f"/v1/history?about=sessions/{doubtful['id']}").json["items"][0]
    assert (row["before"], row["after"], row["reason"]) == (
        {"status": "accepted"},
        {"status": "settling"},
        WHY["reason"],
    )


def test_an_impossible_pull_that_was_rejected_cannot_be_made_to_count(stoats):
    wild = pull(40.0, status="rejected", reason="slip")
    body = stoats.post("/v1/sessions", session({"parts": [], "pulls": [pull(), wild]})).json
    at, of = f"/v1/pulls/{body['setups'][0]['pulls'][1]['id']}", f"/v1/sessions/{body['id']}"
    response = amend(stoats, at, {"status": "accepted", **WHY}, of)
    assert (response.status_code, response.json["errors"][0]["pointer"]) == (422, "/status")
    assert stoats.get(of).json == body


def test_a_pull_that_counts_after_all_meets_the_doubts_of_the_door_once(stoats):
    thin = pull(status="settling", curve={"rpm": [2000, 4000, 6500], "torque": [200, 260, 200]})
    body = stoats.post(
        "/v1/sessions", session({"parts": [], "stock_checked": "declared", "pulls": [pull(), thin]})
    ).json
    at, of = f"/v1/pulls/{body['setups'][0]['pulls'][1]['id']}", f"/v1/sessions/{body['id']}"
    for status in ("accepted", "settling", "accepted"):
        answer = done(amend(stoats, at, {"status": status, **WHY}, of))
    of_pull = [check for check in answer["checks"] if check["pointer"] == "/setups/0/pulls/1/curve/rpm"]
    assert (body["checks"], [check["code"] for check in of_pull]) == ([], ["few-samples", "trace-thin"])
    assert all("cleared" not in check for check in of_pull)
    assert "few-samples" in answer["setups"][0]["doubts"]


def test_a_change_needs_the_version_it_changes(stoats, tested):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    change = {"vehicle": "stoat-4", **WHY}
    etag = stoats.get(path).headers["ETag"]
    assert stoats.patch(path, change).status_code == 428
    done(stoats.patch(path, change, If_Match=etag))
    stale = stoats.patch(path, change, If_Match=etag)
    assert stale.status_code == 412
    assert version_of(stoats.get(path)) in stale.json["detail"]


@pytest.mark.parametrize("path", ["", "/setups/2", "pull"])
def test_every_kind_of_change_is_428_without_a_version_and_412_with_a_stale_one(stoats, tested, path):
    at = first_pull(tested["stoat-1"]) if path == "pull" else f"/v1/sessions/{tested['stoat-1']['id']}{path}"
    change = {**WHY, **({"status": "settling"} if path == "pull" else {})}
    assert stoats.patch(at, change).status_code == 428
    assert stoats.patch(at, change, If_Match='"v99"').status_code == 412
    assert cars(stoats) == 3


def test_a_session_moved_to_another_car_takes_its_pairs_along_and_back(stoats, tested):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    before = said(stoats)
    assert done(amend(stoats, path, {"vehicle": "stoat-2", **WHY}, path))["vehicle"] == "stoat-2"
    assert cars(stoats) == 2
    row = stoats.get(f"/v1/history?about=sessions/{tested['stoat-1']['id']}").json["items"][0]
    assert (row["action"], row["before"], row["after"]) == (
        "amended",
        {"vehicle": "stoat-1"},
        {"vehicle": "stoat-2"},
    )
    done(amend(stoats, path, {"vehicle": "stoat-1", **WHY}, path))
    assert said(stoats) == before


def test_a_session_moved_to_another_platform_moves_both_answers(stoats, tested):
    body = {
        "slug": "heron",
        "name": "Heron 2.0",
        "aspiration": "natural",
        "ignition": "spark",
        "rpm_limit": 6500,
    }
    assert stoats.post("/v1/platforms", body).status_code == 201
    assert stoats.post("/v1/vehicles", {"tag": "heron-a", "platform": "heron"}).status_code == 201
    other = GAIN.replace("stoat", "heron")
    etags = [stoats.get(question).headers["ETag"] for question in (GAIN, other)]
    path = f"/v1/sessions/{tested['stoat-3']['id']}"
    done(amend(stoats, path, {"vehicle": "heron-a", **WHY}, path))
    assert (cars(stoats), cars(stoats, other)) == (2, 1)
    assert [stoats.get(question).headers["ETag"] for question in (GAIN, other)] != etags


def test_amended_parts_move_the_answer_to_the_part_that_was_really_fitted(stoats, tested):
    path = f"/v1/sessions/{tested['stoat-3']['id']}"
    mesh = GAIN.replace("wide-pipe", "mesh-pipe")
    before = said(stoats)
    answer = done(amend(stoats, f"{path}/setups/2", {"parts": ["mesh-pipe"], **WHY}, path))
    assert answer["setups"][1]["parts"] == ["mesh-pipe"]
    assert (cars(stoats), cars(stoats, mesh)) == (2, 1)
    row = stoats.get(f"/v1/history?about=sessions/{tested['stoat-3']['id']}").json["items"][0]
    assert (row["before"], row["after"]) == ({"parts": ["wide-pipe"]}, {"parts": ["mesh-pipe"]})
    done(amend(stoats, f"{path}/setups/2", {"parts": ["wide-pipe"], **WHY}, path))
    assert said(stoats) == before
    assert cars(stoats, mesh) == 0


def test_amended_fuel_keeps_what_was_not_named(stoats):
    fuel = {"ethanol": 0.05, "octane": 98, "octane_method": "ron"}
    body = stoats.post("/v1/sessions", session(setup(fuel=fuel))).json
    path = f"/v1/sessions/{body['id']}"
    answer = done(amend(stoats, f"{path}/setups/1", {"fuel": {"ethanol": 0.1}, **WHY}, path))
    assert answer["setups"][0]["fuel"] == {**fuel, "ethanol": 0.1}


def test_a_setup_that_was_not_stock_after_all_leaves_the_stock_cars(stoats, tested):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    done(amend(stoats, f"{path}/setups/1", {"parts_known": "partial", **WHY}, path))
    assert stoats.get("/v1/platforms/stoat/stock-spread").json["cars"] == 2


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"parts": ["wide-pip"]}, "/parts/0"),
        ({"parts": ["wide-pipe", "mesh-pipe"]}, "/parts/1"),
        ({"parts": [{"part": "wide-pipe", "slot": "calibration"}]}, "/parts/0/slot"),
        ({"parts_known": "surely"}, "/parts_known"),
        ({"fuel": {"ethanol": 5}}, "/fuel/ethanol"),
    ],
)
def test_an_amendment_meets_the_same_checks_as_a_post_and_changes_nothing(stoats, tested, change, pointer):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    before = stoats.get(path)
    response = amend(stoats, f"{path}/setups/2", {**change, **WHY}, path)
    assert (response.status_code, response.json["errors"][0]["pointer"]) == (422, pointer)
    after = stoats.get(path)
    assert (after.json, after.headers["ETag"]) == (before.json, before.headers["ETag"])


def test_an_amendment_to_an_unknown_car_is_refused_with_the_nearest(stoats, tested):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    response = amend(stoats, path, {"vehicle": "stoat-111", **WHY}, path)
    assert response.status_code == 422
    assert "stoat-11" in response.json["errors"][0]["detail"]


def test_an_amendment_into_the_future_is_refused(stoats, tested):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    response = amend(stoats, path, {"started_at": "2050-01-01T00:00:00Z", **WHY}, path)
    assert (response.status_code, response.json["errors"][0]["pointer"]) == (422, "/started_at")


def test_an_amended_time_moves_the_pairs_day(stoats):
    posts = [stoats.post("/v1/sessions", session(setup(parts), day=3)).json for parts in ([], ["wide-pipe"])]
    path = f"/v1/sessions/{posts[1]['id']}"
    assert [pair["match"] for pair in stoats.get(path).json["pairs"]] == ["same-day"]
    answer = done(amend(stoats, path, {"started_at": "2026-03-05T10:00:00Z", **WHY}, path))
    assert [pair["match"] for pair in answer["pairs"]] == ["other-day"]


def test_marks_on_what_is_not_there_are_404(stoats, tested):
    nowhere = "/v1/sessions/00000000-0000-0000-0000-000000000000"
    paths = [
        nowhere,
        f"{nowhere}/setups/1",
        f"/v1/sessions/{tested['stoat-1']['id']}/setups/9",
        "/v1/pulls/999999999",
    ]
    for path in paths:
        assert stoats.post(f"{path}/strike", WHY).status_code == 404, path
        assert stoats.post(f"{path}/unstrike", None).status_code == 404, path


def test_a_bays_token_marks_only_what_its_own_bay_posted(app, connection, stoats, tested):
    hub = Client(app.test_client(), new_token(connection, scope="post", bay="hub", name="hub"))
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    for marked in (path, f"{path}/setups/2", first_pull(tested["stoat-1"])):
        assert hub.post(f"{marked}/strike", WHY).status_code == 404
        assert hub.post(f"{marked}/unstrike", None).status_code == 404
    assert hub.post(f"{first_pull(tested['stoat-1'])}/confirm", WHY).status_code == 404
    assert amend(hub, path, WHY, path).status_code == 404
    assert cars(stoats) == 3


def test_a_token_that_only_reads_marks_nothing(reader, stoats, tested):
    path = f"/v1/sessions/{tested['stoat-1']['id']}"
    assert reader.post(f"{path}/strike", WHY).status_code == 403
    assert reader.patch(path, WHY, If_Match='"v1"').status_code == 403


def test_a_record_of_peaks_alone_struck_and_back_counts_as_before(stoats):
    record = {"basis": {"standard": "sae-j1349", "factor": 1.03}, "best_of": 3, "peaks": {"power": 150.0}}
    body = stoats.post("/v1/sessions", session({"parts": [], "pulls": [record]})).json
    path = f"/v1/pulls/{body['setups'][0]['pulls'][0]['id']}"
    done(stoats.post(f"{path}/strike", WHY))
    back = done(stoats.post(f"{path}/unstrike", None))
    assert back["setups"][0]["summary"] == body["setups"][0]["summary"]
