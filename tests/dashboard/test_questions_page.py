"""What can be asked: forty questions, each with a way to its answer or a reason why there is none."""

import re

import pytest
from playwright.sync_api import Page

from dashboard import build
from tests.dashboard.conftest import Ledger, Shown
from tests.dashboard.every_page import asked

pytestmark = pytest.mark.slow

PAGE = build.page("questions.html", *build.PAGES["questions.html"]).decode()
ANCHORED = sorted(set(re.findall(r"href=\"(\w+\.html#\w+)\"", PAGE)))


@pytest.fixture
def items(shown: Shown) -> list[dict[str, object]]:
    """Every numbered question: its number, its words, where it leads and what it says besides."""
    rows: list[dict[str, object]] = shown.open("questions.html").evaluate(ITEMS)
    return rows


def test_there_are_exactly_forty_numbered_through(items: list[dict[str, object]]) -> None:
    assert [item["number"] for item in items] == list(range(1, 41))
    assert len({item["question"] for item in items}) == 40
    assert [item["question"] for item in items if not str(item["question"]).endswith("?")] == []


def test_each_leads_to_a_page_or_says_why_not(items: list[dict[str, object]]) -> None:
    assert [item["question"] for item in items if not item["links"] and len(str(item["reason"])) < 40] == []
    leading = [item for item in items if item["links"]]
    assert len(leading) > 30
    pages = {address.partition("#")[0] for item in items for address in item["links"]}  # type: ignore[attr-defined]
    assert pages <= set(build.PAGES)


@pytest.mark.parametrize("address", ANCHORED)
def test_a_section_it_points_to_is_there_once_the_page_has_answered(
    shown: Shown, ledger: Ledger, address: str
) -> None:
    name, _, anchor = address.partition("#")
    assert section_named(shown.open(name, **asked(name, ledger)), anchor)


def test_there_are_sections_to_point_to() -> None:
    assert {address.partition("#")[2] for address in ANCHORED} >= {
        "revs",
        "cars",
        "sure",
        "cost",
        "lawful",
        "pairs",
    }


def test_it_needs_no_script() -> None:
    assert build.PAGES["questions.html"][1] is None
    assert "<script" not in PAGE


def section_named(page: Page, anchor: str) -> bool:
    """Whether exactly one visible element bears this id."""
    return page.locator(f"[id='{anchor}']:visible").count() == 1


ITEMS = """() => [...document.querySelectorAll('ol')].flatMap((list) => [...list.children].map((item, i) => ({
  number: list.start + i,
  question: item.querySelector('p').textContent,
  links: [...item.querySelectorAll('a')].map((link) => link.getAttribute('href')),
  reason: [...item.querySelectorAll('p')].slice(1).map((node) => node.textContent).join(' '),
})))"""
