"""An ETag moves with all that is shown; a change is held against its version alone."""

import pytest

from tests.factories import session, setup


def test_a_session_that_gains_a_pair_is_not_304(stoats):
    path = stoats.post("/v1/sessions", session(setup())).headers["Location"]
    before = stoats.get(path)
    assert stoats.post("/v1/sessions", session(setup(["wide-pipe"], 1.05), day=2)).status_code == 201
    after = stoats.get(path, If_None_Match=before.headers["ETag"])
    assert (before.json["pairs"], after.status_code, len(after.json["pairs"])) == ([], 200, 1)


@pytest.mark.parametrize("path", ["/v1/platforms/stoat", "session"])
def test_other_default_units_are_not_304(admin, stoats, path):
    where = stoats.post("/v1/sessions", session(setup())).headers["Location"] if path == "session" else path
    etag = stoats.get(where).headers["ETag"]
    assert stoats.get(where, If_None_Match=etag).status_code == 304
    settings = admin.get("/v1/settings").headers["ETag"]
    assert admin.patch("/v1/settings", {"units": "us"}, If_Match=settings).status_code == 200
    assert stoats.get(where, If_None_Match=etag).status_code == 200


@pytest.mark.parametrize("tag", ["*", '"v1"', "v1"])
@pytest.mark.parametrize(
    "path", ["/v1/parts", "/v1/sessions", "/v1/platforms/stoat", "/v1/settings", "/v1/openapi.json"]
)
def test_an_if_match_is_of_changes_and_no_matter_to_what_is_read(stoats, path, tag):
    read = stoats.get(path, If_Match=tag)
    assert (read.status_code, read.json) == (200, stoats.get(path).json)
    assert stoats.get(path, If_None_Match=read.headers["ETag"], If_Match=tag).status_code == 304


def test_what_was_measured_elsewhere_moves_the_answer_here(admin, stoats):
    other = {"slug": "heron", "name": "Merrow Heron 3.5", "aspiration": "natural", "ignition": "spark"}
    assert admin.post("/v1/platforms", other).status_code == 201
    assert admin.post("/v1/vehicles", {"tag": "heron-one", "platform": "heron"}).status_code == 201
    question = "/v1/typical-gain?part=wide-pipe&platform=stoat"
    body = stoats.post("/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05))).json
    assert stoats.post(f"/v1/sessions/{body['id']}/strike", {"reason": "wrong car"}).status_code == 200
    etag = stoats.get(question).headers["ETag"]
    stoats.post("/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05), vehicle="heron-one"))
    answer = stoats.get(question, If_None_Match=etag)
    assert any("measured on Merrow Heron 3.5 (1 car)" in caution for caution in answer.json["cautions"])


def test_a_retry_is_answered_even_where_a_part_was_renamed_since(admin, stoats):
    body = session(setup(), setup(["wide-pipe"], 1.05))
    first = stoats.post("/v1/sessions", body).json
    etag = admin.get("/v1/parts/wide-pipe").headers["ETag"]
    assert admin.patch("/v1/parts/wide-pipe", {"slug": "broad-pipe"}, If_Match=etag).status_code == 200
    again = stoats.post("/v1/sessions", body)
    assert (again.status_code, again.json["id"]) == (201, first["id"])


@pytest.mark.parametrize("after", ["²~1~a~b~c", "9223372036854775808~1~a~b~c", "1~1", "x"])
def test_an_invented_place_in_the_evidence_list_is_422(stoats, after):
    assert stoats.get(f"/v1/evidence?after={after}").status_code == 422


def test_a_parameter_a_post_would_not_read_is_refused(stoats):
    answer = stoats.post("/v1/sessions?dry_run=1", session(setup()))
    assert (answer.status_code, "dry_run" in answer.json["detail"]) == (422, True)
    assert stoats.get("/v1/sessions").json["items"] == []


def test_a_byte_order_mark_before_a_post_is_not_held_against_it(stoats):
    raw = b"\xef\xbb\xbf" + b'{"tag": "marked", "platform": "stoat"}'
    assert stoats.raw("POST", "/v1/vehicles", data=raw, content_type="application/json").status_code == 201


def test_a_bay_sees_the_newest_session_of_a_car_from_any_bay_and_else_its_own(stoats, north):
    for bay, day in (("north", 1), ("hub", 2), ("hub", 3)):
        assert stoats.post("/v1/sessions", session(setup(), bay=bay, day=day)).status_code == 201
    assert [item["bay"] for item in north.get("/v1/sessions").json["items"]] == ["north"]
    newest = north.get("/v1/sessions?vehicle=stoat-1").json["items"]
    assert [(item["bay"], item["started_at"][:10]) for item in newest] == [("hub", "2026-03-03")]
    assert north.get("/v1/sessions?bay=hub").status_code == 403
