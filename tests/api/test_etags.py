"""An ETag moves with all that is shown; a change is held against its version alone."""

import pytest

from tests.api.gains import GAIN, measured
from tests.factories import session, setup

READ = {
    "a record": "/v1/platforms/stoat",
    "a list": "/v1/parts",
    "a kept answer": GAIN,
    "what was found": "/v1/search?q=stoat",
    "the description of the service": "/v1/openapi.json",
    "a page": "/style.css",
}
COMPARED = [
    # RFC 9110, section 8.8.3.2, table "Comparing Entity Tags": (theirs, strong, weak), ours being "1".
    ('W/"1"', False, True),
    ('W/"2"', False, False),
    ('"1"', True, True),
    ('"2"', False, False),
]
"""What is sent for the tag that was read, and whether it matches by the strong and by the weak comparison."""


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
    "path",
    ["/v1/parts", "/v1/sessions", "/v1/platforms/stoat", "/v1/settings", "/v1/openapi.json", "/style.css"],
)
def test_an_if_match_is_of_changes_and_no_matter_to_what_is_read(stoats, path, tag):
    read = stoats.get(path, If_Match=tag)
    assert (read.status_code, read.data) == (200, stoats.get(path).data)
    assert stoats.get(path, If_None_Match=read.headers["ETag"], If_Match=tag).status_code == 304


def as_sent(written: str, etag: str) -> str:
    """A tag of the table with the ledger's own in the place of 1."""
    return written.replace('"1"', etag)


@pytest.mark.parametrize("what", READ)
@pytest.mark.parametrize(("written", "_", "matches"), COMPARED)
def test_whatever_is_read_is_held_against_if_none_match_by_the_weak_comparison(
    stoats, what, written, _, matches
):
    """RFC 9110, section 13.1.2."""
    measured(stoats, 4, 5)
    etag = stoats.get(READ[what]).headers["ETag"]
    assert not etag.startswith("W/")
    again = stoats.get(READ[what], If_None_Match=as_sent(written, etag))
    assert (again.status_code, again.headers["ETag"]) == (304 if matches else 200, etag)
    assert (again.data == b"") == matches


@pytest.mark.parametrize(("written", "matches", "_"), COMPARED)
def test_a_change_is_held_against_if_match_by_the_strong_comparison(admin, stoats, written, matches, _):
    """RFC 9110, section 13.1.1."""
    read = admin.get("/v1/platforms/stoat")
    sent = as_sent(written, read.headers["ETag"])
    answer = admin.patch("/v1/platforms/stoat", {"maker": "Ardmore"}, If_Match=sent)
    assert (answer.status_code == 200) == matches
    assert (admin.get("/v1/platforms/stoat").json == read.json) != matches


def test_a_change_by_a_tag_that_a_proxy_weakened_is_told_so_and_not_that_somebody_was_faster(admin, stoats):
    """Who is told 412 reads the record again, gets a weak tag again, and is told 412 again."""
    weak = f"W/{admin.get('/v1/platforms/stoat').headers['ETag']}"
    told = admin.patch("/v1/platforms/stoat", {"maker": "Ardmore"}, If_Match=weak)
    assert told.status_code == 428
    assert "weak ETag" in told.json["detail"]
    assert "proxy" in told.json["detail"]
    with_an_old_one = admin.patch("/v1/platforms/stoat", {"maker": "Ardmore"}, If_Match=f'{weak}, "v9.0"')
    assert with_an_old_one.status_code == 412


@pytest.mark.parametrize("tag", ["*", '"v1"', 'W/"v1"'])
def test_an_if_none_match_is_no_condition_of_a_change_and_not_passed_over(admin, stoats, tag):
    """RFC 9110, section 13.1.2: it must not be performed where the condition is false, nor answered 304."""
    read = admin.get("/v1/platforms/stoat")
    change = {"If_Match": read.headers["ETag"], "If_None_Match": tag}
    told = admin.patch("/v1/platforms/stoat", {"maker": "Ardmore"}, **change)
    assert (told.status_code, "If-None-Match" in told.json["detail"]) == (422, True)
    assert admin.get("/v1/platforms/stoat").json == read.json
    assert admin.post("/v1/slots", {"slug": "roof", "name": "Roof"}, If_None_Match=tag).status_code == 422
    assert admin.get("/v1/slots").text.count('"roof"') == 0


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
