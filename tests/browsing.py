"""The one browser of a test process: two folders drive pages, and Playwright starts once in a process."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.setup.browser import advice, find_browser

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--in-process-gpu",  # drawing without a graphics card needs no process of its own
    "--js-flags=--no-turbofan --no-maglev",  # a page that lives for a second does not earn its optimised code
    "--process-per-site",  # a further page of a profile needs no process of its own: a quarter less work
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, headless; a missing browser fails, it never skips."""
    program = find_browser()
    if program is None:
        pytest.fail(advice())
    with sync_playwright() as tools:
        started = tools.chromium.launch(executable_path=program, args=FLAGS)
        yield started
        started.close()


def drawn(page: Page) -> None:
    """Wait until all that was asked for is there and drawn. What a click opened says so only in a task of its own after it (HTML
    Standard, "details notification task"), and asks then: a moment before, nothing is busy yet."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
    page.wait_for_function("() => !document.querySelector('[aria-busy]')")
