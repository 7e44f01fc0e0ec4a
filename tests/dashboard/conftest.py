"""A browser, and a page that writes down everything it should not do."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode, urlsplit
from urllib.request import Request, urlopen

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize

from tests.browsing import drawn

DESK: ViewportSize = {"width": 1100, "height": 900}
MOST_INNER_FOLDS = 3
"""Folds inside folds that are opened: one of each list of alike ones is enough (our choice)."""
UNFOLD = """(most) => [...document.querySelectorAll('details:not([open])')]
  .filter((node) => node.checkVisibility()).slice(0, most).forEach((node) => { node.open = true; })"""
VIOLATIONS = """
window.violations = [];
document.addEventListener('securitypolicyviolation', (event) =>
  window.violations.push(`${event.violatedDirective} ${event.blockedURI}`));
"""


@dataclass
class Watched:
    """One open page and what it did."""

    page: Page
    base: str
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def open(self, path: str, **question: str) -> Page:
        """Open a page with a question in its address, and wait until it has answered."""
        self.page.goto(f"{self.base}/{path}{'?' if question else ''}{urlencode(question)}")
        self.settle()
        return self.page

    def settle(self) -> None:
        """Wait until the words are there and the charts are drawn."""
        self.page.wait_for_function("() => document.querySelector('#answer')?.hasChildNodes()")
        drawn(self.page)

    def unfold(self) -> None:
        """Open every fold that is there, then the first of those that came with them."""
        self.page.evaluate(UNFOLD, 1000)
        self.settle()
        self.page.evaluate(UNFOLD, MOST_INNER_FOLDS)
        self.settle()

    def fold(self) -> None:
        """Close every fold of the answer."""
        folds = "document.querySelectorAll('details:not(#asking)')"
        self.page.evaluate(f"() => {folds}.forEach((node) => {{ node.open = false; }})")

    def violations(self) -> list[str]:
        """What the page tried against its Content-Security-Policy."""
        found: list[str] = self.page.evaluate("() => window.violations")
        return found

    def strangers(self) -> list[str]:
        """Addresses asked for which are not on the ledger's own host and port."""
        own = urlsplit(self.base).netloc
        return [
            url
            for url in self.requests
            if urlsplit(url).netloc not in (own, "") or urlsplit(url).scheme == "ws"
        ]

    def mind(self) -> None:
        """Listen to the page from now on."""
        self.page.add_init_script(VIOLATIONS)
        self.page.on("console", lambda message: self._heard(message.type, message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))

    def _heard(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(f"{kind}: {text}")


@dataclass(frozen=True)
class Ledger:
    """The running service, asked past the browser."""

    base: str

    def ask(self, path: str, **question: str) -> Any:
        """A GET's JSON."""
        address = self.address(path, **question)
        with urlopen(Request(address, headers={"Accept": "application/json"}), timeout=30) as answer:
            return json.load(answer)

    def address(self, path: str, **question: str) -> str:
        """The whole address of a path with a question."""
        return f"{self.base}/{path.removeprefix('/')}{'?' if question else ''}{urlencode(question)}"

    def best_question(self) -> dict[str, str]:
        """The gain question with the most cars."""
        first = self.ask("/v1/evidence", limit="1")["items"][0]
        return {name: first[name] for name in ("platform", "part", "against")}

    def unmeasured_question(self) -> dict[str, str]:
        """A part on a platform without evidence there."""
        rows = {(row["platform"], row["part"]) for row in self.ask("/v1/evidence", limit="500")["items"]}
        parts = [row["slug"] for row in self.ask("/v1/parts", limit="500")["items"]]
        platforms = [row["slug"] for row in self.ask("/v1/platforms", limit="500")["items"]]
        free = ((platform, part) for platform in platforms for part in parts if (platform, part) not in rows)
        platform, part = next(free)
        return {"platform": platform, "part": part}


MOST_SHOWN = 8
"""Pages kept open in a file, so that memory stays bounded (our choice)."""


@dataclass
class Shown:
    """Pages that tests only read: each question is opened once in a file, and may stand with its folds open."""

    profile: BrowserContext
    base: str
    kept: dict[tuple[str, frozenset[tuple[str, str]]], Watched] = field(default_factory=dict)

    def open(self, path: str, **question: str) -> Page:
        """The page with this question, as a test before left it."""
        return self.watched(path, **question).page

    def watched(self, path: str, **question: str) -> Watched:
        """The same, with what it did since it was opened."""
        key = (path, frozenset(question.items()))
        if key not in self.kept:
            if len(self.kept) == MOST_SHOWN:
                self.kept.pop(next(iter(self.kept))).page.close()
            opened = Watched(self.profile.new_page(), self.base)
            opened.mind()
            opened.open(path, **question)
            self.kept[key] = opened
        return self.kept[key]

    def close(self) -> None:
        """Close every page, with nothing left for the next file."""
        for watched in self.kept.values():
            watched.page.evaluate("() => localStorage.clear()")
            watched.page.close()
        self.kept.clear()


@pytest.fixture(scope="session")
def reading_profile(browser: Browser) -> Iterator[BrowserContext]:
    """The one profile in which pages are only read: its files and its process serve every page after the first."""
    opened = browser.new_context(viewport=DESK)
    opened.set_default_timeout(15_000)
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def shown(reading_profile: BrowserContext, live_demo: str) -> Iterator[Shown]:
    """Pages opened once for the whole file; a test that types, chooses or stores takes `cleared`."""
    pages = Shown(reading_profile, live_demo.rstrip("/"))
    yield pages
    pages.close()


@contextmanager
def kept_page(browser: Browser, base: str) -> Iterator[Watched]:
    """A page under watch in a profile of its own, for tests that have it one after the other, each time `emptied`."""
    opened = browser.new_context(viewport=DESK)
    opened.set_default_timeout(15_000)
    page = Watched(opened.new_page(), base)
    page.mind()
    yield page
    opened.close()


def emptied(watched: Watched) -> Watched:
    """The page as if it were new, but for cached files: opening it again costs half of what a new page does."""
    page = watched.page
    page.unroute_all()
    if page.url != "about:blank":
        page.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")
    page.goto("about:blank")
    page.context.clear_cookies()
    page.emulate_media(media="null", color_scheme="null")
    page.set_viewport_size(DESK)
    watched.complaints.clear()
    watched.requests.clear()
    return watched


@pytest.fixture(scope="session")
def lent(browser: Browser, live_demo: str) -> Iterator[Watched]:
    """The page that `cleared` hands out."""
    with kept_page(browser, live_demo.rstrip("/")) as page:
        yield page


@pytest.fixture
def cleared(lent: Watched) -> Watched:
    """A page under watch that a test may do anything with but `add_init_script`, which would stay."""
    return emptied(lent)


@pytest.fixture
def ledger(live_demo: str) -> Ledger:
    """The running service without a browser."""
    return Ledger(live_demo.rstrip("/"))


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    """A browser profile of its own: nothing remembered."""
    opened = browser.new_context(viewport=DESK)
    opened.set_default_timeout(15_000)
    yield opened
    opened.close()


@pytest.fixture
def watched(context: BrowserContext, ledger: Ledger) -> Watched:
    """A page under watch."""
    page = Watched(context.new_page(), ledger.base)
    page.mind()
    return page
