"""What every answer tells a browser, whatever became of the request; and that nobody writes headers or log lines of ours.

Sources: OWASP HTTP Headers Cheat Sheet; Fetch standard, 3.2 (CORS).
"""

import logging

import pytest

from service.app import SECURITY_HEADERS
from service.cli.logs import JsonLines, TextLines
from tests.conftest import Client
from tests.tokens import new_token

ANSWERS = {
    "a list": (200, "GET", "/v1/parts", {}),
    "a list as CSV": (200, "GET", "/v1/parts", {"headers": {"Accept": "text/csv"}}),
    "a large answer": (200, "GET", "/v1/openapi.json", {"headers": {"Accept-Encoding": "gzip"}}),
    "the front page": (200, "GET", "/", {}),
    "the document to be read": (200, "GET", "/v1/docs", {}),
    "figures for who watches": (200, "GET", "/metrics", {}),
    "health": (200, "GET", "/v1/health", {}),
    "no such address": (404, "GET", "/v1/nothing", {}),
    "no such page": (404, "GET", "/nothing.html", {"headers": {"Accept": "text/html"}}),
    "no such record": (404, "GET", "/v1/parts/nothing", {}),
    "no such method": (405, "DELETE", "/v1/parts", {}),
    "another form": (406, "GET", "/v1/parts", {"headers": {"Accept": "image/png"}}),
    "no version": (428, "PATCH", "/v1/parts/side-feed-plenum", {"json": {}}),
    "broken JSON": (400, "POST", "/v1/parts", {"data": "{", "content_type": "application/json"}),
    "a form": (415, "POST", "/v1/parts", {"data": {"slug": "a"}}),
    "an unknown field": (422, "POST", "/v1/parts", {"json": {"colour": "red"}}),
    "a preflight": (200, "OPTIONS", "/v1/parts", {"headers": {"Origin": "https://elsewhere.invalid"}}),
}  # fmt: skip


def asked(client: Client, what: str):
    status, method, path, how = ANSWERS[what]
    answer = client.raw(
        method, path, **{name: dict(v) if isinstance(v, dict) else v for name, v in how.items()}
    )
    assert answer.status_code == status, answer.text
    return answer


@pytest.mark.parametrize("what", ANSWERS)
def test_every_answer_carries_every_security_header_once(shop, what):
    answer = asked(shop, what)
    for name, value in SECURITY_HEADERS.items():
        assert answer.headers.getlist(name) == [value], name


def test_what_they_say_is_the_strictest_that_their_standards_know(nobody):
    """Fetch standard (nosniff, CORP), HTML standard (COOP), Referrer Policy, RFC 7034."""
    said = nobody.get("/").headers
    assert said["X-Content-Type-Options"] == "nosniff"
    assert said["X-Frame-Options"] == "DENY"
    assert said["Referrer-Policy"] == "no-referrer"
    assert said["Cross-Origin-Opener-Policy"] == said["Cross-Origin-Resource-Policy"] == "same-origin"


def test_so_do_401_403_413_429_and_500(app, shop, reader, nobody, monkeypatch):
    monkeypatch.setitem(app.config, "MAX_CONTENT_LENGTH", 10)
    refused = {
        401: nobody.get("/v1/parts"),
        403: reader.post("/v1/parts", {}),
        413: shop.post("/v1/parts", {"name": "x" * 100}),
    }
    wrong = Client(app.test_client(), "bay_wrong")
    refused[429] = [wrong.get("/v1/parts") for _ in range(61)][-1]
    monkeypatch.setattr("service.store.slots.list_slots", lambda *_, **__: 1 / 0)
    refused[500] = shop.get("/v1/slots")
    for status, answer in refused.items():
        assert answer.status_code == status, answer.text
        assert {name: answer.headers[name] for name in SECURITY_HEADERS} == SECURITY_HEADERS


@pytest.mark.parametrize("what", ANSWERS)
def test_no_answer_lets_a_page_from_elsewhere_read_it(shop, what):
    answer = asked(shop, what)
    assert [name for name, _ in answer.headers if name.lower().startswith("access-control-")] == []


def test_a_preflight_for_a_post_from_elsewhere_permits_nothing(shop):
    ask = {
        "Origin": "https://elsewhere.invalid",
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "authorization, content-type",
    }
    answer = shop.raw("OPTIONS", "/v1/sessions", headers=ask)
    assert [name for name, _ in answer.headers if name.lower().startswith("access-control-")] == []


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"]
)
def test_what_a_foreign_page_can_send_without_asking_is_not_taken_as_json(shop, kind):
    """The three content types that need no preflight (Fetch, 2.2.2)."""
    answer = shop.raw("POST", "/v1/parts", data='{"slug": "a", "name": "a", "slots": []}', content_type=kind)
    assert answer.status_code == 415


def test_a_cookie_opens_nothing_so_no_page_can_ride_on_one(app, shop):
    browser = app.test_client()
    for name in ("token", "session", "Authorization"):
        browser.set_cookie(name, shop.token)
    assert browser.get("/v1/parts").status_code == 401
    assert "Set-Cookie" not in shop.get("/v1/parts").headers


def test_the_policy_of_pages_allows_nothing_inline_nothing_from_elsewhere_and_no_frame(nobody):
    rules = dict(
        rule.split(" ", 1) for rule in nobody.get("/").headers["Content-Security-Policy"].split("; ")
    )
    assert rules["default-src"] == "'none'"
    assert rules["frame-ancestors"] == rules["base-uri"] == "'none'"
    assert {rules[name] for name in ("script-src", "style-src", "connect-src", "form-action")} == {"'self'"}
    assert "unsafe" not in str(rules)


@pytest.mark.parametrize(
    "path",
    [
        "/v1/parts/a%0d%0aSet-Cookie:%20b=c",
        "/v1/vehicles/a%0d%0aX-Bad:%201/modifications",
        "/v1/bays/a%0aX-Bad:%201/events",
        "/a%0d%0aX-Bad:%201.html",
        "/v1/parts?q=a%0d%0aX-Bad:%201&limit=1",
        "/v1/parts?after=a%0d%0aX-Bad:%201",
        "/v1/parts/%C3%A9%F0%9F%94%A7",
        "/v1/parts/%ff%fe",
    ],
)
def test_a_line_end_in_an_address_writes_no_header(shop, path):
    answer = shop.get(path)
    assert answer.status_code in (200, 404, 422), answer.text
    assert [name for name, _ in answer.headers if name in ("X-Bad", "Set-Cookie")] == []
    assert all("\n" not in value and "\r" not in value for _, value in answer.headers)


@pytest.mark.parametrize("id", ["a\tb", "a b", "<script>", "a" * 65, "é", ""])
def test_an_id_of_the_callers_own_comes_back_only_where_it_is_plain(shop, id):
    answer = shop.raw("GET", "/v1/parts", headers={"X-Request-Id": id})
    assert answer.headers["X-Request-Id"] != id
    assert shop.get("/v1/parts", X_Request_Id="bay-3.7").headers["X-Request-Id"] == "bay-3.7"


def test_markup_in_an_address_comes_back_as_json_that_no_browser_runs(nobody):
    answer = nobody.get("/v1/%3Cscript%3Ealert(1)%3C/script%3E")
    assert (answer.status_code, answer.content_type) == (404, "application/problem+json")
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("form", [JsonLines, TextLines])
def test_what_somebody_sent_begins_no_line_of_the_log(shop, monkeypatch, caplog, form):
    monkeypatch.setattr("service.ledger.merged_parts.get_part", lambda *_, **__: 1 / 0)
    with caplog.at_level(logging.DEBUG):
        assert shop.get("/v1/parts/a%0aCRITICAL%20the%20shop%20burns").status_code == 500
        logging.getLogger("bayledger").warning("named %s", "a\nCRITICAL the shop burns\x1b[31m\u202e")
    lines = [line for record in caplog.records for line in form().format(record).splitlines()]
    assert len([line for line in lines if "the shop burns" in line]) == 1, (
        "an address is not written down at all"
    )
    assert [line for line in lines if line.startswith("CRITICAL")] == []
    assert all(one.isprintable() for one in lines)


def test_no_token_stands_in_the_log(app, connection, shop, caplog):
    token = new_token(connection, scope="read", name="counter")
    client = Client(app.test_client(), token)
    with caplog.at_level(logging.DEBUG):
        client.get("/v1/parts")
        client.post("/v1/parts", {})
        Client(app.test_client(), "bay_wrong-but-near").get("/v1/parts")
    assert token not in caplog.text
    assert "bay_wrong-but-near" not in caplog.text
