"""GET /v1/model and POST /v1/model/refit: the model in use, how it keeps up, and a new estimate of its spreads."""

import pytest

from service.store.fits import grant_wishes, open_wishes
from service.worker.refit import refit
from tests.api.bodies import added
from tests.api.gains import GAIN, post
from tests.conftest import Client, version_of
from tests.factories import setup

MODEL = "/v1/model"


@pytest.fixture(scope="session")
def stoats_url(built_url: str) -> str:
    """Here nine `stoats` were measured with parts, and the model is fitted and kept."""
    return built_url


def answer(client: Client) -> dict:
    """The model in use."""
    response = client.get(MODEL)
    assert response.status_code == 200, response.text
    return response.json


def test_it_says_when_and_from_how_much_the_fit_was_made_and_what_is_in_it_now(stoats):
    body = answer(stoats)
    assert body["state"] == "ready"
    assert {name: body["fit"][name] for name in ("measure", "standard", "cars", "setups")} == {
        "measure": "peak_power", "standard": "sae-j1349", "cars": 9, "setups": 6 * 4 + 3 * 2,
    }  # fmt: skip
    assert body["fit"]["id"] is not None
    assert body["followed"] == {
        "changes": 0, "setups": 30, "cars": 9, "platforms": 1, "parts": 3, "bays": 1,
    }  # fmt: skip


def test_the_shares_of_variance_are_said_in_words_and_sum_to_one(stoats):
    body = answer(stoats)
    assert sum(one["share"] for one in body["shares"]) == pytest.approx(1.0, abs=1e-4)
    assert {one["name"] for one in body["shares"]} == {"pull", "setup", "session", "bay", "car"}
    sd = {one["name"]: one["sd_percent"] for one in body["spreads"]}
    whole = sum(sd[one["name"]] ** 2 for one in body["shares"])
    for one in body["shares"]:
        assert one["share"] == pytest.approx(sd[one["name"]] ** 2 / whole, rel=1e-3)
        assert one["words"].startswith(f"{one['share']:.0%} between ")


def test_a_session_posted_is_in_the_next_answer_at_the_same_fit(stoats):
    before = answer(stoats)
    etag, gain = stoats.get(GAIN).headers["ETag"], stoats.get(GAIN).json["typical_percent"]
    body = post(stoats, setup(), setup(["wide-pipe"], 1.09), vehicle="stoat-10", day=10)
    after = answer(stoats)
    assert after["fit"] == before["fit"]
    assert (after["followed"]["setups"], after["followed"]["cars"]) == (32, 10)
    assert after["version"] != before["version"]
    moved = stoats.get(GAIN, If_None_Match=etag)
    assert (moved.status_code, moved.json["typical_percent"] > gain) == (200, True)
    assert stoats.post(f"/v1/sessions/{body['id']}/strike", {"reason": "wrong car"}).status_code == 200
    assert answer(stoats)["followed"]["setups"] == 30
    assert stoats.get(GAIN).json["typical_percent"] == pytest.approx(gain, rel=1e-6)


def test_a_part_and_a_platform_added_later_are_followed_too(stoats):
    heron = {"slug": "heron", "name": "Merrow Heron 3.5", "aspiration": "natural", "ignition": "spark"}
    added(stoats, "/v1/platforms", heron)
    added(stoats, "/v1/vehicles", {"tag": "heron-1", "platform": "heron"})
    added(stoats, "/v1/parts", {"slug": "air-box", "name": "Air box", "slots": ["air-filter"]})
    assert answer(stoats)["followed"]["platforms"] == 1
    post(stoats, setup(), setup(["air-box"], 1.02), vehicle="heron-1", day=11)
    assert answer(stoats)["followed"] == {
        **answer(stoats)["followed"],
        "platforms": 2,
        "parts": 4,
        "cars": 10,
    }
    body = stoats.get("/v1/typical-gain?part=air-box&platform=heron").json
    assert (body["method"], body["evidence"]["cars"]) == ("history-model", 1)


def test_following_posts_a_strike_and_an_amendment_gives_what_building_the_whole_anew_gives(stoats, app):
    assert stoats.get(GAIN).status_code == 200  # from here on every change is followed
    posted = []
    for n in (10, 11, 12):
        body = post(stoats, setup(), setup(["wide-pipe"], 1.06), vehicle=f"stoat-{n}", day=n)
        posted.append(f"/v1/sessions/{body['id']}")
        stoats.get(GAIN)
    assert stoats.post(f"{posted[0]}/strike", {"reason": "wrong car"}).status_code == 200
    etag = version_of(stoats.get(posted[1]))
    amended = stoats.patch(posted[1], {"vehicle": "stoat-10", "reason": "two cars, one name"}, If_Match=etag)
    assert amended.status_code == 200, amended.text
    followed = stoats.get(GAIN).json
    app.extensions["bayledger"].model._states.clear()  # as another process would begin: from the kept fit
    whole = stoats.get(f"{GAIN}&level=0.9").json
    for name in ("typical_percent", "typical_interval_percent", "next_car_interval_percent", "baseline"):
        assert whole[name] == pytest.approx(followed[name], rel=1e-6), name
    np_close = zip(whole["curve"]["typical_percent"], followed["curve"]["typical_percent"], strict=True)
    assert all(a == pytest.approx(b, rel=1e-4, abs=1e-6) for a, b in np_close)


def test_a_newer_fit_is_taken_when_it_is_looked_for(stoats, connection, monkeypatch):
    monkeypatch.setattr("service.answers.model.LOOK_S", 0.0)
    before = answer(stoats)["fit"]
    post(stoats, setup(), setup(["wide-pipe"], 1.06), vehicle="stoat-10", day=10)
    done = refit(connection)
    after = answer(stoats)
    assert after["fit"]["id"] == done.fit_id != before["id"]
    assert (after["fit"]["cars"], after["fit"]["setups"]) == (10, 32)


def test_a_process_that_finds_no_fit_of_a_small_history_makes_one(stoats):
    """A standard that the shop has just changed to has no fit yet."""
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"standard": "sae-j607"}, If_Match=etag).status_code == 200
    body = answer(stoats)
    assert (body["fit"]["id"], body["fit"]["standard"]) == (None, "sae-j607")
    assert any("Made by this process" in caution for caution in body["cautions"])


def test_before_there_is_a_model_it_says_so(stoats, without_model):
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"standard": "sae-j607"}, If_Match=etag).status_code == 200
    body = answer(stoats)
    assert (body["state"], body["fit"], body["spreads"]) == ("none", None, [])
    assert body["cautions"]


def test_a_refit_is_asked_for_and_done_in_the_background(stoats, connection):
    response = stoats.post(f"{MODEL}/refit", {})
    assert (response.status_code, response.json["status"]) == (202, "asked")
    assert connection.execute("SELECT count(*) FROM refit_wish").fetchone() == (1,)


def test_a_refit_that_is_waited_for_is_answered_when_it_is_done(stoats, connection, monkeypatch):
    # The worker's part: its fit knows all that was committed at a moment, and grants what was asked for by then.
    monkeypatch.setattr(
        "service.api.model.time.sleep", lambda _: grant_wishes(connection, open_wishes(connection))
    )
    response = stoats.post(f"{MODEL}/refit", {"wait": True})
    assert (response.status_code, response.json["status"]) == (200, "done")


def test_a_refit_that_nobody_does_is_503_with_the_way_out(stoats, monkeypatch):
    monkeypatch.setattr("service.api.model.LONGEST_WAIT_S", 0.0)
    monkeypatch.setattr("service.api.model.LOOK_S", 0.0)
    response = stoats.post(f"{MODEL}/refit", {"wait": True})
    assert response.status_code == 503
    assert "bayledger refit" in response.json["detail"]


def test_only_an_admin_asks_for_a_refit_and_a_reader_reads(reader, stoats):
    assert reader.post(f"{MODEL}/refit", {}).status_code == 403
    assert reader.get(MODEL).status_code == 200
    response = stoats.post(f"{MODEL}/refit", {"wait": "yes"})
    assert (response.status_code, response.json["errors"][0]["pointer"]) == (422, "/wait")
