"""The page that shows how stock cars differ."""

import random
import re

import pytest
from playwright.sync_api import Page, Route, expect

from tests.dashboard.conftest import Ledger, Shown, Watched

pytestmark = pytest.mark.slow

FEWEST_FOR_BARS = 8
LISTED_AT_ONCE = 40


def platform_of(ledger: Ledger) -> str:
    return ledger.best_question()["platform"]


def test_the_first_sentence_holds_the_ledgers_own_average(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    answer = ledger.ask(f"/v1/platforms/{platform}/stock-spread")
    page = shown.open("spread.html", platform=platform)
    number = page.locator(".headline data").first
    assert float(number.get_attribute("value") or "nan") == answer["mean"]
    assert f"The {answer['cars']} stock " in page.locator(".headline").inner_text()


def test_this_car_is_placed_in_the_ledgers_own_words(cleared: Watched, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    value = str(round(ledger.ask(f"/v1/platforms/{platform}/stock-spread")["mean"]))
    placed = ledger.ask(f"/v1/platforms/{platform}/stock-spread", value=value)["value"]
    page = cleared.open("spread.html", platform=platform, value=value)
    expect(page.locator(".answer")).to_contain_text(re.sub(r"(\d)%", r"\1 %", placed["reading"].rstrip(".")))
    if placed["percentile"] is not None:
        expect(page.locator("dl div", has_text="This car")).to_contain_text("in 100, between")
    labels = page.locator(".chart svg text").all_text_contents()
    assert any(label.startswith("this car") for label in labels)
    assert any(label.startswith("average") for label in labels)


def test_a_car_of_another_page_is_placed_by_all_its_setups_until_a_figure_is_typed(
    cleared: Watched, ledger: Ledger
) -> None:
    platform = platform_of(ledger)
    values = ledger.ask(f"/v1/platforms/{platform}/stock-spread", units="si")["values"]
    car = values[0]
    page = cleared.open("spread.html", platform=platform, tag=car["vehicle"], units="si")
    line = page.locator(".answer > p").last
    expect(line).to_contain_text(f"{car['vehicle']} reads {car['value']:.1f}")
    assert any(label.startswith("this car") for label in page.locator(".chart svg text").all_text_contents())
    page.locator("#value").fill(str(round(car["value"])))
    page.locator("#value").press("Enter")
    expect(line).to_contain_text("A car that reads")
    assert "tag=" not in page.url
    page = cleared.open("spread.html", platform=platform, tag="nobodys-car")
    expect(page.locator(".answer > p").last).to_contain_text("is not among the stock cars that are counted")


def test_lone_links_are_large_enough_to_hit(shown: Shown, ledger: Ledger) -> None:
    page = shown.open("spread.html", platform=platform_of(ledger))
    for name in ("Do the bays agree?", "Which of them are odd, and why?"):
        size = page.get_by_role("link", name=name).bounding_box()
        assert size is not None
        assert size["height"] >= 44


def test_bars_count_every_car(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    cars = ledger.ask(f"/v1/platforms/{platform}/stock-spread")["cars"]
    page = shown.open("spread.html", platform=platform)
    if cars < FEWEST_FOR_BARS:
        expect(page.locator("figcaption")).to_contain_text("Too few cars")
        return
    spoken = [label or "" for label in page.evaluate(BAR_LABELS)]
    counted = [int(match[1]) for label in spoken if (match := re.search(r"cars: (\d+)", label))]
    assert sum(counted) == cars, spoken


def test_fewer_than_eight_cars_are_dots(cleared: Watched, ledger: Ledger) -> None:
    def only_five(route) -> None:  # type: ignore[no-untyped-def]
        response = route.fetch()
        body = response.json()
        route.fulfill(response=response, json={**body, "values": body["values"][:5], "cars": 5})

    cleared.page.route("**/stock-spread*", only_five)
    page = cleared.open("spread.html", platform=platform_of(ledger))
    expect(page.locator("figcaption")).to_contain_text("Too few cars")
    assert page.locator(".chart svg g.mark-symbol path").count() == 5


def test_of_one_car_nothing_is_said_of_halves(cleared: Watched, ledger: Ledger) -> None:
    def only_one(route) -> None:  # type: ignore[no-untyped-def]
        response = route.fetch()
        body = response.json()
        value = body["values"][0]
        same = dict.fromkeys(body["quantiles"], value["value"])
        fields = {"values": [value], "cars": 1, "mean": value["value"], "quantiles": same}
        route.fulfill(response=response, json=body | fields)

    cleared.page.route("**/stock-spread*", only_one)
    page = cleared.open("spread.html", platform=platform_of(ledger))
    expect(page.locator(".headline")).to_contain_text("The one stock")
    expect(page.locator(".headline")).not_to_contain_text("Half of them")


def open_list(page: Page) -> None:
    """Open the table of all cars, where no test before has."""
    if page.locator("#cars details").first.get_attribute("open") is None:
        page.locator("#cars summary").first.click()
    expect(page.locator("#cars tbody tr").first).to_be_visible()


def test_every_car_stands_in_the_table(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    answer = ledger.ask(f"/v1/platforms/{platform}/stock-spread")
    page = shown.open("spread.html", platform=platform)
    open_list(page)
    if len(answer["values"]) > LISTED_AT_ONCE:
        page.locator("#cars summary").last.click()
    expect(page.locator("#cars tbody tr")).to_have_count(len(answer["values"]))


def test_shares_above_and_below_the_average_are_counted(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    answer = ledger.ask(f"/v1/platforms/{platform}/stock-spread")
    page = shown.open("spread.html", platform=platform)
    for name, side in (("Above the average", "above_average"), ("Below the average", "below_average")):
        count = round(answer[side]["share"] * answer["cars"])
        expect(page.locator("dl div", has_text=name)).to_contain_text(f"{count} of {answer['cars']} cars")


def nobody(left_out: dict[str, int]):  # type: ignore[no-untyped-def]
    """A handler which lets the ledger answer, then leaves every car out."""

    def answer(route: Route) -> None:
        response = route.fetch()
        body = {**response.json(), "cars": 0, "values": [], "mean": None, "left_out": left_out}
        route.fulfill(response=response, json=body)

    return answer


def test_cars_left_out_are_not_called_unmeasured(cleared: Watched, ledger: Ledger) -> None:
    reasons = {"not checked to be stock": 7, "the air was not recorded": 1}
    cleared.page.route("**/stock-spread*", nobody(reasons))
    page = cleared.open("spread.html", platform=platform_of(ledger))
    expect(page.locator("#answer")).to_contain_text("8 setups of the")
    expect(page.locator("#answer")).not_to_contain_text("measured yet")
    expect(page.locator("dl div", has_text="Not checked to be stock")).to_contain_text("7 setups")
    expect(page.locator("dl div", has_text="The air was not recorded")).to_contain_text("1 setup")
    for word in ("stock_checked", "declared", "verified"):
        expect(page.locator("#left-out code", has_text=word)).to_have_count(1)
    assert cleared.complaints == []


def test_no_advice_on_stock_checks_where_that_was_not_the_reason(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/stock-spread*", nobody({"without this measure": 2}))
    page = cleared.open("spread.html", platform=platform_of(ledger))
    expect(page.locator("dl div")).to_contain_text("2 setups")
    expect(page.locator("#left-out code")).to_have_count(0)


def test_nothing_measured_is_still_called_so(cleared: Watched, ledger: Ledger) -> None:
    cleared.page.route("**/stock-spread*", nobody({}))
    page = cleared.open("spread.html", platform=platform_of(ledger))
    expect(page.locator("#answer")).to_contain_text("has been measured yet")


def test_a_percentile_says_how_sure(cleared: Watched, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    answer = ledger.ask(f"/v1/platforms/{platform}/stock-spread")
    page = cleared.open("spread.html", platform=platform, value=str(round(answer["median"])))
    sure = re.compile(rf"\b{round(answer['level'] * 100)}\s?% sure")
    line = page.locator(".answer > p").last
    expect(line).to_contain_text(re.compile(r"\d+ to \d+ in 100 such cars read less"))
    expect(line).to_contain_text(sure)
    assert len(sure.findall(line.inner_text())) == 1
    for name in ("This car", "Above the average"):
        expect(page.locator("dl div", has_text=name)).to_contain_text(sure)


BAR_LABELS = """() => [...document.querySelectorAll('.chart svg g.mark-rect path')]
  .map((bar) => bar.getAttribute('aria-label'))"""


def test_ten_thousand_cars_are_a_few_bars_that_count_every_one(cleared: Watched, ledger: Ledger) -> None:
    def many(route: Route) -> None:
        response = route.fetch()
        body = response.json()
        one, dice = body["values"][0], random.Random(1)
        values = [
            {**one, "vehicle": f"car-{n}", "value": dice.gauss(body["mean"], body["sd"])}
            for n in range(10_000)
        ]
        route.fulfill(response=response, json={**body, "values": values, "cars": 10_000})

    cleared.page.route("**/stock-spread*", many)
    page = cleared.open("spread.html", platform=platform_of(ledger))
    labels = [label or "" for label in page.evaluate(BAR_LABELS)]
    counted = [
        int(found[1].replace(",", "")) for label in labels if (found := re.search(r"cars: ([\d,]+)", label))
    ]
    assert sum(counted) == 10_000, labels
    assert 8 <= len(counted) <= 40
    assert page.locator(".chart svg path, .chart svg rect").count() <= 100
    page.locator("#cars summary").first.click()
    assert page.locator("#cars tbody tr").count() == LISTED_AT_ONCE


def test_bays_can_be_left_unlevelled_and_both_averages_are_said(cleared: Watched, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    path = f"/v1/platforms/{platform}/stock-spread"
    raw, levelled = ledger.ask(path, raw="true"), ledger.ask(path)
    assert raw["mean"] != levelled["mean"]
    page = cleared.open("spread.html", platform=platform)
    beside = page.locator("dl div", has_text="Average as the bays read").locator("data").first
    assert float(beside.get_attribute("value") or "nan") == raw["mean"]
    page.get_by_label("Bays").select_option("true")
    page.wait_for_url("**raw=true**")
    expect(page.locator("#all figcaption")).to_contain_text("as the bays read")
    number = page.locator(".headline data").first
    expect(number).to_have_attribute("value", str(raw["mean"]))
    expect(page.locator("dl div", has_text="Clearly above it")).to_have_count(0)


def test_the_groups_are_the_ledgers_own_and_a_car_has_its_interval(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    answer = ledger.ask(f"/v1/platforms/{platform}/stock-spread")
    page = shown.open("spread.html", platform=platform)
    for name, group in (("Clearly above it", "clearly_above"), ("Clearly below it", "clearly_below")):
        expect(page.locator("dl div", has_text=name)).to_contain_text(f"{answer['groups'][group]} car")
    open_list(page)
    highest = answer["values"][-1]
    cells = page.locator("#cars tbody tr").first.locator("th, td").all_inner_texts()
    low, high = highest["percentile_interval"]
    assert cells[0] == highest["vehicle"]
    assert cells[4] == f"{low:.0f} to {high:.0f}"
    assert cells[5] == highest["group"]
    link = page.locator("#cars tbody tr").first.locator("a").first
    assert link.get_attribute("href") == f"car.html?tag={highest['vehicle']}"


def test_checked_is_counted_in_setups_and_says_so(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    checked = ledger.ask(f"/v1/platforms/{platform}/stock-spread")["checked"]
    page = shown.open("spread.html", platform=platform)
    line = page.locator("dl div", has_text="Setups by how stock was checked")
    expect(line).to_contain_text(f"verified in {checked['verified']} setups")


def test_what_was_left_out_stands_with_its_reason(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    left_out = ledger.ask(f"/v1/platforms/{platform}/stock-spread")["left_out"]
    assert left_out
    page = shown.open("spread.html", platform=platform)
    for reason, setups in left_out.items():
        expect(page.locator("#left-out dl div", has_text=reason[1:])).to_contain_text(f"{setups} setup")


def test_the_flywheel_is_refused_and_both_figures_stand_apart(shown: Shown, ledger: Ledger) -> None:
    platform = platform_of(ledger)
    items = ledger.ask(f"/v1/platforms/{platform}/stock-spread")["questions"]
    page = shown.open("spread.html", platform=platform)
    page.locator("#asked summary", has_text="flywheel").click()
    expect(page.locator("#asked")).to_contain_text("No single number is given")
    for item in items:
        expect(page.locator("#asked")).to_contain_text(item["answer"][0])
