"""Waiting, slow, failed, locked, empty: each says so, and each has a way out."""

import json

import pytest
from playwright.sync_api import Route, expect

from tests.dashboard.conftest import Ledger, Watched

pytestmark = pytest.mark.slow

API = "**/v1/typical-gain*"
WAIT_S = 5
GIVE_UP_S = 31


def problem(status: int, **fields: object):  # type: ignore[no-untyped-def]
    """A handler which answers with a problem document (RFC 9457)."""
    body = json.dumps({"type": "about:blank", "status": status, **fields})

    def answer(route: Route) -> None:
        route.fulfill(status=status, content_type="application/problem+json", body=body)

    return answer


def test_a_failure_says_so_gives_its_number_and_can_be_asked_again(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route(API, problem(500, title="Internal error", instance="a1b2c3"))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator("#answer")).to_contain_text("The ledger failed")
    expect(page.locator("#answer")).to_contain_text("a1b2c3")
    page.unroute(API)
    page.get_by_role("button", name="Ask again").click()
    expect(page.locator(".headline data").first).to_be_visible()


def test_a_dead_line_says_so_and_can_be_asked_again(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route(API, lambda route: route.abort())
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator("#answer")).to_contain_text("did not answer")
    page.unroute(API)
    page.get_by_role("button", name="Ask again").click()
    expect(page.locator(".headline data").first).to_be_visible()


def test_a_slow_answer_says_so_then_gives_up(watched: Watched, ledger: Ledger) -> None:
    page = watched.page
    page.clock.install()
    page.route(API, lambda route: None)
    question = ledger.best_question()
    with page.expect_request(API):
        page.goto(f"{watched.base}/gain.html?platform={question['platform']}&part={question['part']}")
    expect(page.locator("#answer")).to_contain_text("Asking the ledger")
    page.clock.fast_forward(WAIT_S * 1000)
    expect(page.locator("#answer")).to_contain_text("Still asking")
    expect(page.get_by_role("button", name="Stop and ask again")).to_be_visible()
    page.clock.fast_forward(GIVE_UP_S * 1000)
    expect(page.locator("#answer")).to_contain_text("did not answer")
    expect(page.get_by_role("button", name="Ask again")).to_be_visible()


def test_a_locked_ledger_asks_for_a_read_token_and_keeps_it_in_this_tab_only(
    cleared: Watched, ledger: Ledger
) -> None:
    def needs_token(route: Route) -> None:
        if route.request.headers.get("authorization") == "Bearer open-sesame":
            headers = {
                name: value for name, value in route.request.headers.items() if name != "authorization"
            }
            route.continue_(headers=headers)  # the running ledger has no such token
        else:
            problem(401, title="Unauthorized", detail="a token is needed")(route)

    cleared.page.route("**/v1/**", needs_token)
    page = cleared.open("gain.html", **ledger.best_question())
    field = page.get_by_label("Read token")
    assert field.get_attribute("type") == "password"
    field.fill("open-sesame")
    page.get_by_role("button", name="Use this token").click()
    expect(page.locator(".headline data").first).to_be_visible()
    expect(page.get_by_role("button", name="Forget the token")).to_be_visible()
    assert "open-sesame" not in page.url
    stored = page.evaluate(
        "() => [JSON.stringify(localStorage), document.cookie, JSON.stringify(sessionStorage)]"
    )
    assert ["open-sesame" in text for text in stored] == [False, False, True]


def test_a_wrong_token_is_told_apart_from_none(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/v1/**", problem(401, title="Unauthorized"))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator("#answer")).not_to_contain_text("not valid")
    for _ in range(2):
        page.get_by_label("Read token").fill("wrong")
        page.get_by_role("button", name="Use this token").click()
        expect(page.locator("#answer")).to_contain_text("not valid")
        expect(page.get_by_role("button", name="Forget the token")).to_have_count(1)


def test_a_kept_token_can_be_forgotten(cleared: Watched, ledger: Ledger) -> None:
    page = cleared.open("index.html")
    page.evaluate("() => sessionStorage.setItem('bayledger-token', 'x')")
    page.route("**/v1/**", problem(401, title="Unauthorized"))
    page.reload()
    page.get_by_role("button", name="Forget the token").click()
    expect(page.get_by_role("button", name="Forget the token")).to_have_count(0)
    assert page.evaluate("() => sessionStorage.getItem('bayledger-token')") is None


@pytest.mark.parametrize(
    ("status", "words"), [(429, "too often"), (422, "cannot answer this"), (403, "may not read")]
)
def test_a_refusal_is_said_in_words(cleared: Watched, ledger: Ledger, status: int, words: str) -> None:
    cleared.page.route(API, problem(status, title="Refused", detail="no such measure"))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator("#answer")).to_contain_text(words)
    assert page.locator("#answer button").count() == 1


@pytest.mark.parametrize("name", ["index.html", "gain.html", "spread.html"])
def test_an_empty_ledger_says_what_is_missing(cleared: Watched, name: str) -> None:
    nothing = json.dumps({"items": []})
    cleared.page.route("**/v1/**", lambda route: route.fulfill(content_type="application/json", body=nothing))
    page = cleared.open(name)
    expect(page.locator("#answer")).to_contain_text("Once a bay has posted")


def test_a_chart_that_cannot_be_drawn_leaves_words_and_table(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/vendor/vega.js", lambda route: route.abort())
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator(".headline data").first).to_be_visible()
    expect(page.locator(".chart").first).to_contain_text("could not be drawn")
    page.locator("summary", has_text="as a table").first.click()
    expect(page.locator("table").first).to_be_visible()


def test_numbers_that_cannot_be_saved_say_so_once_until_they_can(cleared: Watched) -> None:
    page = cleared.open("odd.html")
    button = page.get_by_role("button", name="Save the numbers").first
    page.route("**/v1/outliers*", problem(503, title="Too busy"))
    for _ in range(2):
        button.press("Enter")
        expect(page.get_by_role("alert")).to_have_text("Not saved: Too busy")
        expect(button).to_be_focused()
    page.unroute("**/v1/outliers*")
    with page.expect_download():
        button.press("Enter")
    expect(page.get_by_role("alert")).to_have_count(0)


def test_a_refusal_names_the_field_by_its_label_and_says_nothing_twice(
    cleared: Watched, ledger: Ledger
) -> None:
    errors = [{"parameter": "baseline", "value": "1", "detail": "is too low to be a car"}]
    cleared.page.route(API, problem(422, detail="is too low to be a car", errors=errors))
    page = cleared.open("gain.html", **ledger.best_question())
    lines = page.locator("#answer .trouble p").all_inner_texts()
    assert lines == ["The ledger cannot answer this: This car reads now: is too low to be a car"]


def test_several_faults_stand_each_behind_the_label_of_its_field(cleared: Watched, ledger: Ledger) -> None:
    errors = [{"parameter": "baseline", "detail": "too low"}, {"parameter": "nowhere", "detail": "not read"}]
    cleared.page.route(API, problem(422, detail="2 faults in the request", errors=errors))
    page = cleared.open("gain.html", **ledger.best_question())
    lines = page.locator("#answer .trouble p").all_inner_texts()
    assert lines == [
        "The ledger cannot answer this: 2 faults in the request", "This car reads now: too low", "not read",
    ]  # fmt: skip


def test_the_notice_of_a_locked_ledger_says_how_a_token_is_made(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/v1/**", problem(401, title="Unauthorized"))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator("#answer")).to_contain_text("bayledger token create --scope read --name counter")


@pytest.mark.parametrize(
    ("name", "asked", "words"),
    [
        ("gain.html", {"measure": "banana"}, "asks for measure 'banana', which this page does not know; shown is Peak power."),
        ("spread.html", {"measure": "banana"}, "shown is Peak power."),
        ("worth.html", {"baseline": "abc"}, "asks for baseline 'abc', which this page does not know; it is left out."),
        ("odd.html", {"since": "someday"}, "asks for since 'someday', which this page does not know; it is left out."),
        ("bays.html", {"day": "someday"}, "asks for day 'someday'"),
        ("sheet.html", {"units": "furlongs"}, "shown is As the shop uses."),
        ("car.html", {"units": "furlongs"}, "shown is As the shop uses."),
    ],
)  # fmt: skip
def test_what_the_address_asks_for_and_the_page_does_not_know_is_said(
    cleared: Watched, name: str, asked: dict[str, str], words: str
) -> None:
    page = cleared.open(name, **asked)
    told = page.locator("#asking + [role=status]")
    expect(told).to_contain_text(words)
    page.locator("#units" if page.locator("#units").count() else "#day").dispatch_event("change")
    expect(told).to_have_text("")


def test_an_address_that_a_page_made_is_known_to_it(cleared: Watched, ledger: Ledger) -> None:
    question = {
        **ledger.best_question(),
        "measure": "band_power",
        "from": "3000",
        "to": "5500",
        "baseline": "120.5",
    }
    page = cleared.open("gain.html", **question)
    expect(page.locator("#asking + [role=status]")).to_have_text("")
