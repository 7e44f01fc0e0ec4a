"""The page that answers what a part gains."""

import re
from collections.abc import Callable, Iterator
from itertools import combinations, pairwise
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from tests.dashboard.conftest import DESK, Ledger, Shown, Watched

pytestmark = pytest.mark.slow

MOST_NODES = 5_000
"""What 100 listed pairs and two charts need; a row for each of 2,000 pairs would be 40,000 (our choice)."""
LEAST_GAP_PX = 8
"""Closer, and two numbers of an axis are read as one: two digits' width at that size (our choice)."""
FEWEST_NUMBERS = 4
"""Fewer numbers on a chart's axes, and it cannot be read (our choice)."""


@pytest.fixture
def answered(shown: Shown, ledger: Ledger) -> Iterator[Page]:
    """The best-known gain, only read; on a desk, its folds closed again after each test."""
    gain = shown.watched("gain.html", **ledger.best_question())
    yield gain.page
    gain.fold()
    resize(gain.page, DESK["width"])


def test_the_first_sentence_holds_the_ledgers_own_number(answered: Page, ledger: Ledger) -> None:
    question = ledger.best_question()
    answer = ledger.ask("/v1/typical-gain", **question)
    number = answered.locator(".headline data").first
    assert abs(float(number.get_attribute("value") or "nan")) == abs(answer["typical"])
    assert abs(spoken(number.inner_text()) - abs(answer["typical"])) <= 0.5
    assert f"In {answer['evidence']['cars']} " in answered.locator(".headline").inner_text()


def test_both_intervals_stand_under_the_sentence(answered: Page, ledger: Ledger) -> None:
    question = ledger.best_question()
    answer = ledger.ask("/v1/typical-gain", **question)
    shown = [
        float(node.get_attribute("value") or "nan")
        for node in answered.locator(".answer > p:nth-child(2) data").all()
    ]
    assert shown == [*answer["typical_interval"], *answer["next_car_interval"]]


def test_a_baseline_is_answered_for_this_car(shown: Shown, ledger: Ledger) -> None:
    question = {**ledger.best_question(), "baseline": "231"}
    answer = ledger.ask("/v1/typical-gain", **question)
    page = shown.open("gain.html", **question)
    measured, scaled = page.locator(".headline data").all()
    assert float(measured.get_attribute("value") or "nan") == answer["typical_percent"]
    assert measured.inner_text().endswith("%")
    assert float(scaled.get_attribute("value") or "nan") == answer["typical"]
    expect(page.locator(".headline")).to_contain_text("On this car, which reads 231")
    line = page.locator(".answer > p", has_text="should read about")
    after = float(line.locator("data").first.get_attribute("value") or "nan")
    assert abs(after - (231 + answer["typical"])) < 1e-9


def test_with_a_baseline_every_figure_is_scaled_to_it_or_in_percent(shown: Shown, ledger: Ledger) -> None:
    question = {**ledger.best_question(), "baseline": "231"}
    answer = ledger.ask("/v1/typical-gain", **question)
    page = shown.open("gain.html", **question)
    captions = page.locator("figcaption")
    expect(captions.nth(0)).to_contain_text("Gain in % at each engine speed")
    expect(captions.nth(1)).to_contain_text("scaled to this car's 231")
    over_revs, by_car = (page.locator(".chart").nth(i).locator("svg text") for i in (0, 1))
    assert any(label.endswith(" %") for label in over_revs.all_text_contents())
    assert not any(label.endswith(" %") for label in by_car.all_text_contents())
    open_pairs(page)
    first = next(pair for pair in answer["pairs"] if pair["used"])
    cell = page.locator(".stacked tbody tr").first.locator("[data-head^='on this car']")
    assert abs(spoken(cell.inner_text()) - abs(first["percent"]) / 100 * 231) <= 0.06


def test_the_answer_follows_the_address_and_the_address_the_pickers(cleared: Watched, ledger: Ledger) -> None:
    question = ledger.best_question()
    page = cleared.open("gain.html", **question)
    with page.expect_response(re.compile("typical-gain.*peak_torque")):
        page.get_by_label("What is measured").select_option("peak_torque")
    cleared.settle()
    assert "measure=peak_torque" in page.url
    expect(page.locator(".headline")).to_contain_text("peak torque")
    page.reload()
    cleared.settle()
    expect(page.get_by_label("What is measured")).to_have_value("peak_torque")
    expect(page.locator(".headline")).to_contain_text("peak torque")


def test_the_picture_says_where_it_gains_most_in_the_unit_that_it_draws(shown: Shown, ledger: Ledger) -> None:
    question = ledger.best_question()
    curve = ledger.ask("/v1/typical-gain", **question)["curve"]
    knots = [
        (speed, gain) for speed, gain in zip(curve["rpm"], curve["typical"], strict=True) if gain is not None
    ]
    speed, gain = max(knots, key=lambda knot: knot[1])
    caption = shown.open("gain.html", **question).locator("#revs figcaption")
    expect(caption).to_contain_text(f"most at {speed:,} rpm (+{gain:.1f} kW)")
    expect(caption).to_contain_text("Where nought is drawn thick, a gain is established.")


def test_what_is_borrowed_and_may_be_nothing_is_not_said_to_be_a_gain_of_nought(
    cleared: Watched, ledger: Ledger
) -> None:
    question = ledger.best_question()
    answer = ledger.ask("/v1/typical-gain", **question)
    nobody = {"cars": 0, "pairs": 0, "cars_with": 0, "cars_compared": 0, "grade": "borrowed"}
    told = {"typical": 0.2, "typical_percent": 0.1, "typical_interval": [-11.0, 10.0], "pairs": []}
    found = {**answer, **told, "evidence": {**answer["evidence"], **nobody}}
    cleared.page.route(re.compile(r"/v1/typical-gain\?"), lambda route: route.fulfill(json=found))
    headline = cleared.open("gain.html", **question).locator(".headline")
    expect(headline).to_contain_text("Going by other kinds of car")
    expect(headline).to_contain_text("of peak power (0 %): not enough to tell from nothing.")


def test_a_band_asks_for_its_two_speeds_only_then(cleared: Watched, ledger: Ledger) -> None:
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.get_by_label("From, rpm")).to_be_hidden()
    with page.expect_response(re.compile("typical-gain.*from=3000.*to=5500")):
        page.get_by_label("What is measured").select_option("band_power")
    expect(page.get_by_label("From, rpm")).to_be_visible()
    expect(page.get_by_label("At, rpm", exact=True)).to_be_hidden()


def test_units_are_remembered_for_the_next_question(cleared: Watched, ledger: Ledger) -> None:
    page = cleared.open("gain.html", **ledger.best_question())
    with page.expect_response(re.compile("typical-gain.*units=us")):
        page.get_by_label("Units").select_option("us")
    cleared.settle()
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.get_by_label("Units")).to_have_value("us")
    expect(page.locator(".headline strong")).to_contain_text("hp")


def test_measured_parts_come_first_in_the_picker(answered: Page, ledger: Ledger) -> None:
    question = ledger.best_question()
    rows = ledger.ask("/v1/evidence", platform=question["platform"], limit="500")["items"]
    first = answered.locator("#part optgroup").first
    listed = [option.get_attribute("value") for option in first.locator("option").all()]
    assert set(listed) == {row["part"] for row in rows}


def test_the_curve_and_every_car_are_drawn(answered: Page, ledger: Ledger) -> None:
    question = ledger.best_question()
    answer = ledger.ask("/v1/typical-gain", **question)
    cars = {pair["vehicle"] for pair in answer["pairs"] if pair["used"]}
    assert len(cars) == answer["evidence"]["cars"]
    assert answered.locator(".chart svg").count() == 2
    labels = answered.locator(".chart").nth(1).locator("svg text").all_text_contents()
    own = [label for label in labels if re.fullmatch(r"car \d+, [A-Z][a-z]+ \d{4}", label)]
    assert len(set(own)) == min(len(cars), 40)


def test_other_cars_tags_stand_only_inside_folds(answered: Page, ledger: Ledger) -> None:
    question = ledger.best_question()
    cars = {pair["vehicle"] for pair in ledger.ask("/v1/typical-gain", **question)["pairs"]}
    open_part = answered.locator("main").inner_text() + " ".join(
        answered.locator(".chart text").all_text_contents()
    )
    assert [tag for tag in cars if tag in open_part] == []
    newest = answered.locator("#cars ul").last.locator("li").all_inner_texts()
    assert newest
    assert all(re.fullmatch(r"[A-Z][a-z]+ \d{4}: [+\u2212]?[\d.]+\s%", line) for line in newest), newest
    open_pairs(answered)
    first = answered.locator("#pairs tbody tr").first.locator("th")
    assert first.inner_text() in cars


def test_every_pair_is_listed_with_its_records(answered: Page, ledger: Ledger) -> None:
    question = ledger.best_question()
    answer = ledger.ask("/v1/typical-gain", **question)
    rows = answered.locator("section", has_text="The pairs it rests on").locator("tbody tr")
    assert rows.count() == len(answer["pairs"])
    open_pairs(answered)
    first = next(pair for pair in answer["pairs"] if pair["used"])
    assert rows.first.locator("a").first.get_attribute("href") == first["before"]


def test_a_part_without_evidence_here_gets_no_number_of_this_platform(shown: Shown, ledger: Ledger) -> None:
    question = ledger.unmeasured_question()
    grade = ledger.ask("/v1/typical-gain", **question)["evidence"]["grade"]
    assert grade in ("none", "borrowed")
    page = shown.open("gain.html", **question)
    said = page.locator(".headline").inner_text()
    assert ("has not been measured" if grade == "none" else "has been measured with") in said
    expect(page.get_by_role("heading", name="Measured elsewhere")).to_be_visible()
    assert bool(page.locator(".headline data").count()) == (grade == "borrowed")


def test_an_unknown_part_is_named_and_leaves_a_way_out(shown: Shown, ledger: Ledger) -> None:
    page = shown.open("gain.html", platform=ledger.best_question()["platform"], part="no-such-part")
    expect(page.locator("#answer")).to_contain_text("no-such-part")
    expect(page.get_by_role("button", name="Ask again")).to_be_visible()
    expect(page.get_by_label("Part", exact=True)).to_be_enabled()


def test_the_numbers_can_be_saved_for_a_spreadsheet(answered: Page) -> None:
    with answered.expect_download() as download:
        answered.get_by_role("button", name=re.compile("CSV")).first.click()
    lines = download.value.path().read_text("utf-8").splitlines()
    assert "rpm" in lines[0].split(",")
    assert len(lines) > 10


def changed(change: Callable[[dict[str, Any]], None]) -> Callable[[Route], None]:
    """A handler which lets the ledger answer and then changes the answer."""

    def answer(route: Route) -> None:
        response = route.fetch()
        body = response.json()
        change(body)
        route.fulfill(response=response, json=body)

    return answer


def test_a_gain_known_in_percent_only_is_said_in_percent(cleared: Watched, ledger: Ledger) -> None:
    def without_level(body: dict[str, Any]) -> None:
        body.update(typical=None, typical_interval=None, next_car_interval=None, typical_percent=5.1)
        body.update(typical_interval_percent=[4.2, 6.0], next_car_interval_percent=[2.0, 8.2])
        for pair in body["pairs"]:
            pair["gain"] = None

    cleared.page.route("**/v1/typical-gain*", changed(without_level))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator(".headline strong")).to_have_text("5.1\u00a0%")
    expect(page.locator(".answer")).to_contain_text("between 4.2 and 6.0\u00a0%")
    labels = page.locator(".chart").last.locator("svg text").all_text_contents()
    assert any(label.endswith(" %") for label in labels)


def test_one_car_alone_gets_no_claim_about_the_next(cleared: Watched, ledger: Ledger) -> None:
    def one_car(body: dict[str, Any]) -> None:
        body.update(typical=6.0, typical_percent=2.5, typical_interval=None, next_car_interval=None)
        body["evidence"].update(grade="thin", cars=1)
        body["curve"].update(low=[None] * len(body["curve"]["rpm"]), high=[None] * len(body["curve"]["rpm"]))

    cleared.page.route("**/v1/typical-gain*", changed(one_car))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator(".headline")).to_have_text(
        re.compile(r"^The one .* car measured with and without .* gained 6\.0")
    )
    expect(page.locator(".answer")).to_contain_text("too few cars to say how sure")
    expect(page.locator("#more")).to_contain_text("Too few cars to say where it gains")
    expect(page.locator("#more")).not_to_contain_text("It gains between")
    assert page.locator(".chart svg").count() == 2
    assert cleared.complaints == []


@pytest.mark.parametrize("held", [True, False])
def test_a_pair_whose_conditions_were_not_held_is_an_open_dot(
    cleared: Watched, ledger: Ledger, held: bool
) -> None:
    def alike(body: dict[str, Any]) -> None:
        for pair in body["pairs"]:
            pair.update(match="same-session", held=held)

    cleared.page.route("**/v1/typical-gain*", changed(alike))
    page = cleared.open("gain.html", **ledger.best_question())
    dots = page.locator("#cars .chart svg g.mark-symbol path")
    filled = [dot.get_attribute("fill") != "var(--paper)" for dot in dots.all()]
    assert set(filled) == {held}


@pytest.mark.parametrize(("sign", "ending"), [(-1, "6.0\u00a0kW less."), (1, "6.0\u00a0kW.")])
def test_what_a_part_takes_away_is_less_on_this_car(
    cleared: Watched, ledger: Ledger, sign: int, ending: str
) -> None:
    def moved(body: dict[str, Any]) -> None:
        body.update(typical=sign * 6.0, typical_interval=sorted((sign * 5.0, sign * 7.0)))
        body.update(typical_percent=sign * 2.6, typical_interval_percent=sorted((sign * 2.2, sign * 3.0)))

    cleared.page.route("**/v1/typical-gain*", changed(moved))
    page = cleared.open("gain.html", **ledger.best_question(), baseline="231")
    expect(page.locator(".headline")).to_contain_text(f"that would be about {ending}")


def test_a_gain_not_told_from_nothing_is_not_called_a_gain(cleared: Watched, ledger: Ledger) -> None:
    def doubtful(body: dict[str, Any]) -> None:
        body.update(
            typical=0.8, typical_percent=0.4, typical_interval=[-1.1, 2.7], next_car_interval=[-4.0, 5.6]
        )
        body["cost"].update(fitted=660.0, price=480.0, currency="GBP", per_unit=None, per_unit_interval=None)

    cleared.page.route("**/v1/typical-gain*", changed(doubtful))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator(".headline")).to_contain_text("changed by +0.8")
    expect(page.locator(".headline")).to_contain_text("not enough to tell from nothing")
    expect(page.locator(".answer")).to_contain_text("typical car changes by between \u22121.1 and 2.7")
    expect(page.locator(".answer")).to_contain_text("is expected to change by between \u22124.0 and 5.6")
    expect(page.locator("#more")).to_contain_text("Gain not established")


def test_a_price_without_an_hourly_rate_is_shown_and_not_called_unrecorded(
    cleared: Watched, ledger: Ledger
) -> None:
    def without_rate(body: dict[str, Any]) -> None:
        body["cost"].update(
            fitted=None,
            price=480.0,
            currency="GBP",
            price_date="2026-03-02",
            labour_hours=2.5,
            labour_rate=None,
            per_unit=None,
            per_unit_interval=None,
        )

    cleared.page.route("**/v1/typical-gain*", changed(without_rate))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator("#cost")).to_contain_text(
        "Part £480, 2.5 hours of work; the shop has no hourly rate in GBP"
    )
    expect(page.locator("#cost")).to_contain_text("Price of 2 March 2026.")
    expect(page.locator("#cost")).not_to_contain_text("No price is recorded")


def test_a_loss_is_called_a_loss(cleared: Watched, ledger: Ledger) -> None:
    def loss(body: dict[str, Any]) -> None:
        body.update(typical=-4.0, typical_percent=-1.7, typical_interval=[-5.0, -3.0])

    cleared.page.route("**/v1/typical-gain*", changed(loss))
    page = cleared.open("gain.html", **ledger.best_question())
    expect(page.locator(".headline")).to_contain_text("the typical car lost 4.0")


def test_a_car_whose_level_is_not_known_is_plotted_counted_and_marked(
    cleared: Watched, ledger: Ledger
) -> None:
    lost: dict[str, Any] = {}

    def without_level(body: dict[str, Any]) -> None:
        pair = next(pair for pair in body["pairs"] if pair["used"])
        pair["gain"] = None
        lost.update(pair, baseline=body["baseline"], cars=body["evidence"]["cars"])

    cleared.page.route("**/v1/typical-gain*", changed(without_level))
    page = cleared.open("gain.html", **ledger.best_question())
    labels = page.locator(".chart").nth(1).locator("svg text").all_text_contents()
    assert len([label for label in labels if label.startswith("car ")]) == lost["cars"]
    open_pairs(page)
    expect(page.locator("#cars")).to_contain_text(f"Of the {lost['cars']} cars")
    cell = page.locator(".stacked tbody tr").first.locator("[data-head^='gain']")
    expect(cell).to_contain_text("ratio only")
    assert abs(spoken(cell.inner_text()) - abs(lost["percent"]) / 100 * lost["baseline"]) <= 0.06


def test_very_many_comparisons_are_counted_and_listed_in_part(cleared: Watched, ledger: Ledger) -> None:
    def many(body: dict[str, Any]) -> None:
        one = next(pair for pair in body["pairs"] if pair["used"])
        body["pairs"] = [
            {**one, "vehicle": f"car-{car}", "used": nth == 0} for car in range(400) for nth in range(5)
        ]
        body["evidence"].update(cars=400, pairs=4200)

    cleared.page.route("**/v1/typical-gain*", changed(many))
    page = cleared.open("gain.html", **ledger.best_question())
    assert page.evaluate("() => document.querySelectorAll('*').length") < MOST_NODES
    section = page.locator("section", has_text="The pairs it rests on")
    expect(section).to_contain_text("400 cars counted, of 4,200 comparisons")
    expect(section).to_contain_text("Listed: 2,000")
    assert section.locator("tbody tr").count() == 100
    open_pairs(page)
    section.locator("summary", has_text="more comparisons").click()
    expect(section.locator("tbody tr")).to_have_count(2000)


def test_one_word_for_each_thing(answered: Page) -> None:
    said = answered.locator("main").inner_text()
    assert "typical car gains between" in said
    assert "One more car is expected to gain between" in said
    assert not re.search(r"another car|next car|average car|typical gain", said)


@pytest.mark.parametrize("width", [420, 700, 1000])
def test_no_word_of_the_curve_lies_on_another(answered: Page, width: int) -> None:
    resize(answered, width)
    boxes = answered.locator(".chart").first.evaluate(TEXT_BOXES)
    assert any(box["text"] == "gains" for box in boxes)
    over = [(a["text"], b["text"]) for a, b in combinations(boxes, 2) if overlap(a, b)]
    assert over == []


@pytest.mark.parametrize("reach", [(1800, 6200), (1800, 5600), (1000, 3200)])
def test_the_speeds_of_the_axis_stand_apart_at_every_width(
    cleared: Watched, ledger: Ledger, reach: tuple[int, int]
) -> None:
    low, high = reach

    def reaching(body: dict[str, Any]) -> None:
        last = len(body["curve"]["rpm"]) - 1
        speeds = [round(low + (high - low) * step / last) for step in range(last + 1)]
        body["curve"].update(rpm=speeds, established=[])

    cleared.page.route("**/v1/typical-gain*", changed(reaching))
    page = cleared.open("gain.html", **ledger.best_question())
    for width in (390, 600, 820, 940, 1020, 1100, 1440):
        resize(page, width)
        written = page.locator("#revs .chart").evaluate(TEXT_BOXES)
        speeds = sorted((box["left"], box["right"]) for box in written if re.match(r"\d,\d{3}$", box["text"]))
        assert len(speeds) >= FEWEST_NUMBERS
        gaps = [after[0] - before[1] for before, after in pairwise(speeds)]
        assert min(gaps) >= LEAST_GAP_PX, (width, gaps)


@pytest.mark.parametrize("width", [390, 1100])
def test_no_word_of_a_chart_sticks_out_of_its_place(cleared: Watched, ledger: Ledger, width: int) -> None:
    cleared.page.set_viewport_size({"width": width, "height": 900})
    page = cleared.open("gain.html", **ledger.best_question())
    for chart in page.locator("#revs .chart, #cars .chart").all():
        place = chart.bounding_box()
        assert place
        right = place["x"] + place["width"]
        assert [box["text"] for box in chart.evaluate(TEXT_BOXES) if box["right"] > right + 1] == []


def test_a_narrow_chart_still_has_numbers_to_read_it_by(answered: Page) -> None:
    resize(answered, 420)
    for chart in answered.locator("#revs .chart, #cars .chart").all():
        texts = [box["text"] for box in chart.evaluate(TEXT_BOXES)]
        assert len([text for text in texts if re.fullmatch(r"[\u2212\d,.]+", text)]) >= FEWEST_NUMBERS, texts


@pytest.mark.parametrize("width", [420, 700, 1000])
def test_the_table_of_pairs_shows_every_column(answered: Page, width: int) -> None:
    resize(answered, width)
    open_pairs(answered)
    for cell in answered.locator(".stacked tbody tr").first.locator("th, td").all():
        box = cell.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
    region = answered.get_by_role("region", name="One before/after pair in each row")
    assert region.evaluate("(node) => node.scrollWidth - node.clientWidth") <= 0
    expect(region.get_by_role("columnheader", name="records", include_hidden=True)).to_have_count(1)
    expect(region.get_by_role("row").nth(1).get_by_role("cell").last).to_contain_text("after")


def test_a_band_out_of_reach_says_how_many_cars_were_measured_elsewhere(shown: Shown, ledger: Ledger) -> None:
    question = {**ledger.best_question(), "measure": "band_power", "from": "9000", "to": "9500"}
    cars = ledger.ask("/v1/typical-gain", **question)["evidence"]["cars_compared"]
    page = shown.open("gain.html", **question)
    said = page.locator(".headline").inner_text()
    assert f"measured on {cars} cars, none of them from 9,000 to 9,500 rpm" in said
    assert "not been measured" not in page.locator("#answer").inner_text()
    assert "Not measured" not in page.locator("#more").inner_text()


@pytest.mark.parametrize(
    ("together", "said"), [(2, "only together with other changes: 2 cars"), (0, "not been")]
)
def test_a_part_measured_elsewhere_in_company_is_not_called_unmeasured_there(
    cleared: Watched, ledger: Ledger, together: int, said: str
) -> None:
    def nowhere(body: dict[str, Any]) -> None:
        body["evidence"].update(cars=0, cars_compared=0, grade="borrowed", cars_elsewhere=together)

    cleared.page.route("**/v1/typical-gain?*", changed(nowhere))
    cleared.page.route("**/v1/evidence?*part=*", changed(lambda body: body.update(items=[])))
    page = cleared.open("gain.html", **ledger.best_question())
    elsewhere = page.locator("section", has=page.get_by_role("heading", name="Measured elsewhere"))
    expect(elsewhere).to_contain_text(said)


def open_pairs(page: Page) -> None:
    """Open the fold that the table of pairs stands in."""
    page.locator("#pairs summary", has_text="one by one").click()


def resize(page: Page, width: int) -> None:
    """Make the window so wide, and wait until the charts are redrawn for it."""
    page.set_viewport_size({"width": width, "height": 900})
    page.wait_for_function(REDRAWN)
    page.evaluate(NEXT_FRAMES)


def overlap(a: dict[str, Any], b: dict[str, Any]) -> bool:
    """Whether two boxes share any area."""
    across = min(a["right"], b["right"]) - max(a["left"], b["left"])
    down = min(a["bottom"], b["bottom"]) - max(a["top"], b["top"])
    return bool(across > 0 and down > 0)


# Every chart is as wide as its place, within a pixel; its words follow in the same frame or the next.
REDRAWN = """() => [...document.querySelectorAll('#revs .chart, #cars .chart')]
  .every((chart) => Math.abs(chart.querySelector('svg').getBoundingClientRect().width - chart.clientWidth) <= 1)"""
NEXT_FRAMES = """() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"""

# What a chart has written, and where; labels the axis itself left out are not drawn.
TEXT_BOXES = """(chart) => [...chart.querySelectorAll('svg text')]
  .filter((node) => node.textContent && node.getAttribute('opacity') !== '0')
  .map((node) => {
    const { left, right, top, bottom } = node.getBoundingClientRect();
    return { text: node.textContent, left, right, top, bottom };
  })"""


def spoken(text: str) -> float:
    """The number in a text as the page writes it."""
    found = re.search(r"[\d,]+(\.\d+)?", text)
    assert found, text
    return float(found[0].replace(",", ""))
