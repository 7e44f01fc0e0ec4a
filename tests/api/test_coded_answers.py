"""Large answers are compressed for those who take gzip, under an ETag of their own (RFC 9110 sections 8.4, 8.8.3)."""

import gzip
import json

import pytest

from tests.api.gains import GAIN, measured

TAKES = {"Accept_Encoding": "gzip, deflate, br"}


@pytest.fixture
def plain(stoats):
    """A large answer as it is without compression."""
    measured(stoats, 4, 5, 6)
    response = stoats.get(GAIN)
    assert len(response.data) > 4096
    return response


def test_who_takes_gzip_gets_the_same_document_smaller(stoats, plain):
    coded = stoats.get(GAIN, **TAKES)
    assert coded.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(coded.data) == plain.data
    assert int(coded.headers["Content-Length"]) == len(coded.data) < len(plain.data) / 3


def test_who_does_not_take_it_gets_it_plain_and_caches_are_told_of_both(stoats, plain):
    assert "Content-Encoding" not in plain.headers
    for asked in ({}, TAKES, {"Accept_Encoding": "gzip;q=0, br"}):
        response = stoats.get(GAIN, **asked)
        assert "Accept-Encoding" in response.headers["Vary"]
        assert ("Content-Encoding" in response.headers) == (asked is TAKES)


def test_its_etag_is_another_and_each_is_answered_304(stoats, plain):
    coded = stoats.get(GAIN, **TAKES).headers["ETag"]
    assert coded != plain.headers["ETag"]
    for tag, asked in ((coded, TAKES), (plain.headers["ETag"], {}), (coded, {})):
        again = stoats.get(GAIN, If_None_Match=tag, **asked)
        assert (again.status_code, again.headers["ETag"], again.data) == (304, tag, b"")


def test_a_304_tells_caches_of_both_as_its_answer_did(stoats, plain):
    """RFC 9110, section 15.4.5: Vary is sent with 304 as it would be with 200, or a cache forgets it."""
    for path in (GAIN, "/v1/checks"):
        read = stoats.get(path)
        again = stoats.get(path, If_None_Match=read.headers["ETag"])
        assert (again.status_code, set(again.vary)) == (304, set(read.vary))
        assert "accept-encoding" in again.vary


def test_a_change_is_held_against_the_version_whichever_was_read(admin, stoats):
    words = " ".join(f"step {n}" for n in range(1500))
    part = {
        "slug": "long-words",
        "name": "Long words",
        "slots": ["intake-pipe"],
        "fitting_notes": words[:9000],
    }
    made = admin.post("/v1/parts", part)
    assert made.status_code == 201, made.text
    read = admin.get("/v1/parts/long-words", **TAKES)
    assert read.headers["Content-Encoding"] == "gzip"
    tag = read.headers["ETag"]
    assert admin.patch("/v1/parts/long-words", {"name": "Longer"}, If_Match=tag).status_code == 200
    assert admin.patch("/v1/parts/long-words", {"name": "Late"}, If_Match=tag).status_code == 412


def test_a_page_of_csv_is_compressed_too(stoats, plain):
    paths = {"/v1/sessions?limit=500", "/v1/checks"}
    large = [path for path in paths if len(stoats.get(path, Accept="text/csv").data) > 4096]
    assert large
    for path in large:
        coded = stoats.get(path, Accept="text/csv", **TAKES)
        assert gzip.decompress(coded.data) == stoats.get(path, Accept="text/csv").data


def test_what_is_small_goes_out_as_it_is(stoats):
    response = stoats.get("/v1/platforms/stoat", **TAKES)
    assert "Content-Encoding" not in response.headers
    assert json.loads(response.data)["slug"] == "stoat"
