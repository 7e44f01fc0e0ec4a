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

VENDOR = Path(__file__).parent / "vendor"
AXE = (VENDOR / "axe.min.js").read_text("utf-8")
GRAVE = ("serious", "critical")


def grave_findings(page: Page) -> list[str]:
    """What axe-core calls serious or critical: its rule, and the first places."""
    page.evaluate(AXE)
    found: dict[str, Any] = page.evaluate("() => axe.run(document, { resultTypes: ['violations'] })")
    assert len(found["passes"]) > 10, "axe-core has looked at nothing"
    return [
        f"{finding['id']}: {[node['html'][:140] for node in finding['nodes'][:4]]}"
        for finding in found["violations"]
        if finding["impact"] in GRAVE
    ]


@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing_grave_in_light_or_dark_with_folds_open(
    watched: Watched, ledger: Ledger, name: str
) -> None:
    page = watched.open(name, **asked(name, ledger))
    watched.unfold()
    found = {}
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        found[scheme] = grave_findings(page)
    assert found == {"light": [], "dark": []}


def test_axe_finds_nothing_grave_in_what_a_search_shows(watched: Watched) -> None:
    watched.open("index.html", q="silencer stoat")
    assert watched.page.locator("#results a").count() > 0
    assert grave_findings(watched.page) == []


def test_a_page_without_labels_language_and_contrast_is_found_out(watched: Watched) -> None:
    def spoilt(route: Route) -> None:
        html = route.fetch().text().replace('<html lang="en">', "<html>").replace('label for="q"', "span")
        route.fulfill(body=html.replace("</label>", "</span>"), content_type="text/html")

    watched.page.route("**/index.html", spoilt)
    page = watched.open("index.html")
    page.evaluate("() => document.documentElement.style.setProperty('--faint', '#c8c0b0')")
    rules = {finding.partition(":")[0] for finding in grave_findings(page)}
    assert rules >= {"html-has-lang", "label", "color-contrast"}


def test_axe_is_the_version_it_says() -> None:
    recorded = json.loads((VENDOR / "VERSIONS.json").read_text("utf-8"))["axe.min.js"]
    assert recorded["sha256"] == hashlib.sha256((VENDOR / "axe.min.js").read_bytes()).hexdigest()
    assert f"axe v{recorded['axe-core']}" in AXE
