"""What stands in an address or a header: any text is answered or refused as a problem, and pages are gone through whole."""

import re
from binascii import crc32
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.fuzz.filled import Filled

QUIET = settings(
    max_examples=12, derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck)
)
LISTS = {
    "/v1/platforms": "slug", "/v1/vehicles": "tag", "/v1/parts": "slug", "/v1/slots": "slug", "/v1/bays": "slug",
    "/v1/sessions": "id", "/v1/history": "id", "/v1/evidence": None, "/v1/vehicles/stoat-1/modifications": "id",
    "/v1/bays/north/events": "id", "/v1/bays/hub/corrections": "id", "/v1/stock-evidence": "platform",
}  # fmt: skip
"""Every list, and what tells its items apart."""
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
CURSORS = TEXTS | st.sampled_from(
    [
        "2026-03-18T10:00:00+00:00~1", "2026-03-18~1", "2026-03-18_1", "0001-01-01T00:00:00+23:59~1", "0001-01-01T00:00:00~1",
        "9999-12-31T23:59:59-23:59~1", "9999-12-31T23:59:59-23:59_1", "0001-01-01_1", "~", "_", "1~2~3", "2026-03-18T10:00:00+00:00~99999999999999999999",
        "2026-03-18T10:00:00+00:00~-1", "99999999999999999999", "9223372036854775807", "9223372036854775808", "-1", "1e3", "٣",
    ]
)  # fmt: skip
HEADERS = st.text(st.characters(min_codepoint=32, max_codepoint=255, exclude_characters="\x7f"), max_size=40)
TAGS = HEADERS | st.sampled_from(
    ['"v1"', "*", 'W/"v1"', '"v1", "v2"', '"', '""', "v1", '"v99999999999999999999"', ","]
)
TIMES = st.datetimes(timezones=st.timezones() | st.none()).map(lambda at: at.isoformat())


def refused_or_answered(response) -> int:
    """The status; never a fault of ours, and a refusal is a problem document with its way out."""
    assert response.status_code < 500, response.text
    if response.status_code >= 400:
        assert response.content_type == "application/problem+json"
        assert response.json["status"] == response.status_code
        assert response.json["detail"]
    return response.status_code


@pytest.mark.parametrize("path", LISTS)
@settings(QUIET, max_examples=6)  # of each list
@given(after=CURSORS, limit=st.integers(-1, 501) | TEXTS)
def test_any_place_in_a_list_is_answered_or_refused(shop: Filled, path, after, limit):
    status = refused_or_answered(shop.client.get(f"{path}?after={quote(after)}&limit={quote(str(limit))}"))
    assert status in (200, 422)


@pytest.mark.parametrize("path", LISTS)
@pytest.mark.parametrize("limit", [1, 3])
def test_pages_of_any_size_hold_every_item_once_and_in_the_same_order(shop: Filled, path, limit):
    whole = shop.client.get(f"{path}?limit=500").json["items"]
    paged, onward = [], f"{path}?limit={limit}"
    while onward:
        answer = shop.client.get(onward)
        paged += answer.json["items"]
        link = re.search(r'<([^>]*)>; rel="next"', answer.headers.get("Link", ""))
        onward = link and link[1]
        assert len(paged) <= len(whole)
    assert paged == whole
    assert whole, path


@QUIET
@given(query=st.text(st.characters(exclude_categories=["Cs"]), max_size=60))
@example("&&=&=a&limit")
@example("limit=1&limit=2")
@example("%")
@example("%ff%00=%80")
@example(";limit=1")
def test_any_query_string_is_answered_or_refused(shop: Filled, query):
    for path in ("/v1/sessions", "/v1/typical-gain", "/v1/search", "/v1/correction-factor"):
        refused_or_answered(shop.client.get(f"{path}?{query.replace('#', '')}"))


@QUIET
@given(name=TEXTS.filter(lambda name: name.strip("./")))
def test_any_name_in_an_address_is_found_or_refused(shop: Filled, name):
    for path in ("vehicles/{}", "parts/{}", "bays/{}/days", "platforms/{}/stock-spread", "sheets/{}", "sessions/{}", "pulls/{}",
                 "settings/{}/history", "sessions/{}/setups/1/curve"):  # fmt: skip
        refused_or_answered(shop.client.get("/v1/" + path.format(quote(name, safe=""))))


@QUIET
@given(since=TIMES | TEXTS)
def test_sessions_since_any_time_are_answered_or_refused(shop: Filled, since):
    assert refused_or_answered(shop.client.get(f"/v1/sessions?since={quote(since)}")) in (200, 422)


@QUIET
@given(tag=TAGS)
def test_only_the_records_own_tag_lets_it_be_changed(shop: Filled, tag):
    path = "/v1/parts/mesh-pipe"
    now = shop.client.get(path).headers["ETag"]
    status = refused_or_answered(shop.client.patch(path, {"labour_hours": 1.5}, If_Match=tag))
    named = "*" in re.split(r"[\s,]+", tag) or now.partition(".")[0].strip('"') in tag
    assert status in ((200,) if status == 200 and named else (412, 428)), tag


@QUIET
@given(tag=TAGS)
def test_any_tag_that_somebody_says_they_have_is_taken_for_what_it_is(shop: Filled, tag):
    own = shop.client.get("/v1/parts/wide-pipe").headers["ETag"]
    status = refused_or_answered(shop.client.get("/v1/parts/wide-pipe", If_None_Match=tag))
    assert status == 200 or (status == 304 and "*" in tag)
    assert shop.client.get("/v1/parts/wide-pipe", If_None_Match=f'"another", {own}').status_code == 304


@QUIET
@given(key=HEADERS.filter(str.strip))
def test_any_key_of_a_post_is_kept_with_its_answer_or_refused(shop: Filled, key):
    body = {"slug": f"slot-{crc32(key.encode())}", "name": "A slot"}
    first = shop.client.post("/v1/slots", body, Idempotency_Key=key)
    again = shop.client.post("/v1/slots", body, Idempotency_Key=key)
    assert refused_or_answered(first) in (201, 422)
    assert (again.status_code, again.json) == (first.status_code, first.json)


@QUIET
@given(
    accept=HEADERS
    | st.sampled_from(["text/csv", "text/csv;q=x", "*/*;q=0", "text/*", "a/b;q=1e9", ";;", ","])
)
def test_any_form_that_is_asked_for_is_given_or_refused(shop: Filled, accept):
    assert refused_or_answered(shop.client.get("/v1/parts", Accept=accept)) in (200, 406)


@QUIET
@given(
    value=HEADERS
    | st.sampled_from(
        ["Bearer", "Bearer ", "Basic YTpi", "bearer x y", "Bearer " + "x" * 9000, "Bearer \xff"]
    )
)
def test_any_authorization_but_a_token_is_401(shop: Filled, value):
    answer = shop.app.test_client().get("/v1/vehicles", headers={"Authorization": value})
    status = refused_or_answered(answer)
    assert status in (401, 429), "429: too many wrong ones"
    assert status == 429 or answer.headers["WWW-Authenticate"].startswith("Bearer ")
