"""On a telephone the answer comes first: the fields of a question that was asked stand folded above it."""

import pytest
from playwright.sync_api import Route, expect

from tests.dashboard.conftest import DESK, Ledger, Shown, Watched
from tests.dashboard.every_page import asked

pytestmark = pytest.mark.slow

TELEPHONE = {"width": 360, "height": 740}
ANSWERING = ("gain.html", "spread.html", "worth.html", "odd.html", "car.html", "bays.html")


@pytest.mark.parametrize("name", ANSWERING)
def test_the_answer_stands_on_the_first_screen(cleared: Watched, ledger: Ledger, name: str) -> None:
    cleared.page.set_viewport_size(TELEPHONE)
    page = cleared.open(name, **asked(name, ledger))
    headline = page.locator("#answer .headline")
    place = headline.bounding_box()
    assert place
    assert place["y"] + 60 < TELEPHONE["height"]  # with its first two lines at least
    expect(page.locator("#question")).to_be_hidden()
    page.get_by_text("Change the question").click()
    expect(page.locator("#question")).to_be_visible()
    page.set_viewport_size(DESK)
    expect(page.locator("#question")).to_be_visible()
    expect(page.get_by_text("Change the question")).to_be_hidden()


def test_without_a_question_in_the_address_the_fields_stand_open(cleared: Watched) -> None:
    cleared.page.set_viewport_size(TELEPHONE)
    page = cleared.open("gain.html")
    expect(page.locator("#question")).to_be_visible()


def test_what_an_address_asks_in_vain_is_said_beside_the_folded_fields(cleared: Watched) -> None:
    cleared.page.set_viewport_size(TELEPHONE)
    page = cleared.open("bays.html", day="someday")
    expect(page.locator("#question")).to_be_hidden()
    expect(page.locator(".told")).to_contain_text("someday")


def test_on_a_desk_the_fields_stand_open(shown: Shown, ledger: Ledger) -> None:
    page = shown.open("gain.html", **ledger.best_question())
    expect(page.locator("#question")).to_be_visible()


@pytest.mark.parametrize("name", ["index.html", "gain.html", "worth.html", "sheet.html"])
def test_a_name_of_one_very_long_word_makes_no_page_wider(
    cleared: Watched, ledger: Ledger, name: str
) -> None:
    question = asked(name, ledger)
    listed = [ledger.ask(f"/v1/{what}", limit="500")["items"] for what in ("platforms", "parts")]
    names = sorted({row["name"] for rows in listed for row in rows}, key=len, reverse=True)

    def lengthened(route: Route) -> None:
        answer = route.fetch()
        body = answer.text()
        for one in names:
            body = body.replace(f'"{one}', f'"{one[0]}{"long" * 20}{one[1:]}')
        route.fulfill(response=answer, body=body)

    cleared.page.route("**/v1/**", lengthened)
    for width in (TELEPHONE["width"], DESK["width"]):
        cleared.page.set_viewport_size({"width": width, "height": 740})
        page = cleared.open(name, **question)
        assert "longlonglong" in page.locator("main").inner_text()
        assert page.evaluate("() => document.documentElement.scrollWidth") == width
