"""Every page before axe-core, the open rules engine for accessibility, in light and in dark, its folds opened.

`vendor/axe.min.js` is run by the debugger's own evaluation, so the page's Content-Security-Policy stays in force.
"""

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Route

from tests.dashboard.conftest import Ledger, Watched
from tests.dashboard.every_page import PAGES, asked

pytestmark = pytest.mark.slow

VENDOR = Path(__file__).parent / "vendor"
AXE = (VENDOR / "axe.min.js").read_text("utf-8")
GRAVE = ("serious", "critical")
RULES_OF_COLOUR: dict[str, Any] = {
    "runOnly": {"type": "tag", "values": ["cat.color"]},
    "rules": {
        "color-contrast-enhanced": {"enabled": False}
    },  # level AAA, which axe-core does not ask unasked
}
"""What is asked again in the dark, where nothing but colours changes."""
PLACES = """() => [...document.querySelectorAll('*')].map((node) => {
  const { x, y, width, height } = node.getBoundingClientRect();
  const { display, visibility, opacity } = getComputedStyle(node);
  return `${node.tagName} ${[x, y, width, height].map(Math.round)} ${display} ${visibility} ${opacity}`;
})"""


def grave_findings(page: Page, **only: Any) -> list[str]:
    """What axe-core calls serious or critical, of all its rules or `only` of some: its rule, and the first places."""
    if page.evaluate("() => !window.axe"):
        page.evaluate(AXE)
    asked = {"resultTypes": ["violations"], "selectors": False, **only}
    found: dict[str, Any] = page.evaluate("(asked) => axe.run(document, asked)", asked)
    assert only or len(found["passes"]) > 10, "axe-core has looked at nothing"
    looked_at = {rule["id"] for kind in ("passes", "violations", "incomplete") for rule in found[kind]}
    assert "color-contrast" in looked_at
    return [
        f"{finding['id']}: {[node['html'][:140] for node in finding['nodes'][:4]]}"
        for finding in found["violations"]
        if finding["impact"] in GRAVE
    ]


@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing_grave_in_light_or_dark_with_folds_open(
    cleared: Watched, ledger: Ledger, name: str
) -> None:
    page = cleared.open(name, **asked(name, ledger))
    cleared.unfold()
    found, places = {}, {}
    for scheme, only in (("light", {}), ("dark", RULES_OF_COLOUR)):
        page.emulate_media(color_scheme=scheme)
        page.wait_for_function("() => document.getAnimations().every((one) => one.playState !== 'running')")
        places[scheme] = page.evaluate(PLACES)
        found[scheme] = grave_findings(page, **only)
    assert found == {"light": [], "dark": []}
    assert len(places["light"]) > 100
    assert places["dark"] == places["light"], "more than colours changes: the dark needs every rule too"


def test_axe_finds_nothing_grave_in_what_a_search_shows(cleared: Watched) -> None:
    cleared.open("index.html", q="silencer stoat")
    assert cleared.page.locator("#results a").count() > 0
    assert grave_findings(cleared.page) == []


@pytest.mark.parametrize("sign", [-1, 1])
def test_axe_finds_nothing_grave_where_all_that_is_odd_lies_on_one_side(
    cleared: Watched, ledger: Ledger, sign: int
) -> None:
    told = ledger.ask("/v1/outliers", limit="3")
    items = [{**item, "deviation_percent": sign * abs(item["deviation_percent"])} for item in told["items"]]
    cleared.page.route("**/v1/outliers?*", lambda route: route.fulfill(json={**told, "items": items}))
    page = cleared.open("odd.html")
    assert page.locator("#apart g.mark-symbol:empty").count() == 1, "both sides have marks"
    assert grave_findings(page) == []


def test_axe_finds_nothing_grave_in_the_page_for_a_wrong_address(cleared: Watched) -> None:
    answer = cleared.page.goto(f"{cleared.base}/no-such-page.html")
    assert answer is not None
    assert answer.status == 404
    assert cleared.page.get_by_role("link").count() > 0
    assert grave_findings(cleared.page) == []


def test_a_page_without_labels_language_and_contrast_is_found_out(cleared: Watched) -> None:
    def spoilt(route: Route) -> None:
        html = route.fetch().text().replace('<html lang="en">', "<html>").replace('label for="q"', "span")
        route.fulfill(body=html.replace("</label>", "</span>"), content_type="text/html")

    cleared.page.route("**/index.html", spoilt)
    page = cleared.open("index.html")
    page.evaluate("() => document.documentElement.style.setProperty('--faint', '#c8c0b0')")
    rules = {finding.partition(":")[0] for finding in grave_findings(page)}
    assert rules >= {"html-has-lang", "label", "color-contrast"}


def test_axe_is_the_version_it_says() -> None:
    recorded = json.loads((VENDOR / "VERSIONS.json").read_text("utf-8"))["axe.min.js"]
    assert recorded["sha256"] == hashlib.sha256((VENDOR / "axe.min.js").read_bytes()).hexdigest()
    assert f"axe v{recorded['axe-core']}" in AXE
