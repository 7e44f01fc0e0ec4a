"""A chart can be taken away as PNG and as SVG, in light colours whatever the page wears."""

import json
import re
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from dashboard import build
from tests.dashboard.conftest import Ledger, Watched, kept_page

pytestmark = pytest.mark.slow

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"  # PNG specification (ISO/IEC 15948), 5.2
LIGHT = json.loads((build.SITE / "light.json").read_bytes())


def saved(page: Page, kind: str, where: str = "#revs") -> Path:
    """What the browser was given to keep."""
    if page.locator(f"{where} details").first.get_attribute("open") is None:
        page.locator(f"{where} summary", has_text="Save this picture").first.click()
    with page.expect_download() as download:
        page.locator(where).get_by_role("button", name=kind, exact=True).first.click()
    assert download.value.suggested_filename.endswith(f".{kind.lower()}")
    return Path(download.value.path())


@pytest.fixture(scope="module", params=["light", "dark"])
def answered(request: pytest.FixtureRequest, browser: Browser, live_demo: str) -> Iterator[Watched]:
    """An answered page in light or in dark colours."""
    ledger = Ledger(live_demo.rstrip("/"))
    with kept_page(browser, ledger.base) as watched:
        watched.page.emulate_media(color_scheme=request.param)
        watched.open("gain.html", **ledger.best_question())
        yield watched


def first_pixel(png: bytes) -> str:
    """The colour of a PNG's corner, from its first row (PNG specification, 7 and 9: in a row's first pixel every filter
    leaves the bytes as they are)."""
    width, _, depth, colour = struct.unpack(">IIBB", png[16:26])
    assert width > 900  # drawn at twice the saved width, so that it prints sharply
    assert depth == 8
    assert colour in (2, 6)  # RGB, RGBA
    data, at = b"", 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += length + 12
    red, green, blue = zlib.decompress(data)[1:4]
    return f"#{red:02x}{green:02x}{blue:02x}"


def test_a_png_is_a_real_picture_on_light_paper(answered: Watched) -> None:
    png = saved(answered.page, "PNG").read_bytes()
    assert png.startswith(PNG_SIGNATURE)
    assert first_pixel(png) == LIGHT["--paper"]
    assert answered.complaints == []
    assert answered.violations() == []


def test_an_svg_carries_its_caption_and_fixed_colours(answered: Watched) -> None:
    svg = saved(answered.page, "SVG").read_text("utf-8")
    assert svg.startswith("<svg")
    assert "Gain in" in svg
    assert LIGHT["--accent"] in svg
    assert LIGHT["--paper"] in svg
    assert not re.search(r"var\(|href=\"http", svg)
    assert answered.complaints == []
    assert answered.violations() == []


def test_the_stock_picture_can_be_saved_too(cleared: Watched, ledger: Ledger) -> None:
    page = cleared.open("spread.html", platform=ledger.best_question()["platform"])
    assert saved(page, "PNG", "#all").read_bytes().startswith(PNG_SIGNATURE)
    assert "average" in saved(page, "SVG", "#all").read_text("utf-8")
    assert cleared.complaints == []
