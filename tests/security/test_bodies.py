"""Bodies made to do harm: packed, endless, bottomless; and fields that nobody may set."""

import gzip
import io
import re
import time
from contextlib import nullcontext
from dataclasses import replace
from typing import Any

import orjson
import pytest

from service.app import create_app
from service.schemas.base import MOST_FIELDS
from tests.api.bodies import NEW, session
from tests.conftest import SETTINGS, Client
from tests.tokens import new_token

BOMB = gzip.compress(b"x" * 20_000_000, 9)
"""Some twenty kilobytes that unpack to twenty million bytes."""
EASY = 20.0
"""A refusal may take so many times as long as reading the JSON does (our choice; before, it took thousands)."""
HARMFUL = {
    "setups": {"setups": [{}] * 200_000},
    "pulls": {"setups": [{"parts": [], "pulls": [{}] * 200_000}]},
    "parts": {"setups": [{"parts": ["a"] * 200_000, "pulls": []}]},
    "fields of a session": {f"field-{n}": n for n in range(100_000)},
    "fields of a setup": {"setups": [{f"field-{n}": n for n in range(100_000)}]},
    "resolutions": {
        "setups": [{"parts": [], "pulls": [{"basis": "observed", "curve": {"resolution": {str(n): 1 for n in range(100_000)}}}]}]
    },
    "samples": {
        "setups": [{"parts": [], "pulls": [{"basis": "observed", "curve": {"rpm": [1] * 400_000, "torque": [1] * 400_000}}]}]
    },
    "words": {"setups": [], "operator": "x" * 2_000_000},
}  # fmt: skip


def raw(client, path: str, data: bytes, headers: dict[str, str] | None = None):
    return client.raw("POST", path, data=data, content_type="application/json", headers=headers)


@pytest.mark.parametrize("path", NEW)
def test_a_compressed_body_is_refused_unpacked_by_nobody(shop, path):
    begun = time.thread_time()
    answer = raw(shop, path, BOMB, {"Content-Encoding": "gzip"})
    assert answer.status_code == 415
    assert "compressed; send it plain" in answer.json["detail"]
    assert raw(shop, path, BOMB).status_code == 400, "without the header it is no JSON"
    assert time.thread_time() - begun < 0.5


def test_a_body_may_have_as_many_bytes_as_is_set_and_not_one_more(connection):
    app = create_app(replace(SETTINGS, max_body_bytes=1000), connect=lambda: nullcontext(connection))
    client = Client(app.test_client(), new_token(connection, scope="admin"))
    assert raw(client, "/v1/parts", b"{}".ljust(1000)).status_code == 422
    assert raw(client, "/v1/parts", b"{}".ljust(1001)).status_code == 413


@pytest.mark.parametrize("kind", ["br", "deflate", "zstd", "gzip, gzip"])
def test_no_other_coding_is_taken_either(shop, kind):
    assert raw(shop, "/v1/parts", b"x", {"Content-Encoding": kind}).status_code == 415


def nested(depth: int, within: str) -> bytes:
    """A JSON text that many levels deep, of lists or of objects."""
    opened, closed = ("[", "]") if within == "list" else ('{"a":', "}")
    return (opened * depth + "1" + closed * depth).encode()


@pytest.mark.parametrize("within", ["list", "object"])
@pytest.mark.parametrize("depth", [30, 300, 1000, 100_000])
def test_json_of_any_depth_in_any_field_is_refused_and_never_breaks(shop, within, depth):
    deep = nested(depth, within)
    whole = [raw(shop, path, deep).status_code for path in NEW]
    assert set(whole) <= {400, 422}
    for path, body in {**NEW, "/v1/sessions": session([])}.items():
        for field in body:
            changed = orjson.dumps({**body, field: "DEEP"}).replace(b'"DEEP"', deep)
            assert raw(shop, path, changed).status_code in (400, 422), (path, field)


@pytest.mark.parametrize("within", ["list", "object"])
def test_deep_json_inside_a_session_is_refused_and_never_breaks(shop, within):
    text = orjson.dumps(session([])).decode()
    places = [found.end() for found in re.finditer(r'":', text)]
    for place in places:
        value = re.compile(r'"[^"]*"|[\d.]+|\[\]|null|true|false').match(text, place)
        if value is not None:
            changed = text[:place] + nested(900, within).decode() + text[value.end() :]
            assert raw(shop, "/v1/sessions", changed.encode()).status_code in (400, 422), text[
                place - 20 : place
            ]


def test_deep_json_in_a_setting_is_refused(shop):
    etag = shop.get("/v1/settings").headers["ETag"]
    for name in ("windows", "checks", "currency", "labour_rate"):
        for within in ("list", "object"):
            body = b'{"%s": %s}' % (name.encode(), nested(900, within))
            answer = shop.raw(
                "PATCH",
                "/v1/settings",
                data=body,
                content_type="application/json",
                headers={"If-Match": etag},
            )
            assert answer.status_code in (400, 422), (name, answer.text)


@pytest.mark.parametrize("what", HARMFUL)
def test_an_endless_list_is_counted_before_it_is_read(shop, what):
    body = orjson.dumps({**session([]), **HARMFUL[what]} if "session" not in what else HARMFUL[what])
    begun = time.thread_time()
    orjson.loads(body)
    reading = max(time.thread_time() - begun, 0.005)
    begun = time.thread_time()
    answer = raw(shop, "/v1/sessions", body)
    took = time.thread_time() - begun
    assert answer.status_code == 422, answer.text[:300]
    assert took < EASY * reading, f"{took / reading:.0f} times as long as reading it"
    assert len(answer.data) < 4_000, "the answer to much is not much"


def test_as_many_fields_as_any_document_has_are_taken_for_a_document():
    from service.schemas.base import Document

    def below(kind: type) -> list[type]:
        return [kind, *(one for sub in kind.__subclasses__() for one in below(sub))]

    assert max(len(kind._declared_fields) for kind in below(Document)) < MOST_FIELDS / 2


def test_a_body_in_chunks_is_refused_before_it_is_read(shop):
    assert raw(shop, "/v1/parts", b"{}", {"Transfer-Encoding": "chunked"}).status_code == 411


def test_nobody_without_a_token_makes_the_ledger_read_a_body(app, nobody):
    """The largest body costs nothing before it is known who sends it."""

    class Unread(io.BytesIO):
        def read(self, *_: int | None) -> bytes:
            raise AssertionError("the body was read")

    for path in [*NEW, "/v1/sessions", "/v1/nothing"]:
        answer = nobody.raw(
            "POST",
            path,
            input_stream=Unread(bytes(1_000_000)),
            content_type="application/json",
        )
        assert answer.status_code in (401, 404)


NOT_THEIRS: dict[str, dict[str, Any]] = {
    "/v1/sessions": {"struck": "x", "version": 9, "posted_by": "me", "received_at": "2026-03-18T16:20:00Z",
                     "bay_id": 1, "vehicle_id": 1, "content_hash": "00", "checks": [], "pairs": []},
    "/v1/platforms": {"platform_id": 1, "version": 9, "created_at": "2026-03-18T16:20:00Z"},
    "/v1/vehicles": {"vehicle_id": 1, "version": 9, "vin_hash": "00", "merged_into": "x", "erased_at": None},
    "/v1/parts": {"part_id": 1, "version": 9, "merged_into": "x", "merged_from": []},
    "/v1/bays": {"bay_id": 1, "version": 9, "created_at": "2026-03-18T16:20:00Z"},
    "/v1/slots": {"ordinal": 1},
    "/v1/bays/north/events": {"id": 1, "bay": "north", "bay_event_id": 7},
    "/v1/bays/north/corrections": {"id": 1, "made_by": "me", "undone_at": None},
    "/v1/vehicles/car-a/modifications": {"id": 1, "vehicle": "car-a", "modification_id": 7, "checks": []},
}  # fmt: skip
"""Columns and answers that a body must not set."""


@pytest.mark.parametrize("path", NOT_THEIRS)
def test_what_the_ledger_alone_sets_is_refused_in_a_post_and_nothing_is_kept(shop, connection, path):
    body = session([]) if path == "/v1/sessions" else NEW[path]
    kept = connection.execute("SELECT count(*) FROM history").fetchone()
    for field, value in NOT_THEIRS[path].items():
        answer = shop.post(path, {**body, field: value})
        assert answer.status_code == 422, (field, answer.text)
        assert f"/{field}" in [fault["pointer"] for fault in answer.json["errors"]], (field, answer.text)
    assert connection.execute("SELECT count(*) FROM history").fetchone() == kept


WRITES = re.compile(r"<(?:uuid:|int:)?(\w+)>")
HERE = {"id": "00000000-0000-4000-8000-000000000000", "slug": "north", "tag": "car-a", "n": "1", "pull_id": "1",
        "event_id": "1", "modification_id": "1", "correction_id": "1"}  # fmt: skip


def test_every_address_that_takes_a_body_refuses_a_field_it_does_not_know(app, shop):
    """Where a document is read at all; an address that names nothing here is 404, a change without its version 428."""
    told: dict[str, int] = {}
    for rule in app.url_map.iter_rules():
        for method in rule.methods & {"POST", "PATCH"}:
            path = WRITES.sub(lambda found: HERE[found[1]], rule.rule)
            answer = shop.raw(method, path, json={"is_admin": True}, headers={"If-Match": "*"})
            told[f"{method} {rule.rule}"] = answer.status_code
            assert answer.status_code == 422, (rule.rule, answer.text)
            assert "/is_admin" in [fault["pointer"] for fault in answer.json["errors"]]
    print(f"addresses that take a body: {len(told)}; took a field they do not know: 0")
    assert len(told) > 30
