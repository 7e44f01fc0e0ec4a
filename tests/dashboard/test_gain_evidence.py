"""How do we know? From a gain down to each pull; what customers ask; many cars as bars."""

import random
import re
from typing import Any

import pytest
from playwright.sync_api import Locator, expect

from tests.browsing import drawn
from tests.dashboard.conftest import Ledger, Shown, Watched
from tests.dashboard.test_gain_page import changed, open_pairs, spoken

pytestmark = pytest.mark.slow

MOST_MARKS = 60  # for ten thousand cars: bars, rules and axis, far from one mark a car (our choice)
MARKS = "(chart) => chart.querySelectorAll('svg .mark-rect path, svg .mark-symbol path, svg .mark-rule line').length"


def first_pair(ledger: Ledger, question: dict[str, str], **more: str) -> dict[str, Any]:
    """The pair that the page lists first."""
    pairs: list[dict[str, Any]] = ledger.ask("/v1/typical-gain", **question, **more)["pairs"]
    return next(pair for pair in pairs if pair["used"])


def opened(gain: Watched) -> Locator:
    """The first pair, opened down to its pulls; what a test before has opened is closed first."""
    gain.fold()
    open_pairs(gain.page)
    gain.page.locator("#pairs summary", has_text="How do we know?").click()
    first = gain.page.locator("#pairs details details details").first
    first.locator("summary").first.click()
    drawn(gain.page)
    return first


def setup_of(ledger: Ledger, path: str, **more: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """(session, setup) of a record's address."""
    session, _, n = path.partition("/setups/")
    whole = ledger.ask(session, **more)
    return whole, next(setup for setup in whole["setups"] if setup["n"] == int(n))


def test_a_pair_opens_down_to_every_pull_with_the_ledgers_figures(shown: Shown, ledger: Ledger) -> None:
    question = {**ledger.best_question(), "units": "us"}
    pair = first_pair(ledger, question)
    gain = shown.watched("gain.html", **question)
    evidence = opened(gain)
    rows = evidence.get_by_role("region", name="Every pull, corrected").locator("tbody tr")
    pulls = [
        (f"{side} {pull['n']}", pull)
        for side in ("before", "after")
        for pull in setup_of(ledger, pair[side], units="us")[1]["pulls"]
    ]
    assert rows.count() == len(pulls)
    for row, (name, pull) in zip(rows.all(), pulls, strict=True):
        cells = row.locator("th, td").all_inner_texts()
        assert cells[0] == name
        assert cells[1].startswith(pull["status"])
        assert abs(spoken(cells[2]) - pull["observed"]["peak_power"] * pull["factor"]) <= 0.05
    assert gain.complaints == []


def test_the_conditions_of_both_sides_stand_side_by_side(shown: Shown, ledger: Ledger) -> None:
    question = {**ledger.best_question(), "units": "us"}
    pair = first_pair(ledger, question)
    gain = shown.watched("gain.html", **question)
    table = opened(gain).get_by_role("region", name="Conditions")
    for at, side in enumerate(("before", "after")):
        session, setup = setup_of(ledger, pair[side], units="us")
        air = [pull["ambient"]["temperature"] for pull in setup["pulls"]]
        cell = table.get_by_role("row", name=re.compile("^air temperature")).locator("td").nth(at)
        ends = [float(text) for text in re.findall(r"[\d.]+", cell.inner_text())]
        assert ends == pytest.approx(sorted({round(min(air), 1), round(max(air), 1)}), abs=0.051)
        expect(cell).to_contain_text("°F")
        gear = table.get_by_role("row", name=re.compile("^gear")).locator("td").nth(at)
        assert gear.inner_text() == str(session["gear"])


def test_what_was_not_recorded_is_said_and_not_filled_in(cleared: Watched, ledger: Ledger) -> None:
    def forget(body: dict[str, Any]) -> None:
        for setup in body["setups"]:
            for pull in setup["pulls"]:
                pull["engine"]["oil"] = None

    cleared.page.route("**/v1/sessions/*", changed(forget))
    cleared.page.route("**/v1/sessions/*?units=*", changed(forget))
    cleared.open("gain.html", **ledger.best_question())
    row = opened(cleared).get_by_role("region", name="Conditions").get_by_role("row", name=re.compile("^oil"))
    assert row.locator("td").all_inner_texts() == ["not recorded", "not recorded"]


def test_the_curves_of_single_pulls_and_both_means_are_drawn(shown: Shown, ledger: Ledger) -> None:
    question = ledger.best_question()
    pair = first_pair(ledger, question)
    drawn = sum(
        1 + len(ledger.ask(f"{pair[side]}/curve", singles="true")["singles"]) for side in ("before", "after")
    )
    gain = shown.watched("gain.html", **question)
    chart = opened(gain).locator(".chart")
    assert chart.locator("svg .mark-line path").count() == drawn
    words = chart.locator("svg text").all_text_contents()
    assert {"before", "after"} <= set(words)


def test_a_pair_leads_to_its_car_and_to_the_sheet_of_its_test(shown: Shown, ledger: Ledger) -> None:
    question = ledger.best_question()
    pair = first_pair(ledger, question)
    gain = shown.watched("gain.html", **question)
    hrefs = [link.get_attribute("href") or "" for link in opened(gain).locator("a").all()]
    assert f"car.html?tag={pair['vehicle']}" in hrefs
    session, n = pair["before"].removeprefix("/v1/sessions/").split("/setups/")
    (sheet,) = [href for href in hrefs if href.startswith("sheet.html")]
    assert f"session={session}" in sheet
    assert f"before={n}" in sheet


def test_a_record_that_cannot_be_read_says_so_where_it_would_stand(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/setups/*/curve*", lambda route: route.fulfill(status=404, json={"detail": "gone"}))
    cleared.open("gain.html", **ledger.best_question())
    expect(opened(cleared).get_by_role("alert")).to_contain_text("Not shown: gone")


def test_a_record_whose_line_is_dead_says_who_did_not_answer(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/setups/*/curve*", lambda route: route.abort())
    cleared.open("gain.html", **ledger.best_question())
    expect(opened(cleared).get_by_role("alert")).to_have_text("Not shown: the ledger did not answer")


def test_every_question_the_ledger_answers_stands_on_the_page_in_its_own_words(
    shown: Shown, ledger: Ledger
) -> None:
    question = ledger.best_question()
    items = ledger.ask("/v1/typical-gain/questions", **question)["items"]
    page = shown.open("gain.html", **question)
    for item in items:
        section = page.locator(f"#{item['about']}")
        expect(section).to_contain_text(item["question"])
        for line in item["answer"]:
            expect(section).to_contain_text(line)
    assert {item["about"] for item in items} >= {"revs", "cars", "sure", "cost", "lawful", "pairs", "asked"}


def test_a_question_leads_on_to_the_part_it_names(cleared: Watched, ledger: Ledger) -> None:
    question = {"platform": "merrow-sandpiper-20", "part": "side-feed-plenum-re-machined"}
    page = cleared.open("gain.html", **question)
    page.locator("#asked summary", has_text="reworked one").click()
    page.locator("#asked a", has_text="against side-feed plenum").click()
    page.wait_for_url("**against=side-feed-plenum**")
    cleared.settle()
    expect(page.get_by_label("Compared with")).to_have_value("side-feed-plenum")
    expect(page.locator(".headline")).to_contain_text("in its place")


def test_the_context_is_chosen_and_asked_for(cleared: Watched, ledger: Ledger) -> None:
    question = ledger.best_question()
    other = ledger.ask("/v1/typical-gain", **question, context="as-usually-fitted")
    page = cleared.open("gain.html", **question)
    page.get_by_label("On a car").select_option("as-usually-fitted")
    page.wait_for_url("**context=as-usually-fitted**")
    expect(page.locator(".footnote")).to_contain_text("beside what is usually fitted")
    number = page.locator(".headline data").first
    assert float(number.get_attribute("value") or "nan") == abs(other["typical"])


def test_a_link_into_the_page_ends_at_its_section(cleared: Watched, ledger: Ledger) -> None:
    question = "&".join(f"{name}={value}" for name, value in ledger.best_question().items())
    page = cleared.page
    page.goto(f"{cleared.base}/gain.html?{question}#lawful")
    cleared.settle()
    top = page.locator("#lawful").evaluate("(node) => node.getBoundingClientRect().top")
    assert -1 < top < 700
    assert page.evaluate("() => scrollY") > 0


def test_both_wider_bands_are_drawn_as_the_ledger_has_them(shown: Shown, ledger: Ledger) -> None:
    question = ledger.best_question()
    curve = ledger.ask("/v1/typical-gain", **question)["curve"]
    page = shown.open("gain.html", **question)
    assert page.locator("#revs .chart svg .mark-line path").count() == 5  # typical, two edges of two bands
    page.locator("#revs summary", has_text="as a table").click()
    at = curve["rpm"].index(4000)
    row = page.locator("#revs tbody tr", has_text="4,000").locator("td").all_inner_texts()
    shown = [float(text.replace("\u2212", "-").replace("+", "")) for text in row[:5]]
    names = ("typical", "low", "high", "next_low", "next_high")
    assert shown == pytest.approx([curve[name][at] for name in names], abs=0.051)


def many_cars(body: dict[str, Any]) -> None:
    pair = next(pair for pair in body["pairs"] if pair["used"])
    one = {name: value for name, value in pair.items() if name != "conditions"}
    dice = random.Random(1)
    body["pairs"] = [
        {**one, "vehicle": f"car-{n}", "gain": dice.gauss(body["typical"], 3.0)} for n in range(10_000)
    ]
    body["evidence"].update(cars=10_000, pairs=10_000)


def test_ten_thousand_cars_are_a_few_bars_that_count_every_one(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/v1/typical-gain?*", changed(many_cars))
    page = cleared.open("gain.html", **ledger.best_question())
    chart = page.locator("#cars .chart")
    assert chart.evaluate(MARKS) <= MOST_MARKS
    labels = [bar.get_attribute("aria-label") or "" for bar in chart.locator("svg .mark-rect path").all()]
    counted = [
        int(found[1].replace(",", "")) for label in labels if (found := re.search(r"cars: ([\d,]+)", label))
    ]
    assert sum(counted) == 10_000, labels
    expect(page.locator("#cars figcaption")).to_contain_text("of the 10,000 cars")
    assert page.locator("#pairs tbody tr").count() == 100
