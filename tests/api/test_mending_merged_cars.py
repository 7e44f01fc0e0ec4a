"""One car under two tags: merged, it answers as if it had been one all along, and comes apart exactly as it was."""

import pytest

from service.store.car_changes import changes_since, mark_now
from service.store.db import Connection
from tests.api.mending import apart, asked, done, posted
from tests.conftest import Client, version_of
from tests.factories import pull, session, setup

WHY = {"reason": "the same car, typed twice"}
MERGE = "/v1/vehicles/stoat-11/merge"
UNMERGE = "/v1/vehicles/stoat-11/unmerge"
INTO = {"into": "stoat-10", **WHY}
CARS = (("stoat-1", 1.04), ("stoat-2", 1.05), ("stoat-3", 1.06))


def measured(client: Client, later: str) -> list[dict]:
    """Three cars with and without the part; another measured stock as stoat-10 and, on the same day, with the part under
    the tag `later`."""
    for day, (car, gain) in enumerate(CARS, 1):
        posted(client, session(setup(), setup(["wide-pipe"], gain), vehicle=car, day=day))
    first = posted(client, session(setup(scale=1.01), vehicle="stoat-10", day=8))
    second = posted(
        client,
        session(setup(["wide-pipe"], 1.09), vehicle=later, day=8, started_at="2026-03-08T12:00:00+00:00"),
    )
    return [first, second]


@pytest.fixture
def doubled(stoats: Client) -> list[dict]:
    return measured(stoats, "stoat-11")


def place(body: dict) -> str:
    """A session's address."""
    return f"/v1/sessions/{body['id']}"


def test_who_follows_the_changes_is_told_of_both_cars_by_a_merge_and_by_its_end(
    stoats, doubled, connection: Connection
):
    both = "SELECT vehicle_id FROM vehicle WHERE tag IN ('stoat-10', 'stoat-11')"
    ids = {row[0] for row in connection.execute(both)}
    for change, body in ((MERGE, INTO), (UNMERGE, {"reason": "two cars after all"})):
        before = mark_now(connection)
        done(stoats.post(change, body))
        assert changes_since(connection, before).vehicle_ids == ids


@pytest.mark.slow
def test_merging_makes_the_pairs_of_one_car_and_taking_it_apart_brings_every_answer_back(stoats, doubled):
    before = asked(stoats)
    merged = done(stoats.post(MERGE, INTO))
    assert merged == {
        "tag": "stoat-11", "merged_into": "stoat-10", "sessions": [place(doubled[1])], "modifications": 0, "stayed": 0,
    }  # fmt: skip
    assert stoats.get(place(doubled[1])).json["vehicle"] == "stoat-10"
    assert len(stoats.get(place(doubled[1])).json["pairs"]) == 1
    gain = "/v1/typical-gain?part=wide-pipe&platform=stoat"
    assert asked(stoats)[gain]["evidence"]["cars"] == before[gain]["evidence"]["cars"] + 1
    done(stoats.post(UNMERGE, {"reason": "two cars after all"}))
    assert list(apart(asked(stoats), before, 0.0)) == []
    assert stoats.get(place(doubled[1])).json["vehicle"] == "stoat-11"


def test_a_merged_car_answers_as_posting_under_one_tag_would_have(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    merged = asked(stoats)
    done(stoats.post(f"{place(doubled[1])}/strike", WHY))
    other = dict(doubled[1])
    body = session(
        setup(["wide-pipe"], 1.09), vehicle="stoat-10", day=8, started_at="2026-03-08T12:00:00+00:00"
    )
    again = posted(stoats, body)
    assert (again["vehicle"], other["vehicle"]) == ("stoat-10", "stoat-11")
    gain = "/v1/typical-gain?part=wide-pipe&platform=stoat"
    straight = asked(stoats)[gain]
    for name in ("typical_percent", "typical_interval_percent"):
        assert straight[name] == pytest.approx(merged[gain][name], abs=2e-3), name


def test_the_old_tag_says_where_it_leads_and_leads_there(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    alias = stoats.get("/v1/vehicles/stoat-11")
    assert alias.json["merged_into"] == "stoat-10"
    assert alias.headers["Link"] == '</v1/vehicles/stoat-10>; rel="canonical"'
    assert stoats.get("/v1/vehicles/stoat-10").json["merged_from"] == ["stoat-11"]
    assert "stoat-11" not in [car["tag"] for car in stoats.get("/v1/vehicles?limit=500").json["items"]]
    for path in ("/v1/vehicles/{}/states", "/v1/sessions?vehicle={}", "/v1/vehicles/{}/modifications"):
        assert (
            stoats.get(path.format("stoat-11")).json["items"]
            == stoats.get(path.format("stoat-10")).json["items"]
        )
    assert [car["tag"] for car in stoats.get("/v1/search?q=stoat-11").json["cars"]] == ["stoat-10"]


def test_what_is_posted_under_the_old_tag_lands_on_the_car_and_the_answer_says_so(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    late = posted(stoats, session(setup(), vehicle="stoat-11", day=12))
    assert late["vehicle"] == "stoat-10"
    assert [(one["code"], one["level"], one["pointer"]) for one in late["checks"]] == [
        ("vehicle-merged", "note", "/vehicle")
    ]
    assert "stoat-11 was merged into stoat-10" in late["checks"][0]["message"]
    assert late == stoats.get(place(late)).json
    etag = version_of(stoats.get("/v1/sessions/" + late["id"]))
    done(stoats.patch(place(late), {"vehicle": "stoat-1", **WHY}, If_Match=etag))
    etag = version_of(stoats.get(place(late)))
    back = done(stoats.patch(place(late), {"vehicle": "stoat-11", **WHY}, If_Match=etag))
    assert back["vehicle"] == "stoat-10"


def test_the_same_content_sent_again_under_the_old_tag_is_answered_as_before(stoats):
    body = session(setup(), vehicle="stoat-11", day=3)
    kept = posted(stoats, body)
    done(stoats.post(MERGE, INTO))
    again = stoats.post("/v1/sessions", body)
    assert (again.status_code, again.headers["Idempotency-Replayed"]) == (201, "true")
    assert (again.json["id"], again.json["vehicle"]) == (kept["id"], "stoat-10")


def test_taking_apart_puts_back_exactly_what_was_moved(stoats, doubled):
    body = {"part": "wide-pipe", "fitted_on": "2026-03-08"}
    done(stoats.post("/v1/vehicles/stoat-11/modifications", body), 201)
    moved_on = posted(stoats, session(setup(), vehicle="stoat-11", day=5))
    assert done(stoats.post(MERGE, INTO))["modifications"] == 1
    late = posted(stoats, session(setup(), vehicle="stoat-11", day=12))
    etag = version_of(stoats.get(place(moved_on)))
    done(stoats.patch(place(moved_on), {"vehicle": "stoat-4", **WHY}, If_Match=etag))
    apart_again = done(stoats.post(UNMERGE, WHY))
    assert apart_again == {
        "tag": "stoat-11", "merged_into": None, "sessions": [place(doubled[1])], "modifications": 1, "stayed": 1,
    }  # fmt: skip
    stand = {name: stoats.get(place(one)).json["vehicle"] for name, one in (("late", late), ("on", moved_on))}
    assert stand == {"late": "stoat-10", "on": "stoat-4"}
    assert len(stoats.get("/v1/vehicles/stoat-11/modifications").json["items"]) == 1


def test_the_history_says_what_was_moved_and_why(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    done(stoats.post(UNMERGE, {"reason": "two cars after all"}))
    rows = stoats.get(f"/v1/history?about=sessions/{doubled[1]['id']}").json["items"]
    assert [(row["action"], row["after"], row["reason"]) for row in rows[:2]] == [
        ("amended", {"vehicle": "stoat-11"}, "two cars after all"),
        ("amended", {"vehicle": "stoat-10"}, WHY["reason"]),
    ]
    for tag in ("stoat-10", "stoat-11"):
        actions = [row["action"] for row in stoats.get(f"/v1/history?about=vehicles/{tag}").json["items"]]
        assert actions[:2] == ["unmerged", "merged"]


def test_a_sheet_of_a_moved_session_is_superseded(stoats, doubled):
    sheet = f"{place(doubled[1])}/sheet"
    version = done(stoats.get(sheet))["version"]
    done(stoats.post(MERGE, INTO))
    assert done(stoats.get(sheet))["version"] > version


@pytest.mark.parametrize(
    ("prepare", "path", "into", "words"),
    [
        ([], MERGE, "stoat-11", "is itself"),
        ([("/v1/platforms", {"slug": "heron", "name": "Heron", "aspiration": "natural", "ignition": "spark"}),
          ("/v1/vehicles", {"tag": "heron-1", "platform": "heron"})], MERGE, "heron-1", "is a stoat, heron-1 a heron"),
        ([(MERGE, INTO)], MERGE, "stoat-9", "was merged into stoat-10 already"),
        ([(MERGE, INTO)], "/v1/vehicles/stoat-9/merge", "stoat-11", "name stoat-10"),
        ([(MERGE, INTO)], "/v1/vehicles/stoat-10/merge", "stoat-9", "unmerge it first, then merge it into stoat-9"),
        ([("/v1/vehicles", {"tag": "old", "platform": "stoat", "vin": "1M8GDM9AXKP042788"}),
          ("/v1/vehicles", {"tag": "new", "platform": "stoat", "vin": "1M8GDM9AXKP042789"})],
         "/v1/vehicles/old/merge", "new", "each has a VIN of its own"),
        ([("/v1/vehicles", {"tag": "watcher", "platform": "stoat", "check_car": True})], MERGE, "watcher", "check car"),
    ],
    ids=["itself", "platforms", "merged", "into an alias", "chain", "vins", "check car"],
)  # fmt: skip
def test_two_records_that_cannot_be_one_car_are_refused_with_the_way_out(stoats, prepare, path, into, words):
    for address, body in prepare:
        assert stoats.post(address, body).status_code in (200, 201)
    response = stoats.post(path, {"into": into, **WHY})
    assert response.status_code == 409
    assert words in response.json["detail"]
    assert response.json["errors"][0]["pointer"] == "/into"


def test_a_pull_posted_under_both_tags_is_said_before_it_would_count_twice(stoats):
    one = {"parts": [], "pulls": [pull()]}
    posted(stoats, session(one, vehicle="stoat-10", day=3))
    doubled = posted(stoats, session(one, vehicle="stoat-11", day=9))
    response = stoats.post(MERGE, INTO)
    assert response.status_code == 422
    assert response.json["errors"][0]["pointer"] == "/into"
    assert "merged_into" not in stoats.get("/v1/vehicles/stoat-11").json
    done(stoats.post(f"{place(doubled)}/strike", WHY))
    done(stoats.post(MERGE, INTO))


def test_a_car_that_is_no_alias_has_nothing_to_take_apart_and_an_alias_is_not_changed(stoats):
    assert stoats.post(UNMERGE, WHY).status_code == 409
    assert stoats.post("/v1/vehicles/nobody/merge", INTO).status_code == 404
    assert stoats.post(MERGE, {"into": "nobody", **WHY}).status_code == 422
    done(stoats.post(MERGE, INTO))
    etag = stoats.get("/v1/vehicles/stoat-11").headers["ETag"]
    response = stoats.patch("/v1/vehicles/stoat-11", {"odometer_km": 5}, If_Match=etag)
    assert response.status_code == 409
    assert "stoat-10" in response.json["detail"]


def test_only_an_admin_merges_and_an_if_match_holds(stoats, reader, north):
    for client in (reader, north):
        assert client.post(MERGE, INTO).status_code == 403
    assert stoats.post(MERGE, INTO, If_Match='"v99"').status_code == 412
