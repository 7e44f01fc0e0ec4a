"""The page that shows what lies apart from the rest."""

import re

import pytest
from playwright.sync_api import Locator, Page, Route, expect

from tests.browsing import drawn
from tests.dashboard.conftest import Ledger, Shown, Watched

pytestmark = pytest.mark.slow

FIRST = "#each > div > details"


def opened(page: Page, n: int = 0) -> Locator:
    """The n-th of the list, opened, its pictures drawn."""
    one = page.locator(FIRST).nth(n)
    if one.get_attribute("open") is None:  # a test before may have opened it
        one.locator("summary").first.click()
    drawn(page)
    return one


def test_the_sentence_and_the_number_of_rows_are_the_ledgers(shown: Shown, ledger: Ledger) -> None:
    answer = ledger.ask("/v1/outliers", limit="20")
    odd = shown.watched("odd.html")
    page = odd.page
    assert page.locator(".headline").inner_text().replace("\u00a0", " ") == answer["said"]
    expect(page.locator(".lead")).to_contain_text("about 1 in 20 is there by chance")
    expect(page.locator(FIRST)).to_have_count(len(answer["items"]))
    first = page.locator(f"{FIRST} > summary").first.inner_text().replace("\u00a0", " ")
    assert first == f"1. {answer['items'][0]['said']}"
    assert odd.complaints == []


def test_what_is_to_be_kept_in_mind_stands_beside_the_sentence(cleared: Watched, ledger: Ledger) -> None:
    told = ledger.ask("/v1/outliers", limit="20")
    caution = "The bays share no car: by how much they differ is not known."
    cleared.page.route(
        re.compile(r"/v1/outliers"), lambda route: route.fulfill(json={**told, "cautions": [caution]})
    )
    expect(cleared.open("odd.html").locator(".cautions li")).to_have_text(caution)


def test_every_odd_one_is_drawn_and_stands_in_the_table(shown: Shown, ledger: Ledger) -> None:
    items = ledger.ask("/v1/outliers", limit="20")["items"]
    page = shown.open("odd.html")
    marks = page.locator("#apart .chart svg g.mark-symbol path")
    assert marks.count() == len(items)
    page.locator("#apart summary", has_text="as a table").click()
    rows = page.locator("#apart tbody tr")
    assert rows.count() == len(items)
    for row, item in zip(rows.all(), items, strict=True):
        shown = row.inner_text().replace("−", "-")
        assert f"{item['deviation_percent']:+.1f}" in shown
        unit = "%" if item["unit"] == "percent" else "kW"
        figures = re.findall(rf"([-+]?[0-9.,]+)[ \u00a0]{unit}", shown)
        value, expected = (float(one.replace(",", "")) for one in figures[:2])
        assert abs(value - item["value"]) <= 0.051
        assert abs(expected - item["expected"]) <= 0.051


def test_what_a_part_did_stands_in_percent(cleared: Watched, ledger: Ledger) -> None:
    told = ledger.ask("/v1/outliers", limit="20")
    gain = {"kind": "gain", "unit": "percent", "value": 4.2, "expected": 1.1, "ordinary": [-0.9, 3.1]}
    items = [told["items"][0] | gain]
    cleared.page.route(
        re.compile(r"/v1/outliers"), lambda route: route.fulfill(json={**told, "items": items})
    )
    page = cleared.open("odd.html")
    page.locator("#apart summary", has_text="as a table").click()
    shown = page.locator("#apart tbody tr").inner_text().replace("\u00a0", " ").replace("−", "-")
    assert re.search(r"\+4\.2 %\s+\+1\.1 %\s+-0\.9 to \+3\.1 %", shown)
    assert "kW" not in shown


def test_an_opened_one_says_what_to_look_at_in_the_ledgers_order(shown: Shown, ledger: Ledger) -> None:
    item = ledger.ask("/v1/outliers", limit="1")["items"][0]
    one = opened(shown.open("odd.html"))
    areas = [area.inner_text().rstrip(": ").lower() for area in one.locator("ol.looks strong").all()]
    assert areas == [check["area"] for check in item["checks"]]
    bay = next(check for check in item["checks"] if check["area"] == "the bay")
    shown = one.locator("ol.looks li", has_text="The bay:").inner_text().replace("\u00a0", " ")
    assert bay["recorded"] in shown
    assert not re.search(r"\b(broken|faulty|defective)\b", one.inner_text())


def test_what_was_not_explained_is_no_item_of_what_was_recorded(shown: Shown, ledger: Ledger) -> None:
    items = ledger.ask("/v1/outliers", limit="20")["items"]
    codes = [{reason["code"] for reason in one["reasons"]} for one in items]
    n = next(n for n, found in enumerate(codes) if "unexplained" in found)
    one = opened(shown.open("odd.html"), n)
    expect(one.locator("p.left")).to_contain_text("not explained by what was recorded")
    for item in one.locator("ul:not(.links) li").all():
        assert "not explained" not in item.inner_text()


def test_an_opened_car_is_drawn_beside_the_typical_stock_car(shown: Shown, ledger: Ledger) -> None:
    items = ledger.ask("/v1/outliers", limit="20")["items"]
    n, item = next((n, one) for n, one in enumerate(items) if one["kind"] == "car" and one["stock"])
    one = opened((odd := shown.watched("odd.html")).page, n)
    expect(one.locator("figcaption").first).to_contain_text("Solid: the typical stock car of this kind")
    labels = one.locator(".chart svg text").all_text_contents()
    assert {"typical stock", item["vehicle"]} <= set(labels)
    assert odd.complaints == []


def test_an_opened_one_leads_to_the_car_the_spread_and_the_bays_day(shown: Shown, ledger: Ledger) -> None:
    item = ledger.ask("/v1/outliers", limit="1")["items"][0]
    one = opened(shown.open("odd.html"))
    addresses = [link.get_attribute("href") or "" for link in one.locator("ul.links a").all()]
    assert any(f"car.html?tag={item['vehicle']}" in address for address in addresses)
    assert any(address.startswith("spread.html?platform=") for address in addresses)
    day = item["bay_day"]
    assert f"bays.html?bay={day['bay']}&day={day['day']}#today" in addresses


def test_the_filters_narrow_the_list_and_stand_in_the_address(cleared: Watched, ledger: Ledger) -> None:
    platform = ledger.ask("/v1/outliers", limit="1")["items"][0]["platform"]
    page = cleared.open("odd.html")
    page.select_option("#platform", platform)
    cleared.settle()
    narrowed = ledger.ask("/v1/outliers", platform=platform, limit="20")
    expect(page.locator(FIRST)).to_have_count(len(narrowed["items"]))
    assert page.locator(".headline").inner_text().replace("\u00a0", " ") == narrowed["said"]
    assert f"platform={platform}" in page.url
    page.fill("#since", "2025-01-01")
    cleared.settle()
    later = ledger.ask("/v1/outliers", platform=platform, since="2025-01-01", limit="20")
    expect(page.locator(".headline")).to_have_text(later["said"].replace(" ", " "))
    assert "since=2025-01-01" in page.url


def test_figures_and_reasons_come_in_the_chosen_units(shown: Shown, ledger: Ledger) -> None:
    item = ledger.ask("/v1/outliers", limit="1", units="us")["items"][0]
    page = shown.open("odd.html", units="us")
    shown = page.locator(f"{FIRST} > summary").first.inner_text()
    assert shown == f"1. {item['said']}".replace(" hp", "\u00a0hp").replace(" %", "\u00a0%")
    assert "°C" not in page.locator("main").inner_text()


def test_nothing_odd_is_called_normal_and_leads_on(shown: Shown, ledger: Ledger) -> None:
    page = shown.open("odd.html", since="2026-02-25")
    said = ledger.ask("/v1/outliers", since="2026-02-25")
    assert said["items"] == []
    assert page.locator(".headline").inner_text().replace("\u00a0", " ") == said["said"]
    expect(page.locator("#more a", has_text="Look at all kinds")).to_be_visible()
    expect(page.locator(FIRST)).to_have_count(0)


def test_a_long_list_comes_page_by_page_and_at_most_forty_are_drawn(cleared: Watched, ledger: Ledger) -> None:
    told = ledger.ask("/v1/outliers", limit="20")
    items = [told["items"][n % len(told["items"])] for n in range(45)]

    def many(route: Route) -> None:
        further = '</v1/outliers?after=20&limit=20>; rel="next"'
        route.fulfill(json={**told, "items": items[:30]}, headers={"Link": further})

    def the_rest(route: Route) -> None:
        route.fulfill(json={**told, "items": items[30:]})

    cleared.page.route(re.compile(r"/v1/outliers\?(?!after)"), many)
    cleared.page.route(re.compile(r"/v1/outliers\?after"), the_rest)
    page = cleared.open("odd.html")
    expect(page.locator(FIRST)).to_have_count(30)
    page.locator("#each button", has_text="More of the").click()
    expect(page.locator(FIRST)).to_have_count(45)
    drawn(page)
    assert page.locator("#apart .chart svg g.mark-symbol path").count() == 40
    expect(page.locator("#apart figcaption")).to_contain_text("Only the 40 most surprising are drawn")
    expect(page.locator("#each button", has_text="More of the")).to_have_count(0)


def test_it_asks_nobody_but_the_ledger(shown: Shown) -> None:
    odd = shown.watched("odd.html")
    opened(odd.page)
    assert odd.strangers() == []
    assert odd.violations() == []
