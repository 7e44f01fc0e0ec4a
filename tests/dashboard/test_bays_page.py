"""The page that shows how far the bays agree."""

from typing import Any

import pytest
from playwright.sync_api import Route, expect

from tests.browsing import drawn
from tests.dashboard.conftest import Ledger, Shown, Watched

pytestmark = pytest.mark.slow


def changed(watched: Watched, **fields: Any) -> None:
    """Let the ledger answer, then change the first bay."""

    def answer(route: Route) -> None:
        response = route.fetch()
        body = response.json()
        body["items"][0] |= fields
        route.fulfill(response=response, json=body)

    watched.page.route("**/v1/bay-agreement*", answer)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("−", "-")


def test_the_sentence_is_the_ledgers_and_every_bay_has_its_row(shown: Shown, ledger: Ledger) -> None:
    answer = ledger.ask("/v1/bay-agreement")
    watched = shown.watched("bays.html")
    page = watched.page
    assert plain(page.locator(".headline").inner_text()) == answer["said"]
    rows = page.locator("#offsets table").first.locator("tbody tr")
    assert rows.count() == len(answer["items"])
    for row, bay in zip(rows.all(), answer["items"], strict=True):
        line = plain(row.inner_text())
        low, high = bay["interval"]
        assert f"{bay['offset_percent']:+.1f} % ({low:+.1f} % to {high:+.1f} %)" in line
        assert f"{bay['cars_shared']} of {bay['cars']}" in line
        assert bay["state_words"] in line
        assert "days ago" in line
    assert watched.complaints == []


def test_the_offsets_are_drawn_with_their_intervals(shown: Shown, ledger: Ledger) -> None:
    bays = ledger.ask("/v1/bay-agreement")["items"]
    page = shown.open("bays.html")
    chart = page.locator("#offsets .chart svg")
    labels = chart.locator("text").all_text_contents()
    assert {bay["name"] for bay in bays} <= set(labels)
    assert chart.locator("g.mark-rect path").count() == len(bays)
    spoken = page.locator("#offsets .chart[aria-label]").get_attribute("aria-label") or ""
    assert f"{bays[0]['name']}: +" in spoken


def test_a_bay_without_shared_cars_has_no_number(cleared: Watched) -> None:
    changed(cleared, offset_percent=None, interval=None, cars_shared=0)
    page = cleared.open("bays.html")
    row = page.locator("#offsets table").first.locator("tbody tr").first
    expect(row).to_contain_text("not comparable")
    assert "not comparable" in page.locator("#offsets .chart svg text").all_text_contents()
    assert cleared.complaints == []


def test_a_bay_outside_its_check_cars_limits_says_to_stop_publishing(cleared: Watched) -> None:
    said = "Outside: the check car grey read 2.4 % low. Stop publishing figures of this bay until it was looked at."
    changed(cleared, state="outside", state_words="Outside: stop publishing", said=said)
    page = cleared.open("bays.html")
    assert said in plain(page.locator("#checks").inner_text())
    expect(page.locator("#offsets table").first.locator("tbody tr").first).to_contain_text("stop publishing")


def test_a_check_cars_readings_are_drawn_between_their_lines_and_listed(shown: Shown, ledger: Ledger) -> None:
    bay = next(bay for bay in ledger.ask("/v1/bay-agreement")["items"] if bay["check_car"])
    readings = bay["check_car"]["readings"]
    page = shown.open("bays.html")
    fold = page.locator("#checks details", has_text=f"{bay['name']}: {len(readings)} readings").first
    fold.locator("summary").first.click()
    drawn(page)
    assert fold.locator(".chart svg g.mark-symbol path").count() == len(readings)
    assert {"warning", "limit"} <= set(fold.locator(".chart svg text").all_text_contents())
    lines = fold.locator(".chart svg g.mark-line path").evaluate_all(
        "all => all.map((one) => one.getAttribute('d'))"
    )
    assert len(set(lines)) == 5  # warning and limit on both sides, and the readings
    newest = plain(fold.locator("tbody tr").first.inner_text())
    assert f"{readings[-1]['limit_percent']:.1f} %" in newest
    assert readings[-1]["state"] in newest
    assert fold.locator("tbody tr").count() == len(readings)


def test_repeats_come_by_quarter(shown: Shown, ledger: Ledger) -> None:
    bay = ledger.ask("/v1/bay-agreement")["items"][0]
    page = shown.open("bays.html")
    assert bay["repeatability_said"] in plain(page.locator("#repeats").inner_text())
    fold = page.locator("#repeats details", has_text=f"{bay['name']}, quarter by quarter").first
    fold.locator("summary").first.click()
    drawn(page)
    fold.locator("summary", has_text="As a table").click()
    assert fold.locator("tbody tr").count() == len(bay["repeatability_by_quarter"])
    assert fold.locator(".chart svg g.mark-symbol path").count() == len(bay["repeatability_by_quarter"])


def test_is_it_the_car_or_the_bay_is_answered_for_a_bay_and_a_day(cleared: Watched, ledger: Ledger) -> None:
    days = ledger.ask("/v1/bays/north/days", limit="100")["items"]
    day = next(one for one in days if one["state"] == "inside")
    page = cleared.open("bays.html", bay="north", day=day["day"])
    assert day["said"] in plain(page.locator("#today .lead").inner_text())
    alarms = 100 * ledger.ask("/v1/bays/north/days", limit="1")["false_alarm_rate"]
    expect(page.locator("#today")).to_contain_text(f"about {alarms:.0f} ordinary day in 100 lies beyond it")
    rows = page.locator("#today table").first.locator("tbody tr")
    assert rows.count() == len(day["readings"])
    for row, car in zip(rows.all(), day["readings"], strict=True):
        assert car["vehicle"] in row.inner_text()
        assert f"{car['deviation_percent']:+.1f} %" in plain(row.inner_text())


def test_a_day_without_measurements_leads_to_those_that_have_some(cleared: Watched) -> None:
    page = cleared.open("bays.html", bay="north", day="2020-01-01")
    expect(page.locator("#today .state")).to_contain_text(
        "Nothing was measured in North bay on 1 January 2020"
    )
    page.locator("#today summary").click()
    page.locator("#today tbody a").first.click()
    cleared.settle()
    expect(page.locator("#today .lead")).to_contain_text("North bay")
    assert "day=20" in page.url


def test_days_come_page_by_page(cleared: Watched, ledger: Ledger) -> None:
    days = ledger.ask("/v1/bays/north/days", limit="40")["items"]
    page = cleared.open("bays.html", bay="north")
    page.locator("#today summary").click()
    rows = page.locator("#today details tbody tr")
    expect(rows).to_have_count(20)
    further = page.locator("#today button", has_text="Earlier days")
    further.press("Enter")
    expect(rows).to_have_count(40)
    expect(further).to_be_focused()  # so that Enter asks for the next ones
    assert f"{days[39]['limit_percent']:.1f} %" in plain(rows.nth(39).inner_text())


def test_another_bay_is_chosen_by_keyboard(cleared: Watched) -> None:
    page = cleared.open("bays.html")
    page.focus("#bay")
    page.keyboard.type("South")
    cleared.settle()
    assert "bay=south" in page.url
    expect(page.locator("#today .lead")).to_contain_text("South bay")


def test_the_cars_that_bays_share_are_named(shown: Shown, ledger: Ledger) -> None:
    pairs = ledger.ask("/v1/bay-agreement")["shared_cars"]
    page = shown.open("bays.html")
    rows = page.locator("#shared tbody tr")
    assert rows.count() == len(pairs)
    for row, pair in zip(rows.all(), pairs, strict=True):
        line = row.inner_text()
        assert pair["said"] in line
        assert all(tag in line for tag in pair["vehicles"])


def test_what_was_recorded_stands_on_the_time_axis_and_in_a_table(shown: Shown, ledger: Ledger) -> None:
    bays = ledger.ask("/v1/bay-agreement")["items"]
    events = sum(len(bay["events"]) for bay in bays)
    page = shown.open("bays.html")
    used = sum(bay["last_post"] is not None for bay in bays)
    steps = sum(len(bay["steps"]) for bay in bays)
    assert page.locator("#time .chart svg g.mark-symbol path").count() == events + steps + used
    page.locator("#time summary", has_text="As a table").click()
    expect(page.locator("#time tbody tr", has_text="Recorded:")).to_have_count(events)


def test_no_bay_yet_is_said(cleared: Watched) -> None:
    def nobody(route: Route) -> None:
        response = route.fetch()
        body = {**response.json(), "items": [], "shared_cars": [], "said": "No bay has been measured in yet."}
        route.fulfill(response=response, json=body)

    cleared.page.route("**/v1/bay-agreement*", nobody)
    page = cleared.open("bays.html")
    expect(page.locator(".headline")).to_have_text("No bay has been measured in yet.")
    assert cleared.complaints == []


def test_it_asks_nobody_but_the_ledger(shown: Shown) -> None:
    watched = shown.watched("bays.html")
    assert watched.strangers() == []
    assert watched.violations() == []
