"""The page that shows what is worth its money."""

import json
import re
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, Route, expect

from tests.dashboard.conftest import Ledger, Shown, Watched

pytestmark = pytest.mark.slow

API = "**/part-choice*"
WIDTHS = (360, 768, 1440)
MOST_WORDS = 30  # our choice: what is heard in five seconds or so
SMALLEST_TARGET_PX = 44  # WCAG 2.2, success criterion 2.5.5 (enhanced)
DRAWN = """() => [...document.querySelectorAll('.chart svg g.mark-symbol path')]
  .map((point) => point.getAttribute('aria-label')).filter(Boolean)"""
HEIGHTS = "(nodes) => nodes.map((node) => [node.getBoundingClientRect().height, node.outerHTML])"


def choice(ledger: Ledger, platform: str, **question: str) -> dict[str, Any]:
    """The ledger's own answer."""
    found: dict[str, Any] = ledger.ask(f"/v1/platforms/{platform}/part-choice", **question)
    return found


@pytest.fixture
def platform(ledger: Ledger) -> str:
    """The kind of car with the most evidence."""
    return ledger.best_question()["platform"]


def values(node: Locator) -> list[float]:
    """The unrounded values behind the figures in a part of the page."""
    return [
        float(value) for value in node.locator("data").evaluate_all("(nodes) => nodes.map((n) => n.value)")
    ]


def gaining(answer: dict[str, Any]) -> list[dict[str, Any]]:
    return [row for row in answer["parts"] if row["standing"] == "gains"]


def frontier(answer: dict[str, Any]) -> list[str]:
    """Names on the frontier, from the cheapest on."""
    ahead = sorted((row for row in answer["parts"] if row["frontier"]), key=lambda row: row["fitted"])
    return [row["name"].lower() for row in ahead]


# The sentence


def test_the_sentence_names_the_first_part_its_gain_and_what_it_costs(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    first = choice(ledger, platform, budget="2000")["best_order"][0]
    line = shown.open("worth.html", platform=platform, budget="2000").locator(".headline")
    expect(line).to_contain_text(re.compile(r"^For up to £2,000, most peak power for the money on the "))
    assert line.locator("strong.name").all_inner_texts() == [in_sentence(first["name"])]
    assert values(line) == [first["adds"]]
    expect(line).to_contain_text(f"for £{first['cost']:,.0f} fitted.")
    assert len(line.inner_text().split()) <= MOST_WORDS


def test_the_second_part_and_what_all_give_together_stand_below_it(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    order = choice(ledger, platform, budget="2000")["best_order"]
    below = shown.open("worth.html", platform=platform, budget="2000").locator("#afterwards")
    assert below.locator("strong").first.inner_text() == in_sentence(order[1]["name"])
    expected = [
        figure
        for step, name in ((order[1], "adds"), (order[-1], "gained"))
        for figure in (step[name], *step[f"{name}_interval"])
    ]
    assert values(below) == expected
    expect(below).to_contain_text(f"together cost £{order[-1]['spent']:,.0f}")
    expect(below).to_contain_text("gains do not simply add")


def in_sentence(name: str) -> str:
    """A part's name as it stands within a sentence."""
    return name[0].lower() + name[1:]


def papers(ledger: Ledger) -> dict[str, str]:
    """What is on record of each part for the road."""
    rows = ledger.ask("/v1/parts", limit="500")["items"]
    found = {row["slug"]: (row["approval"] or {}).get("document") for row in rows}
    return {
        part: paper if paper and paper != "unknown" else "no approval on record, ask"
        for part, paper in found.items()
    }


def test_the_sentence_is_graded_by_its_part_and_the_sum_by_the_weakest_of_all(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    answer = choice(ledger, platform)
    order, rows = answer["best_order"], {row["part"]: row for row in answer["parts"]}
    own, weakest = rows[order[0]["part"]]["evidence"]["grade"], order[-1]["grade"]
    assert weakest != own  # else this would show nothing
    page = shown.open("worth.html", platform=platform)
    grade = page.locator(".answer .grade")
    expect(grade).to_have_class(f"grade grade-{own}")
    expect(grade).to_contain_text(re.compile(f"^{own} evidence", re.IGNORECASE))
    assert values(grade) == order[0]["adds_interval"]
    expect(grade).to_contain_text(f"({100 * answer['level']:.0f} % sure)")
    expect(page.locator("#afterwards")).to_contain_text(f"The weakest evidence in it: {weakest}")
    for step in order:
        if rows[step["part"]]["evidence"]["grade"] == weakest:
            expect(page.locator("#afterwards")).to_contain_text(in_sentence(step["name"]))


def test_the_answer_and_the_order_say_what_each_part_is_for_the_road(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    order, paper = choice(ledger, platform)["best_order"], papers(ledger)
    assert len({paper[step["part"]] for step in order}) > 1
    page = shown.open("worth.html", platform=platform)
    marks = [f"for the road: {paper[step['part']]}" for step in order]
    expect(page.locator(".answer .grade")).to_contain_text(marks[0])
    expect(page.locator("#afterwards")).to_contain_text(marks[1])
    for i, mark in enumerate(marks):
        expect(page.locator("#order tbody th").nth(i)).to_contain_text(mark)
    for mark in {paper[step["part"]] for step in order}:
        expect(page.locator("#order > p")).to_contain_text(f"{mark} (")


def test_what_a_budget_buys_in_one_go_has_cost_figures_grade_and_marks(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    for budget in range(400, 6000, 200):
        answer = choice(ledger, platform, budget=str(budget))
        best, order = answer["best_within_budget"], [step["part"] for step in answer["best_order"]]
        if not set(best) <= set(order):
            break
    else:
        pytest.fail("no budget of the demo buys other parts at once than one after the other")
    page = cleared.open("worth.html", platform=platform, budget=str(budget))
    line, gives = page.locator("#at-once"), answer["best_within_budget_gives"]
    assert values(line) == [gives["gained"], *gives["gained_interval"]]
    expect(line).to_contain_text(f"It costs £{gives['spent']:,.0f}")
    expect(line).to_contain_text(f"The weakest evidence in it: {gives['grade']}")
    for part in best:
        expect(line).to_contain_text(f"{papers(ledger)[part]} (")


def test_money_is_rounded_by_one_rule(shown: Shown, platform: str) -> None:
    page = shown.open("worth.html", platform=platform)
    call = "async (value) => (await import('/say.js')).money(value, 'GBP')"
    assert [page.evaluate(call, value) for value in (10, 12.4, 100, 9.5, 2, 0)] == [
        "£10", "£12", "£100", "£9.50", "£2", "£0",
    ]  # fmt: skip


def test_without_a_budget_the_sentence_names_none(shown: Shown, platform: str) -> None:
    page = shown.open("worth.html", platform=platform)
    expect(page.locator(".headline")).to_contain_text(re.compile(r"^Most peak power for the money on the "))


def test_what_is_borrowed_is_called_so_under_the_sentence_and_the_best_measured_here_is_named(
    cleared: Watched, ledger: Ledger
) -> None:
    for platform in (row["slug"] for row in ledger.ask("/v1/platforms", limit="50")["items"]):
        answer = choice(ledger, platform)
        rows = {row["part"]: row for row in answer["parts"]}
        first = rows[answer["best_order"][0]["part"]]
        if first["evidence"]["grade"] == "borrowed":
            break
    else:
        pytest.fail("no kind of car of the demo has a borrowed first place")
    page = cleared.open("worth.html", platform=platform)
    expect(page.locator(".grade-borrowed")).to_contain_text(
        "Borrowed: no car of this kind shows it by itself"
    )
    expect(page.locator(".grade-borrowed")).to_contain_text("borrowed from")
    here = next(row for row in gaining(answer) if row["evidence"]["cars"] and row["fitted"] is not None)
    expect(page.locator(".answer")).to_contain_text(f"on this kind of car itself: the {here['name']}")


# The picture and its table


@pytest.mark.parametrize("budget", ["", "1000"])
def test_the_line_holds_exactly_the_ledgers_frontier(
    shown: Shown, ledger: Ledger, platform: str, budget: str
) -> None:
    question = {"budget": budget} if budget else {}
    answer = choice(ledger, platform, **question)
    page = shown.open("worth.html", platform=platform, **question)
    assert [name.lower() for name in page.locator(".onward a").all_inner_texts()] == frontier(answer)
    assert all(row["fitted"] <= 1000 for row in answer["parts"] if row["frontier"] and budget)
    numbered = page.locator(".chart svg g.mark-text.role-mark text").all_text_contents()
    numbers = {
        int(found[0]) for text in numbered if (found := re.findall(r"\d+$", text)) and "budget" not in text
    }
    assert numbers == set(range(1, len(frontier(answer)) + 1))
    assert any(text.startswith("budget £1,000") for text in numbered) == bool(budget)


def test_every_part_known_to_gain_is_drawn_with_its_own_cost(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    answer = choice(ledger, platform)
    page = shown.open("worth.html", platform=platform)
    spoken = page.evaluate(DRAWN)
    for row in gaining(answer):
        (label,) = [text for text in spoken if f"part: {row['name']};" in text]
        assert f"fitted: {round(row['fitted']):,}" in label


def test_established_borrowed_and_doubtful_parts_have_shapes_of_their_own(
    shown: Shown, platform: str
) -> None:
    page = shown.open("worth.html", platform=platform)
    shapes = page.evaluate(
        "() => [...document.querySelectorAll('.chart svg g.mark-symbol')].map((g) => g.querySelector('path')?.getAttribute('d'))"
    )
    drawn = [shape for shape in shapes if shape]
    assert len(drawn) == len(set(drawn)) == 3
    expect(page.locator("figcaption")).to_contain_text("Dot: measured on this kind of car; diamond: borrowed")


def test_the_table_has_the_ledgers_figures_and_a_way_to_each_parts_gain(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    answer = choice(ledger, platform)
    page = shown.open("worth.html", platform=platform)
    rows = page.locator("#picture tbody tr")
    assert rows.count() == len(gaining(answer))
    heading = "Parts whose interval lies above nought, most gain for the money first"
    expect(page.locator("#picture caption")).to_have_text(heading)
    for i, row in enumerate(gaining(answer)):
        assert values(rows.nth(i)) == [row["typical"], *row["typical_interval"]]
        address = rows.nth(i).get_by_role("link").get_attribute("href") or ""
        assert address.startswith("gain.html?")
        assert f"part={row['part']}" in address
        assert f"platform={platform}" in address
        cost = rows.nth(i).locator("td").nth(1)
        expect(cost).to_have_text(f"£{row['fitted']:,.0f}")
        expect(rows.nth(i)).to_contain_text(row["evidence"]["grade"])


def test_an_upper_cost_far_beyond_the_lower_one_is_not_said(cleared: Watched, platform: str) -> None:
    def far(row: dict[str, Any]) -> dict[str, Any]:
        ends = {"road-calibration": [225.0, 2260.0], "200-cell-down-pipe": [225.0, 2250.0]}
        return {**row, "cost_per_unit_interval": ends.get(row["part"], row["cost_per_unit_interval"])}

    cleared.page.route(API, changed(each=far))
    both = "road-calibration,200-cell-down-pipe"
    page = cleared.open("worth.html", platform=platform, together=both)
    for table in (page.locator("#picture"), page.locator("#together")):
        rows = table.locator("tbody tr")
        expect(rows.filter(has_text="Road calibration")).to_contain_text("£225, no upper limit worth saying")
        expect(rows.filter(has_text="Road calibration")).not_to_contain_text("£2,260")
        expect(rows.filter(has_text="200-cell down-pipe")).to_contain_text("£225 to £2,250")


def test_the_numbers_can_be_had_for_a_spreadsheet(shown: Shown, ledger: Ledger, platform: str) -> None:
    page = shown.open("worth.html", platform=platform, budget="2000")
    with page.expect_download() as saving:
        page.get_by_role("button", name="Save the numbers").click()
    lines = saving.value.path().read_text().splitlines()
    assert len(lines) == 1 + len(choice(ledger, platform)["parts"])
    assert "price_date" in lines[0]


# The question


def test_the_budget_slides_by_the_arrow_keys_and_says_the_number(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    page = cleared.open("worth.html", platform=platform)
    steps = choice(ledger, platform)["budget_range"]
    slide = page.get_by_label("The budget by steps")
    assert [slide.get_attribute(name) for name in ("min", "max", "step")] == [
        f"{steps[name]:.0f}" for name in ("least", "most", "step")
    ]
    slide.press("Home")
    cleared.settle()
    number = page.get_by_label("Budget, work included")
    expect(number).to_have_value(f"{steps['least']:.0f}")
    for _ in range(5):
        slide.press("ArrowRight")
    wished = f"{steps['least'] + 5 * steps['step']:.0f}"
    expect(number).to_have_value(wished)
    expect(slide).to_be_focused()
    expect(page.locator(".headline")).to_contain_text(f"£{int(wished):,}")
    cleared.settle()
    assert f"budget={wished}" in page.url
    assert frontier(choice(ledger, platform, budget=wished)) == [
        name.lower() for name in page.locator(".onward a").all_inner_texts()
    ]


def test_a_budget_typed_moves_the_slide(cleared: Watched, platform: str) -> None:
    page = cleared.open("worth.html", platform=platform)
    page.get_by_label("Budget, work included").fill("1000")
    page.keyboard.press("Enter")
    expect(page.locator(".headline")).to_contain_text("£1,000")
    expect(page.get_by_label("The budget by steps")).to_have_value("1000")


def test_a_budget_below_every_part_says_what_the_cheapest_costs(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    cheapest = min(row["fitted"] for row in gaining(choice(ledger, platform)) if row["fitted"] is not None)
    page = cleared.open("worth.html", platform=platform, budget="1")
    expect(page.locator(".headline")).to_contain_text("no part is known to gain")
    expect(page.locator(".headline")).to_contain_text(f"costs £{cheapest:,.0f} fitted")
    expect(page.locator(".onward")).to_have_count(0)


def test_what_is_ticked_as_fitted_is_taken_out_and_the_rest_is_asked_beside_it(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    page = cleared.open("worth.html", platform=platform)
    page.locator("summary", has_text="Already on the car").click()
    box = page.get_by_label("Road calibration", exact=True)
    box.press("Space")
    cleared.settle()
    page.locator("#fitted").get_by_label("Open intake").press("Space")
    expect(page.locator("#fitted-said")).to_contain_text("open intake")
    cleared.settle()
    assert "fitted=open-intake%2Croad-calibration" in page.url
    answer = choice(ledger, platform, fitted="open-intake,road-calibration")
    names = [name.lower() for name in page.locator("#picture tbody th a").all_inner_texts()]
    assert names == [row["name"].lower() for row in gaining(answer)]
    assert not {"road calibration", "open intake with heat shield"} & set(names)
    assert values(page.locator("#picture tbody tr").first)[0] == gaining(answer)[0]["typical"]
    page.reload()
    cleared.settle()
    expect(page.get_by_label("Road calibration", exact=True)).to_be_checked()


def test_a_fitted_part_the_ledger_does_not_know_is_not_passed_over(cleared: Watched, platform: str) -> None:
    page = cleared.open("worth.html", platform=platform, fitted="road-calibratoin")
    expect(page.locator("#answer")).to_contain_text("Not in the ledger")
    expect(page.locator("#answer")).to_contain_text("road-calibration")


def test_a_place_on_the_car_narrows_the_list(cleared: Watched, ledger: Ledger, platform: str) -> None:
    page = cleared.open("worth.html", platform=platform)
    page.get_by_label("Where on the car").select_option("rear-exhaust")
    cleared.settle()
    page.wait_for_url("**slot=rear-exhaust**")
    answer = choice(ledger, platform, slot="rear-exhaust")
    expect(page.locator("#picture tbody tr")).to_have_count(len(gaining(answer)))


def test_units_and_this_cars_own_reading_scale_every_gain(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    question = {"units": "us", "baseline": "300", "measure": "peak_torque"}
    answer = choice(ledger, platform, **question)
    page = cleared.open("worth.html", platform=platform, **question)
    expect(page.locator(".headline")).to_contain_text("lbf·ft")
    assert values(page.locator("#picture tbody tr").first)[0] == gaining(answer)[0]["typical"]
    expect(page.locator(".footnote")).to_contain_text("this car's own reading")


# In which order, and the cheapest way


def test_the_order_is_the_ledgers_with_what_each_adds_and_all_gained(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    answer = choice(ledger, platform)
    page = shown.open("worth.html", platform=platform)
    rows = page.locator("#order tbody tr")
    assert rows.count() == len(answer["best_order"])
    for i, step in enumerate(answer["best_order"]):
        figures = [step["adds"], *step["adds_interval"], step["gained"], *step["gained_interval"]]
        assert values(rows.nth(i)) == figures
        expect(rows.nth(i)).to_contain_text(f"£{step['spent']:,.0f}")


def test_a_wished_gain_is_answered_with_the_cheapest_parts_and_the_chance(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    page = cleared.open("worth.html", platform=platform)
    expect(page.locator("#wish")).to_contain_text("Enter a wished gain")
    page.get_by_label("Wished gain").fill("30")
    page.keyboard.press("Enter")
    expect(page.locator("#wish")).to_contain_text("To +30")
    cleared.settle()
    found = choice(ledger, platform, wished="30")["cheapest_to_wish"]
    expect(page.locator("#wish .lead strong")).to_have_text(f"£{found['spent']:,.0f}")
    expect(page.locator("#wish")).to_contain_text(f"{round(found['chance'] * 100)} in 100")
    assert values(page.locator("#wish .lead"))[0] == found["steps"][-1]["gained"]
    assert page.locator("#wish tbody tr").count() == len(found["steps"])
    expect(page.locator("#wish")).to_contain_text(
        f"The weakest evidence in it: {found['steps'][-1]['grade']}"
    )
    expect(page.locator("#wish")).to_contain_text("For the road: ")


def test_a_wish_that_costs_more_than_the_budget_says_so(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    spent = choice(ledger, platform, wished="30")["cheapest_to_wish"]["spent"]
    page = cleared.open("worth.html", platform=platform, wished="30", budget=str(int(spent) - 1))
    expect(page.locator("#wish .lead")).to_contain_text("That is beyond the budget.")
    page = cleared.open("worth.html", platform=platform, wished="30", budget=str(int(spent) + 1))
    expect(page.locator("#wish .lead")).to_contain_text("To +30")
    expect(page.locator("#wish .lead")).not_to_contain_text("budget")


def test_a_wish_beyond_all_parts_is_said_to_be_out_of_reach(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    page = cleared.open("worth.html", platform=platform, wished="900")
    expect(page.locator("#wish")).to_contain_text("out of reach")
    found = choice(ledger, platform, wished="900")["cheapest_to_wish"]
    assert values(page.locator("#wish")) == [found["most"], *found["most_interval"]]
    spoken = page.locator("#wish data").all_inner_texts()
    wide = (found["most_interval"][1] - found["most_interval"][0]) / 2 > 0.01 * choice(ledger, platform)[
        "baseline"
    ]
    assert wide  # then whole units, as everywhere
    assert not [figure for figure in spoken if "." in figure]


# Two together


def tick(page: Page, name: str) -> None:
    page.get_by_label(f"{name}, together with others").press("Space")


def test_two_parts_ticked_stand_side_by_side_and_together_with_the_ledgers_figures(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    page = cleared.open("worth.html", platform=platform)
    tick(page, "Road calibration")
    tick(page, "200-cell down-pipe")
    expect(page.locator("#together tbody tr")).to_have_count(2)
    built = ledger.ask("/v1/build-estimate", platform=platform, parts="road-calibration,200-cell-down-pipe")
    assert values(page.locator("#together .lead")) == [built["typical"], *built["typical_interval"]]
    cars = built["evidence"]["cars_with_all"]
    said = "measured here with both fitted at once" if cars else "Never tested together here"
    expect(page.locator("#together")).to_contain_text(said)
    expect(page.get_by_label("200-cell down-pipe, together with others")).to_be_focused()
    rows = {row["part"]: row for row in choice(ledger, platform)["parts"]}
    for part in ("road-calibration", "200-cell-down-pipe"):
        low, high = rows[part]["cost_per_unit_interval"]
        expect(page.locator("#together table")).to_contain_text(f"(£{low:,.0f} to £{high:,.0f})")
    assert "together=road-calibration%2C200-cell-down-pipe" in page.url
    page.reload()
    cleared.settle()
    expect(page.locator("#together tbody tr")).to_have_count(2)


def test_parts_that_no_car_here_had_together_are_said_never_to_have_been_tested(
    cleared: Watched, ledger: Ledger, platform: str
) -> None:
    rows = gaining(choice(ledger, platform))
    pairs = (
        (a, b) for a in rows for b in rows if a["part"] < b["part"] and not set(a["slots"]) & set(b["slots"])
    )
    for a, b in pairs:
        parts = f"{a['part']},{b['part']}"
        if not ledger.ask("/v1/build-estimate", platform=platform, parts=parts)["evidence"]["cars_with_all"]:
            break
    else:
        pytest.fail("every two parts of the demo were tested together")
    page = cleared.open("worth.html", platform=platform, together=parts)
    expect(page.locator("#together")).to_contain_text("Never tested together here")


def test_two_parts_of_one_place_are_compared_but_not_put_together(cleared: Watched, platform: str) -> None:
    both = "road-calibration,track-calibration"
    page = cleared.open("worth.html", platform=platform, together=both)
    expect(page.locator("#together")).to_contain_text("fill the same place")
    expect(page.locator("#together tbody tr")).to_have_count(2)
    assert cleared.complaints == []


# What may not earn its price, and what stands behind it


def test_parts_not_known_to_gain_are_listed_least_likely_first_with_the_cars_still_to_test(
    shown: Shown, ledger: Ledger, platform: str
) -> None:
    answer = choice(ledger, platform)
    doubtful = [row for row in answer["parts"] if row["standing"] != "gains"]
    measured = [row for row in doubtful if row["evidence"]["grade"] != "borrowed"]
    apart = [row for row in measured if row["evidence"]["cars"]]
    mixed = [row for row in measured if not row["evidence"]["cars"]]
    page = shown.open("worth.html", platform=platform)
    rows = page.locator("#doubtful > .scroll").first.locator("tbody tr")
    expect(rows).to_have_count(len(apart))
    among = page.locator("#doubtful").get_by_role("region", name="Only together with other changes")
    assert mixed  # else this would show nothing
    names = [row["name"].lower() for row in sorted(mixed, key=lambda row: row["chance_of_gain"])]
    assert [name.lower() for name in among.locator("tbody th a").all_inner_texts()] == names
    expect(page.locator("#doubtful")).to_contain_text("no car had it with and without, all else the same")
    for i, row in enumerate(sorted(apart, key=lambda row: row["chance_of_gain"])):
        assert values(rows.nth(i)) == [row["typical"], *row["typical_interval"]]
        expect(rows.nth(i)).to_contain_text(f"{round(row['chance_of_gain'] * 100)} in 100")
        needed = row["cars_until_established"]
        expect(rows.nth(i).locator("td").last).to_have_text(
            "more than 100" if needed is None else str(needed)
        )
    expect(page.locator("#doubtful summary").first).to_contain_text(
        f"{len(doubtful) - len(measured)} parts not measured"
    )


def test_prices_have_their_day_and_the_law_is_not_forgotten(shown: Shown, platform: str) -> None:
    page = shown.open("worth.html", platform=platform)
    expect(page.locator(".footnote")).to_contain_text(
        re.compile(r"Prices of \d+ \w+ \d{4}.*; ask for today's")
    )
    expect(page.locator("#picture table")).to_contain_text("for the road: competition use only")
    expect(page.locator("#picture table")).to_contain_text("for the road: no approval on record, ask")
    expect(page.locator(".cautions")).to_contain_text("Gains do not add")
    for word in ("guaranteed", "true power"):
        expect(page.locator("main")).not_to_contain_text(word)


# States


def changed(**fields: Any):  # type: ignore[no-untyped-def]
    """A handler which lets the ledger answer and then changes it; `parts` is a function of one row."""
    each = fields.pop("each", lambda row: row)

    def answer(route: Route) -> None:
        response = route.fetch()
        body = response.json()
        route.fulfill(
            response=response, json={**body, "parts": [each(row) for row in body["parts"]], **fields}
        )

    return answer


def test_nothing_measured_says_so_and_why(cleared: Watched, platform: str) -> None:
    left = [{"part": "air-box", "name": "Air box", "why": "never measured on any kind of car"}]
    nothing = {"parts": [], "best_order": [], "budget_range": None, "left_out_parts": left}
    cleared.page.route(API, changed(**nothing))
    page = cleared.open("worth.html", platform=platform)
    expect(page.locator(".headline")).to_contain_text("Nothing can be said of parts")
    expect(page.locator("dl")).to_contain_text("Air box")
    expect(page.get_by_label("The budget by steps")).to_be_hidden()
    assert cleared.complaints == []


def test_parts_without_prices_are_told_from_parts_without_gain(cleared: Watched, platform: str) -> None:
    def unpriced(row: dict[str, Any]) -> dict[str, Any]:
        names = ("price", "fitted", "cost_per_unit", "cost_per_unit_interval", "chance_of_best", "price_date")
        return {**row, **dict.fromkeys(names), "frontier": False}

    cleared.page.route(API, changed(each=unpriced, best_order=[], budget_range=None, left_out_parts=[]))
    page = cleared.open("worth.html", platform=platform)
    expect(page.locator(".headline")).to_contain_text("what they cost fitted is not recorded")
    expect(page.locator("#picture")).to_contain_text("No part has a price")
    expect(page.locator("#picture tbody tr").first).to_contain_text("not known")
    expect(page.locator(".footnote")).to_contain_text(re.compile("^No price is recorded, [^.;]*; ask"))
    assert cleared.complaints == []


def test_prices_without_a_day_are_told_from_no_prices(cleared: Watched, platform: str) -> None:
    cleared.page.route(API, changed(each=lambda row: {**row, "price_date": None}))
    page = cleared.open("worth.html", platform=platform)
    expect(page.locator(".footnote")).to_contain_text(
        re.compile("^Day of the prices not recorded, [^.;]*; ask")
    )


def test_a_ledger_without_cars_says_what_comes_first(cleared: Watched) -> None:
    nothing = json.dumps({"items": []})
    cleared.page.route("**/v1/**", lambda route: route.fulfill(content_type="application/json", body=nothing))
    page = cleared.open("worth.html")
    expect(page.locator("#answer")).to_contain_text("Once a bay has posted pulls")


def test_no_kind_of_car_chosen_asks_for_one(cleared: Watched) -> None:
    page = cleared.open("worth.html")
    expect(page.locator("#answer")).to_contain_text("Choose a kind of car")
    page.get_by_label("Kind of car").select_option(index=1)
    expect(page.locator(".headline")).to_contain_text("for the money on the")


@pytest.mark.parametrize(
    ("status", "words"),
    [(500, "The ledger failed"), (401, "only with a read token"), (422, "cannot answer this")],
)
def test_a_refusal_or_failure_says_so_and_has_a_way_out(
    cleared: Watched, platform: str, status: int, words: str
) -> None:
    problem = json.dumps({"type": "about:blank", "status": status, "title": "No", "detail": "no"})
    cleared.page.route(
        API,
        lambda route: route.fulfill(status=status, content_type="application/problem+json", body=problem),
    )
    page = cleared.open("worth.html", platform=platform)
    expect(page.locator("#answer")).to_contain_text(words)
    assert page.locator("#answer button").count() == 1


# The page itself


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_is_wider_than_the_window_and_every_target_can_be_hit(
    cleared: Watched, platform: str, width: int
) -> None:
    page = cleared.page
    page.set_viewport_size({"width": width, "height": 900})
    cleared.open("worth.html", platform=platform, fitted="road-calibration", budget="3000", wished="10")
    change = page.get_by_text("Change the question")
    if change.is_visible():
        change.click()
    page.locator("summary", has_text="Already on the car").click()
    assert page.evaluate("() => document.documentElement.scrollWidth - window.innerWidth") <= 0
    controls = page.locator("main select, main input, main button, main summary, main td a, .onward a, .tick")
    tall = controls.filter(visible=True).evaluate_all(HEIGHTS)
    assert tall
    assert [(height, node) for height, node in tall if height < SMALLEST_TARGET_PX - 0.5] == []
    unlabelled = page.evaluate(
        "() => [...document.querySelectorAll('select, input')].filter((node) => !node.labels.length).map((node) => node.name)"
    )
    assert unlabelled == []


@pytest.mark.parametrize("width", [820, 1100])
def test_no_column_of_the_parts_is_cut_off(cleared: Watched, platform: str, width: int) -> None:
    cleared.page.set_viewport_size({"width": width, "height": 900})
    page = cleared.open("worth.html", platform=platform)
    region = page.locator("#picture .scroll")
    assert region.evaluate("(node) => node.scrollWidth - node.clientWidth") <= 0


def test_on_paper_there_is_the_answer_and_no_control(cleared: Watched, platform: str) -> None:
    page = cleared.open("worth.html", platform=platform, budget="3000")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 900})  # A4 less the page's margins
    for kind in ("select", "input", "button", "nav"):
        expect(page.locator(kind).filter(visible=True)).to_have_count(0)
    expect(page.locator(".headline")).to_be_visible()
    expect(page.locator(".address")).to_contain_text("worth.html")
    assert page.evaluate("() => document.documentElement.scrollWidth - window.innerWidth") <= 0


def test_the_page_is_quiet_stays_here_and_keeps_its_policy(cleared: Watched, platform: str) -> None:
    both = "large-bore-silencer,road-calibration"
    cleared.open("worth.html", platform=platform, budget="3000", wished="10", together=both)
    assert cleared.complaints == []
    assert cleared.strangers() == []
    assert cleared.violations() == []
