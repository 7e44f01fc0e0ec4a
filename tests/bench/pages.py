"""How soon the dashboard's pages say something, and have drawn everything: on the demo, in a real browser.

Each page is opened in a new profile, so nothing is in its cache; the figure is the median. Beside the milliseconds stands
the ratio to the same page opened without its script in the same round: what the machine is slow at, both are.
"""

import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browsing import FLAGS
from tests.dashboard.conftest import DESK, Ledger
from tests.dashboard.every_page import PAGES, asked
from tests.live import running_demo
from tests.setup.browser import advice, find_browser

FIRST_WORDS_MS = 1000.0
EVERYTHING_MS = 2000.0
BENCH_ROUNDS = 5

# Milliseconds from the click: when the answer's first words stood there, and when nothing was waited for any more.
TIMES = """
const seen = { words: null, all: null };
window.timesOfPage = seen;
const look = () => {
  const answer = document.querySelector('#answer');
  if (answer && !answer.querySelector('.state') && answer.innerText.trim()) seen.words ??= performance.now();
  const waiting = !seen.words || document.querySelector('[aria-busy]');
  if (waiting) seen.all = null;
  else seen.all ??= performance.now();
  requestAnimationFrame(look);
};
requestAnimationFrame(look);
"""
SETTLED = "() => window.timesOfPage.all && performance.now() - window.timesOfPage.all > 300"


@dataclass(frozen=True)
class PageTimes:
    """Medians over the rounds [ms]: the bare page without a script, its first words, everything drawn."""

    bare_ms: float
    words_ms: float
    everything_ms: float


def demo_and_pages(rounds: int = BENCH_ROUNDS) -> tuple[float, dict[str, PageTimes]]:
    """How long a demo started for it took until one can look around [s], and the times of each of its pages."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="bench-") as folder, running_demo(Path(folder)) as live:
        ready_s = time.monotonic() - began
        with started_browser() as browser:
            return ready_s, {name: times_of(browser, Ledger(live.url), name, rounds) for name in PAGES}


def times_of(browser: Browser, ledger: Ledger, name: str, rounds: int) -> PageTimes:
    """One page's times; its first round does not count."""
    question = asked(name, ledger)
    found = [one_round(browser, ledger.address(name, **question)) for _ in range(rounds + 1)][1:]
    return PageTimes(*(statistics.median(column) for column in zip(*found, strict=True)))


@contextmanager
def started_browser() -> Iterator[Browser]:
    """A headless browser; its absence is an error that says the way out."""
    program = find_browser()
    if program is None:
        raise RuntimeError(advice())
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()


def one_round(browser: Browser, address: str) -> tuple[float, float, float]:
    """The page bare, then with its script [ms]."""
    with opened(browser, address, script=False) as page:
        bare = page.evaluate("() => performance.getEntriesByType('navigation')[0].loadEventEnd")
    with opened(browser, address, script=True) as page:
        page.wait_for_function(SETTLED)
        times = page.evaluate("() => window.timesOfPage")
    return float(bare), float(times["words"]), float(times["all"])


@contextmanager
def opened(browser: Browser, address: str, *, script: bool) -> Iterator[Page]:
    """A page in a new profile."""
    context = browser.new_context(viewport=DESK, java_script_enabled=script)
    try:
        page = context.new_page()
        if script:
            page.add_init_script(TIMES)
        page.goto(address)
        yield page
    finally:
        context.close()
