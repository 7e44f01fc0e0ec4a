"""The start page: search as you type."""

import json
import re

import pytest
from playwright.sync_api import Page, Route, expect

from tests.dashboard.conftest import Ledger, Watched

SEARCH = re.compile(r"/v1/search\?")


@pytest.fixture
def start(cleared: Watched) -> Page:
    """The start page, nothing typed."""
    return cleared.open("index.html")


def typed(cleared: Watched, words: str) -> Page:
    """The start page with something typed, its answer shown."""
    cleared.page.get_by_role("searchbox").press_sequentially(words)
    expect(cleared.page.locator("#found")).to_contain_text(f"“{words}”")
    cleared.settle()
    return cleared.page


def test_what_is_typed_is_answered_with_links_and_their_evidence(
    start: Page, cleared: Watched, ledger: Ledger
) -> None:
    typed(cleared, "silencer stoat")
    found = ledger.ask("/v1/search", q="silencer stoat")["questions"]
    lines = start.locator("#results section", has_text="A part on a kind of car").locator("li")
    assert lines.count() == len(found) > 0
    for line, row in zip(lines.all(), found, strict=True):
        cars = "1 car," if row["cars"] == 1 else f"{row['cars']} cars,"
        expect(line).to_contain_text(cars)
        expect(line).to_contain_text(row["platform_name"])
    expect(start.locator("#found")).to_contain_text(f"{len(found)} found")


def test_only_the_last_of_what_was_typed_is_asked_for(start: Page, cleared: Watched) -> None:
    typed(cleared, "silencer")
    asked = [url for url in cleared.requests if SEARCH.search(url)]
    assert "q=silencer" in asked[-1]
    assert len(asked) < len("silencer")


def test_an_older_answer_that_comes_late_changes_nothing(start: Page, cleared: Watched) -> None:
    held: list[Route] = []
    start.route(re.compile(r"/v1/search\?q=sil&"), lambda route: held.append(route))
    start.get_by_role("searchbox").fill("sil")
    start.wait_for_event("request", lambda request: bool(SEARCH.search(request.url)))
    start.get_by_role("searchbox").fill("plenum")
    expect(start.locator("#found")).to_contain_text("“plenum”")
    assert start.evaluate("() => document.querySelectorAll('#results [href*=plenum]').length") > 0
    assert start.locator("#results a[href*=silencer]").count() == 0


def test_enter_goes_to_the_first_answer_and_again_opens_it(start: Page, cleared: Watched) -> None:
    start.get_by_role("searchbox").fill("silencer stoat")
    start.keyboard.press("Enter")
    expect(start.locator("#results a").first).to_be_focused()
    start.keyboard.press("Enter")
    cleared.settle()
    assert "/gain.html?" in start.url
    expect(start.locator(".headline data").first).to_be_visible()


def test_enter_opens_the_only_answer(start: Page, cleared: Watched, ledger: Ledger) -> None:
    tag = ledger.ask("/v1/vehicles", limit="1")["items"][0]["tag"]
    expect(start.locator("#q-hint")).to_contain_text("opens it where it is the only one")
    start.get_by_role("searchbox").fill(tag)
    start.keyboard.press("Enter")
    start.wait_for_url(f"**/car.html?tag={tag}")


def test_going_back_shows_what_was_typed(start: Page, cleared: Watched) -> None:
    typed(cleared, "silencer stoat")
    start.locator("#results a").first.click()
    cleared.settle()
    start.go_back()
    expect(start.get_by_role("searchbox")).to_have_value("silencer stoat")
    expect(start.locator("#results a").first).to_be_visible()


def test_a_kind_of_car_leads_to_its_stock_cars_and_to_what_is_worth_its_money(
    start: Page, cleared: Watched
) -> None:
    typed(cleared, "heron")
    kinds = start.locator("#results section", has_text="A kind of car").last
    addresses = [link.get_attribute("href") for link in kinds.locator("a").all()]
    assert addresses == ["spread.html?platform=merrow-heron-35", "worth.html?platform=merrow-heron-35"]


def test_no_car_is_listed_before_its_tag_is_asked_for(start: Page, cleared: Watched, ledger: Ledger) -> None:
    tag = ledger.ask("/v1/vehicles", limit="1")["items"][0]["tag"]
    assert start.locator("a[href^='car.html?']").count() == 0
    typed(cleared, tag[:4])
    assert start.locator("a[href^='car.html?']").count() == 0
    expect(start.locator("#found")).to_contain_text("type more of the tag")
    start.get_by_role("searchbox").fill("")
    typed(cleared, tag)
    assert start.locator("a[href^='car.html?']").first.get_attribute("href") == f"car.html?tag={tag}"


def test_a_misspelt_word_is_said_to_be_one(start: Page, cleared: Watched) -> None:
    typed(cleared, "silenser")
    expect(start.locator("#found")).to_contain_text("Nothing is called “silenser”")
    assert start.locator("#results a[href*=silencer]").count() > 0


def test_nothing_found_says_what_to_do_and_emptying_the_box_forgets_it(start: Page, cleared: Watched) -> None:
    typed(cleared, "zzzz")
    expect(start.locator("#found")).to_contain_text("Try fewer letters")
    assert start.locator("#results a").count() == 0
    start.get_by_role("searchbox").fill("")
    expect(start.locator("#found")).to_have_text("")
    assert start.url.endswith("/index.html")


def test_a_search_that_fails_offers_to_ask_again(start: Page, cleared: Watched) -> None:
    start.route(SEARCH, lambda route: route.abort())
    start.get_by_role("searchbox").fill("silencer")
    expect(start.locator("#found")).to_contain_text("did not answer")
    start.unroute(SEARCH)
    start.locator("#found").get_by_role("button", name="Ask again").click()
    expect(start.locator("#results a").first).to_be_visible()


def test_a_locked_ledger_is_unlocked_once_for_list_and_search(cleared: Watched) -> None:
    problem = json.dumps({"title": "Unauthorized", "detail": "a token is needed"})

    def locked(route: Route) -> None:
        route.fulfill(status=401, content_type="application/problem+json", body=problem)

    cleared.page.route("**/v1/**", locked)
    page = cleared.open("index.html")
    expect(page.get_by_label("Read token")).to_have_count(1)
    page.get_by_role("searchbox").fill("silencer")
    expect(page.locator("#found")).to_contain_text("give the read token below")
    expect(page.get_by_label("Read token")).to_have_count(1)


def test_what_is_typed_is_never_taken_for_markup(start: Page, cleared: Watched) -> None:
    typed(cleared, "<img src=x>")
    assert start.locator("#found img").count() == 0


def test_the_doors_lead_to_every_page(start: Page) -> None:
    doors = {link.get_attribute("href") for link in start.locator(".doors a").all()}
    assert doors == {"gain.html", "worth.html", "spread.html", "car.html", "sheet.html", "odd.html",
                     "bays.html", "questions.html"}  # fmt: skip


def test_every_kind_stands_with_its_stock_cars_the_fewest_first(start: Page, ledger: Ledger) -> None:
    items = ledger.ask("/v1/stock-evidence", limit="500")["items"]
    lines = start.locator("#stock li")
    assert lines.count() == len(items) > 1
    for line, row in zip(lines.all(), items, strict=True):
        cars = "1 stock car" if row["stock_cars"] == 1 else f"{row['stock_cars']:,} stock cars"
        shown = (line.text_content() or "").replace("\u00a0", " ")
        assert shown.startswith(f"{row['name']} {cars}")
        assert ("last" in shown) is (row["last"] is not None)
        assert f"platform={row['platform']}" in (line.locator("a").get_attribute("href") or "")


def test_a_ledger_without_a_comparison_still_tells_of_its_stock_cars(cleared: Watched) -> None:
    cleared.page.route(re.compile(r"/v1/evidence"), lambda route: route.fulfill(json={"items": []}))
    page = cleared.open("index.html")
    expect(page.locator("#answer")).to_contain_text("Nothing has been measured before and after yet")
    expect(page.locator("#stock li").first).to_contain_text("stock car")
