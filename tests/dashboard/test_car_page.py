"""The page of one car: what it reads and read, and the changes of those who may."""

import csv
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, Route, expect

from service.local import LocalServer
from tests.conftest import version_of
from tests.dashboard.conftest import Ledger, Shown, Watched, emptied, kept_page
from tests.dashboard.own_ledger import OwnLedger, a_measured_car, own_ledger
from tests.factories import session, setup

pytestmark = pytest.mark.slow

CHANGE = "bayledger-change-token"


def a_car(ledger: Ledger, least: int = 2) -> str:
    """A car of the demo with some setups, one of them with parts."""
    for row in ledger.ask("/v1/typical-gain", **ledger.best_question())["pairs"]:
        states = ledger.ask(f"/v1/vehicles/{row['vehicle']}/states")["items"]
        if len(states) >= least:
            return str(row["vehicle"])
    raise AssertionError("no car of the demo has a pair")


# Reading


def test_nothing_is_listed_before_a_tag_is_typed(cleared: Watched, ledger: Ledger) -> None:
    page = cleared.open("car.html")
    expect(page.locator("#answer")).to_contain_text("No car is listed before 3 letters are typed.")
    assert page.locator("#tags option").count() == 0
    assert not [url for url in cleared.requests if "/v1/vehicles" in url]
    page.locator("#tag").press_sequentially("st")
    assert not [url for url in cleared.requests if "/v1/vehicles" in url]
    page.locator("#tag").press_sequentially("o")
    page.wait_for_function("() => document.querySelectorAll('#tags option').length")
    wanted = [row["tag"] for row in ledger.ask("/v1/vehicles", q="sto", limit="8")["items"]]
    assert page.locator("#tags option").evaluate_all("all => all.map((one) => one.value)") == wanted


def test_a_typed_tag_is_answered_and_stands_in_the_address(cleared: Watched, ledger: Ledger) -> None:
    tag = a_car(ledger)
    page = cleared.open("car.html")
    page.locator("#tag").fill(tag.upper())
    page.locator("#tag").press("Enter")
    expect(page.locator(".headline")).to_be_visible()
    cleared.settle()
    assert f"tag={tag}" in page.url


def test_the_first_sentence_holds_the_ledgers_own_reading(cleared: Watched, ledger: Ledger) -> None:
    tag = a_car(ledger)
    own = ledger.ask(f"/v1/vehicles/{tag}/own-readings", units="us")
    page = cleared.open("car.html", tag=tag, units="us")
    number = page.locator(".headline data").first
    assert float(number.get_attribute("value") or "nan") == own["now"]["mean"]
    assert f"mean of {own['now']['pulls']} pull" in page.locator(".headline").inner_text()
    for words in own["says"].values():
        if words:
            expect(page.locator(".answer")).to_contain_text(words)
    assert cleared.complaints == []
    assert cleared.violations() == []
    assert cleared.strangers() == []


def test_every_setup_stands_in_the_table_with_its_figure_and_can_be_saved(
    shown: Shown, ledger: Ledger, tmp_path: Path
) -> None:
    tag = a_car(ledger)
    states = ledger.ask(f"/v1/vehicles/{tag}/states")["items"]
    page = shown.open("car.html", tag=tag)
    page.locator("#readings summary", has_text="as a table").click()
    rows = page.locator("#readings tbody tr")
    assert rows.count() == len(states)
    for row, state in zip(rows.all(), states, strict=True):
        expect(row).to_contain_text(f"{state['mean']:.1f}")
        expect(row).to_contain_text(f"{state['pulls']} of {state['pulls_posted']}")
    with page.expect_download() as saving:
        page.locator("#readings button", has_text="CSV").click()
    saving.value.save_as(tmp_path / "states.csv")
    saved = list(csv.DictReader((tmp_path / "states.csv").read_text().splitlines()))
    assert [row["setup"] for row in saved] == [state["setup"] for state in states]


def test_a_mark_is_drawn_for_each_setup(shown: Shown, ledger: Ledger) -> None:
    tag = a_car(ledger)
    states = ledger.ask(f"/v1/vehicles/{tag}/states")["items"]
    page = shown.open("car.html", tag=tag)
    figure = page.locator("#readings figure")
    assert figure.locator(".chart svg g.mark-symbol.role-mark path").count() == len(
        [state for state in states if state["mean"] is not None]
    )


def test_a_setups_line_is_one_standard_deviation_of_its_pulls_to_each_side(
    cleared: Watched, ledger: Ledger
) -> None:
    """200 and 220 kW, 2 and 4 kW to each side: the second line is as long as 8 of the 20 kW between the marks."""
    read = {0: (200.0, 2.0), 1: (220.0, 4.0)}

    def two_readings(route: Route) -> None:
        response = route.fetch()
        body = response.json()
        for n, item in enumerate(body["items"]):
            mean, spread = read.get(n, (None, None))
            item.update(bay="north", mean=mean, spread=spread, levelled=None)
        route.fulfill(response=response, json=body)

    cleared.page.route("**/states?*", two_readings)
    figure = cleared.open("car.html", tag=a_car(ledger)).locator("#readings figure")
    line = "(all) => all.map((one) => one.getBoundingClientRect().width)"
    mark = (
        "(all) => all.map((one) => { const at = one.getBoundingClientRect(); return at.x + at.width / 2; })"
    )
    lengths = sorted(figure.locator(".chart svg g.mark-rule.role-mark line").evaluate_all(line))
    low, high = sorted(figure.locator(".chart svg g.mark-symbol.role-mark path").evaluate_all(mark))
    kilowatt = (high - low) / 20.0
    assert lengths == pytest.approx([4.0 * kilowatt, 8.0 * kilowatt], abs=0.5)


def test_a_car_of_many_visits_is_drawn_over_time_and_older_ones_follow(
    cleared: Watched, ledger: Ledger
) -> None:
    cars = [row["tag"] for row in ledger.ask("/v1/vehicles", limit="500")["items"] if row["check_car"]]
    states = ledger.ask(f"/v1/vehicles/{cars[0]}/states", limit="500")["items"]
    assert len(states) > 50
    page = cleared.open("car.html", tag=cars[0])
    assert page.locator("#readings .mark-symbol.role-mark path").count() == 50
    page.locator("#readings button", has_text="Older setups").click()
    expect(page.locator("#readings summary", has_text="as a table")).to_contain_text(
        f"All {len(states)} setups"
    )
    cleared.settle()
    assert page.locator("#readings .mark-symbol.role-mark path").count() == len(states)


def test_chosen_curves_are_drawn_numbered_and_no_more_than_six(cleared: Watched, ledger: Ledger) -> None:
    page = cleared.open("car.html", tag=a_car(ledger))
    curves = page.locator("#curves")
    assert lines(curves) == 2
    curves.locator("input:checked[type=checkbox]").first.uncheck()
    cleared.settle()
    assert lines(curves) == 1
    assert curves.locator("ol li").count() == 1
    cars = [row["tag"] for row in ledger.ask("/v1/vehicles", limit="500")["items"] if row["check_car"]]
    page = cleared.open("car.html", tag=cars[0])
    boxes = page.locator("#curves input[type=checkbox]")
    for n in range(2, 6):
        boxes.nth(n).check()
    cleared.settle()
    assert lines(page.locator("#curves")) == 6
    boxes.nth(6).click()
    assert not boxes.nth(6).is_checked()
    cleared.settle()
    assert lines(page.locator("#curves")) == 6


def lines(curves: Locator) -> int:
    """Curves drawn."""
    return curves.locator(".chart svg g.mark-line path").count()


def test_power_and_torque_are_the_setups_own_curve(cleared: Watched, ledger: Ledger) -> None:
    tag = a_car(ledger)
    page = cleared.open("car.html", tag=tag, units="si")
    for quantity, unit in (("torque", "N·m"), ("power", "kW")):
        page.locator(f"#curves input[value={quantity}]").check()
        cleared.settle()
        expect(page.locator("#curves figcaption")).to_contain_text(unit)
        setup_path = ledger.ask(f"/v1/vehicles/{tag}/states")["items"][0]["setup"]
        curve = ledger.ask(f"{setup_path}/curve", units="si")["curve"]
        at = next(i for i, rpm in enumerate(curve["rpm"]) if rpm % 1000 == 0)
        page.locator("#curves summary", has_text="as a table").click()
        row = page.locator("#curves tbody tr", has_text=f"{curve['rpm'][at]:,.0f} rpm")
        expect(row).to_contain_text(f"{curve[quantity][at]:.1f}")


def test_what_each_change_did_is_the_ledgers_own_step(shown: Shown, ledger: Ledger) -> None:
    tag = a_car(ledger)
    steps = ledger.ask(f"/v1/vehicles/{tag}/own-readings")["steps"]
    page = shown.open("car.html", tag=tag)
    rows = page.locator("#fitted > .scroll tbody tr")
    assert rows.count() == len(steps) > 0
    for row, step in zip(rows.all(), steps, strict=True):
        expect(row).to_contain_text(f"{abs(step['percent']):.1f}")
        expect(row).to_contain_text("clear" if step["clear"] else "may be nothing")


def test_a_visit_opens_to_its_setups_pulls_and_curves_as_recorded(
    shown: Shown, ledger: Ledger, tmp_path: Path
) -> None:
    tag = a_car(ledger)
    state = ledger.ask(f"/v1/vehicles/{tag}/states")["items"][0]
    record = ledger.ask(state["session"])
    watched = shown.watched("car.html", tag=tag)
    page = watched.page
    visit = open_visit(watched, record)
    assert visit.locator(".setup").count() == len(record["setups"])
    for part in visit.locator(".setup").all():
        part.get_by_text(re.compile("one by one")).click()
    assert visit.locator(".pull").count() == sum(len(one["pulls"]) for one in record["setups"])
    pull = record["setups"][0]["pulls"][0]
    corrected = pull["observed"]["peak_power"] * pull["factor"]
    expect(visit.locator(f"[data-pull='{pull['id']}']")).to_contain_text(f", {corrected:.1f} kW corrected")
    with page.expect_download() as saving:
        visit.locator(f"[data-pull='{pull['id']}'] button").click()
    saving.value.save_as(tmp_path / "pull.csv")
    rows = list(csv.DictReader((tmp_path / "pull.csv").read_text().splitlines()))
    curve = ledger.ask(f"/v1/pulls/{pull['id']}")["curve"]
    assert [float(row["rpm"]) for row in rows] == curve["rpm"]
    visit.get_by_text("Who changed what, when and why").click()
    watched.settle()
    expect(visit).to_contain_text("Changes of the visit of")
    assert watched.complaints == []


@pytest.mark.parametrize(
    ("units", "read", "shown"), [("si", 220.0, "220 kPa"), ("us", 32.0, "32 psi"), ("ps", 2.2, "2.20 bar")]
)
def test_tyre_pressure_stands_in_its_own_unit(
    cleared: Watched, ledger: Ledger, units: str, read: float, shown: str
) -> None:
    def written_down(route: Route) -> None:
        response = route.fetch()
        route.fulfill(response=response, json={**response.json(), "tyre_pressure": read})

    tag = a_car(ledger)
    session = ledger.ask(f"/v1/vehicles/{tag}/states")["items"][0]["session"]
    cleared.page.route(re.compile(re.escape(session) + r"\?"), written_down)
    cleared.open("car.html", tag=tag, units=units)
    visit = open_visit(cleared, ledger.ask(session))
    line = visit.locator("dt", has_text=re.compile("^Tyre pressure$")).locator(
        "xpath=following-sibling::dd[1]"
    )
    assert line.inner_text().replace("\u00a0", " ") == shown


def test_a_figure_stands_in_its_bay_at_the_common_level_and_among_its_kind(
    cleared: Watched, ledger: Ledger
) -> None:
    tag = a_counted_stock_car(ledger)
    own = ledger.ask(f"/v1/vehicles/{tag}/own-readings", units="si")
    page = cleared.open("car.html", tag=tag, units="si")
    expect(page.locator(".answer")).to_contain_text(own["says"]["standing"])
    now = own["now"]
    bay = next(row["name"] for row in ledger.ask("/v1/bays")["items"] if row["slug"] == now["bay"])
    expect(page.locator(".answer")).to_contain_text(
        f"That is {now['mean']:.1f} kW in {bay}, {now['levelled']:.1f} kW at the common level of the bays."
    )
    page.get_by_role("link", name="Where it stands among stock cars of its kind").click()
    page.wait_for_url("**/spread.html*")
    cleared.settle()
    line = page.locator(".answer > p").last
    expect(line).to_contain_text(f"{tag} reads")
    expect(line).to_contain_text("in 100 such cars")
    assert "not named" not in line.inner_text()


def test_what_is_said_of_an_older_reading_stands_before_what_is_said_of_the_car(
    shown: Shown, ledger: Ledger
) -> None:
    tag, own = next(
        (tag, own)
        for tag in tags_of_pairs(ledger)
        if (own := ledger.ask(f"/v1/vehicles/{tag}/own-readings"))["now"]
        and own["now"]["setup"] != own["newest"]["setup"]
        and own["says"]["first"]
        and own["says"]["standing"]
    )
    said = shown.open("car.html", tag=tag).locator(".answer").inner_text().replace("\u00a0", " ")
    assert said.startswith("It read ")
    parts = [own["says"]["first"], "is not counted in this", own["says"]["standing"], f"{tag}: "]
    places = [said.index(part) for part in parts]
    assert places == sorted(places)


def test_pulls_of_one_setup_are_named_alone_and_not_called_corrected_where_the_air_is_unknown(
    shown: Shown, ledger: Ledger
) -> None:
    tag, state = next(
        (tag, state)
        for tag in tags_of_pairs(ledger)
        for state in ledger.ask(f"/v1/vehicles/{tag}/states")["items"]
        if (state["standing"] or "").startswith("as measured, not corrected")
    )
    record = ledger.ask(state["session"])
    bay = next(row["name"] for row in ledger.ask("/v1/bays")["items"] if row["slug"] == record["bay"])
    watched = shown.watched("car.html", tag=tag)
    visit = open_visit(watched, record)
    expect(visit.locator("summary").first).to_contain_text(f", {bay}: ")
    unfolded(visit, f"Conditions and curves of setup {state['n']}")
    watched.settle()
    rows = visit.get_by_role("region", name="Every pull, as measured").locator("tbody th")
    pulls = next(one["pulls"] for one in record["setups"] if one["n"] == state["n"])
    assert rows.all_inner_texts() == [f"pull {pull['n']}" for pull in pulls]


def test_on_a_telephone_the_names_of_all_its_bays_stand_inside_the_picture(
    cleared: Watched, ledger: Ledger
) -> None:
    cars = ledger.ask("/v1/bay-agreement")["shared_cars"]
    tag = max((tag for pair in cars for tag in pair["vehicles"] if not tag.startswith("house")), key=len)
    names = {row["slug"]: row["name"] for row in ledger.ask("/v1/bays")["items"]}
    used = {names[one["bay"]] for one in ledger.ask(f"/v1/vehicles/{tag}/states")["items"]}
    cleared.page.set_viewport_size({"width": 360, "height": 740})
    page = cleared.open("car.html", tag=tag)
    for name in used:
        box = page.locator("#readings .chart svg text", has_text=name).bounding_box()
        assert box
        assert box["x"] + box["width"] <= 360


def tags_of_pairs(ledger: Ledger) -> list[str]:
    """Cars of the pairs behind the answer with the most cars."""
    return [row["vehicle"] for row in ledger.ask("/v1/typical-gain", **ledger.best_question())["pairs"]]


def a_counted_stock_car(ledger: Ledger) -> str:
    """The tag of a stock car that the spread of its kind counts, its newest figure away from the common level."""
    counted = ledger.ask(f"/v1/platforms/{ledger.best_question()['platform']}/stock-spread")["values"]
    return next(row["vehicle"] for row in counted if is_stock_and_off_level(ledger, row["vehicle"]))


def is_stock_and_off_level(ledger: Ledger, tag: str) -> bool:
    """Whether its newest setup is stock and reads otherwise than at the common level of the bays."""
    now = ledger.ask(f"/v1/vehicles/{tag}/own-readings", units="si")["now"]
    stock = not now["parts"] and now["parts_known"] == "complete" and now["levelled"] is not None
    return stock and f"{now['mean']:.1f}" != f"{now['levelled']:.1f}"


def test_the_last_visits_sheet_is_one_link_away(shown: Shown, ledger: Ledger) -> None:
    tag = a_car(ledger)
    newest = ledger.ask(f"/v1/vehicles/{tag}/own-readings")["newest"]["session"].rsplit("/", 1)[-1]
    page = shown.open("car.html", tag=tag)
    href = page.get_by_role("link", name="The sheet of the last visit", exact=True).get_attribute("href")
    assert f"session={newest}" in (href or "")


def test_a_changes_figure_says_that_it_is_against_the_state_before_only(shown: Shown, ledger: Ledger) -> None:
    page = shown.open("car.html", tag=a_car(ledger))
    expect(page.locator("#fitted")).to_contain_text("against the state before it only")
    expect(page.locator("#fitted")).to_contain_text("its figure may differ a little from the one here")


def test_boxes_to_tick_are_large_enough_to_hit(shown: Shown, ledger: Ledger) -> None:
    page = shown.open("car.html", tag=a_car(ledger))
    sides = page.locator(".choices input[type=checkbox]").evaluate_all(
        "(boxes) => boxes.flatMap((box) => [box.getBoundingClientRect().width, box.getBoundingClientRect().height])"
    )
    assert sides
    assert min(sides) >= 24  # WCAG 2.2, 2.5.8


def test_without_a_token_there_is_nothing_to_change(shown: Shown, ledger: Ledger) -> None:
    tag = a_car(ledger)
    watched = shown.watched("car.html", tag=tag)
    page = watched.page
    states = ledger.ask(f"/v1/vehicles/{tag}/states")["items"]
    open_visit(watched, ledger.ask(states[0]["session"]))
    assert page.get_by_text("Strike").count() == 0
    expect(page.locator("#change")).to_contain_text("Change something? Give a token")


def test_an_unknown_car_is_said_to_be_unknown(cleared: Watched) -> None:
    page = cleared.open("car.html", tag="nobodys-car")
    expect(page.locator("#answer")).to_contain_text("Not in the ledger")


# Changing


@pytest.fixture(scope="module")
def changed(server: LocalServer) -> Iterator[OwnLedger]:
    """A ledger that these tests change."""
    with own_ledger(server, "car_page") as ledger:
        yield ledger


CARS = iter(range(4, 100))


@pytest.fixture
def visits(changed: OwnLedger) -> list[dict[str, Any]]:
    """A car of the test's own with two visits, the second setup of the first one doubted."""
    n = next(CARS)
    tag = f"stoat-{n}"
    added = changed.admin.post("/v1/vehicles", {"tag": tag, "platform": "stoat", "confirm": True})
    assert added.status_code == 201, added.text
    return a_measured_car(changed, tag, 1.0 + 0.002 * n)


@pytest.fixture(scope="module")
def own_page(browser: Browser, changed: OwnLedger) -> Iterator[Watched]:
    """A page of that ledger."""
    with kept_page(browser, changed.url) as page:
        yield page


@pytest.fixture
def opened(own_page: Watched, changed: OwnLedger, visits: list[dict[str, Any]]) -> Watched:
    """That car's page, an admin's token in its tab as `give` leaves it there, the first visit open."""
    watched = emptied(own_page)
    watched.page.goto(f"{changed.url}/questions.html")  # any page of the site: its storage is this one's
    watched.page.evaluate(
        "([name, token]) => sessionStorage.setItem(name, token)", [CHANGE, changed.tokens["admin"]]
    )
    watched.open("car.html", tag=visits[0]["vehicle"], units="si")
    open_visit(watched, visits[0])
    return watched


def give(watched: Watched, token: str) -> None:
    """Type a token for changes."""
    page = watched.page
    page.locator("#change summary").click()
    page.get_by_label("Token for changes").fill(token)
    page.get_by_role("button", name="Use this token").click()
    watched.page.wait_for_function("() => !document.querySelector('#change-token')?.value")
    watched.settle()


def open_visit(watched: Watched, visit: dict[str, Any]) -> Locator:
    """The visit, opened."""
    found = watched.page.locator(f"details[data-session='{visit['id']}']")
    if found.get_attribute("open") is None:
        found.locator("summary").first.click()
    expect(found.locator(".record").first).to_contain_text("Strapped down")
    watched.settle()
    return found


def unfolded(within: Locator, title: str) -> Locator:
    """A fold by its exact title, opened."""
    found = within.locator(
        "details", has=within.page.locator(f"xpath=./summary[normalize-space()='{title}']")
    )
    if found.get_attribute("open") is None:
        found.locator("summary").first.click()
    return found


def send(form: Locator, why: str | None) -> Locator:
    """Give the reason, look at what will change, send it; what was shown before."""
    if why is not None:
        form.get_by_label("Reason").fill(why)
    form.get_by_role("button", name="Show what will change").click()
    review = form.locator(".review")
    expect(review).to_be_visible()
    shown = review.inner_text()
    form.get_by_role("button", name="Send this change").click()
    return shown


def done(watched: Watched, what: str) -> None:
    """Wait until the page says that this was done."""
    expect(watched.page.locator(".notice.done")).to_contain_text(what)
    watched.settle()


def test_a_setup_is_struck_with_a_reason_and_put_back(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    at = f"/v1/sessions/{visits[0]['id']}"
    visit = open_visit(opened, visits[0])
    shown = send(unfolded(unfolded(visit, "Strike or amend setup 1"), "Strike setup 1"), "wrong gear")
    assert "counts nowhere" in shown
    assert "wrong gear" in shown
    assert "a sheet already given out becomes superseded" in shown
    done(opened, "Done: strike setup 1")
    expect(opened.page.locator(".notice.done")).to_be_focused()
    assert opened.page.locator(f"details[data-session='{visits[0]['id']}']").get_attribute("open") is not None
    assert changed.ask(at)["setups"][0]["struck"] == "wrong gear"
    visit = open_visit(opened, visits[0])
    expect(visit).to_contain_text("This setup is struck and counts nowhere: wrong gear")
    send(unfolded(unfolded(visit, "Strike or amend setup 1"), "Take the strike back"), None)
    done(opened, "Done: take the strike back")
    assert changed.ask(at)["setups"][0]["struck"] is None
    visit = open_visit(opened, visits[0])
    visit.get_by_text("Who changed what, when and why").click()
    rows = visit.locator("tbody tr", has_text="lead")
    expect(rows.filter(has_text="wrong gear")).to_have_count(1)
    expect(rows.filter(has_text="strike taken back")).to_have_count(1)
    assert opened.complaints == []


def test_parts_are_amended_and_shown_from_what_to_what_before(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    at = f"/v1/sessions/{visits[0]['id']}"
    form = unfolded(unfolded(open_visit(opened, visits[0]), "Strike or amend setup 2"), "Amend setup 2")
    form.get_by_label("wide down-pipe").uncheck()
    form.get_by_label("200-cell down-pipe").check()
    form.get_by_label("Label").fill("the mesh one")
    shown = send(form, "keyed as the other pipe")
    assert re.search(r"wide down-pipe\s*→\s*200-cell down-pipe", shown)
    assert re.search(r"not recorded\s*→\s*the mesh one", shown)
    assert "Octane" not in shown
    done(opened, "Done: amend setup 2")
    kept = changed.ask(at)["setups"][1]
    assert (kept["parts"], kept["label"]) == (["mesh-pipe"], "the mesh one")
    row = changed.ask(f"/v1/history?about=sessions/{visits[0]['id']}")["items"][0]
    assert (row["who"], row["reason"]) == ("lead", "keyed as the other pipe")
    assert set(row["after"]) == {"parts", "label"}


def test_nothing_different_is_not_sent(opened: Watched, visits: list[dict[str, Any]]) -> None:
    form = unfolded(unfolded(open_visit(opened, visits[0]), "Strike or amend setup 1"), "Amend setup 1")
    form.get_by_label("Reason").fill("looked again")
    before = len(opened.requests)
    form.get_by_role("button", name="Show what will change").click()
    expect(form.get_by_role("alert")).to_contain_text("Nothing is different yet")
    assert len(opened.requests) == before


def test_a_doubted_pull_is_confirmed(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    at = f"/v1/sessions/{visits[0]['id']}"
    assert changed.ask(at)["setups"][1]["doubts"] == ["pulls-disagree"]
    visit = open_visit(opened, visits[0])
    pulls = unfolded(visit, "The 3 pulls of setup 2, one by one")
    form = unfolded(unfolded(pulls, "Strike, confirm or amend pull 3 of setup 2"), "Confirm pull 3")
    send(form, "the trace is clean")
    done(opened, "Done: confirm pull 3")
    assert changed.ask(at)["setups"][1]["doubts"] == []
    expect(open_visit(opened, visits[0])).to_contain_text("settled by lead")


def test_what_a_pull_counts_as_is_amended(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    pulls = unfolded(open_visit(opened, visits[0]), "The 3 pulls of setup 2, one by one")
    folded = unfolded(pulls, "Strike, confirm or amend pull 3 of setup 2")
    form = unfolded(folded, "Amend what pull 3 counts as")
    form.get_by_label("Counts as").select_option("rejected")
    send(form, "the tyre slipped")
    done(opened, "Done: amend what pull 3")
    pull = changed.ask(f"/v1/sessions/{visits[0]['id']}")["setups"][1]["pulls"][2]
    assert (pull["status"], pull["reason"]) == ("rejected", "the tyre slipped")


def test_a_visit_is_moved_to_the_car_it_was_and_the_way_there_is_shown(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    folded = unfolded(open_visit(opened, visits[1]), "Strike or amend this visit")
    form = unfolded(folded, "This was another car")
    expect(form).to_contain_text("Moves the whole visit")
    form.get_by_label("Tag of the car").fill("stoat-99x")
    shown = send(form, "two cars of one customer")
    assert re.search(rf"{visits[0]['vehicle']}\s*→\s*stoat-99x", shown)
    expect(form.locator(".refusal")).to_be_visible()  # 422 with a pointer: beside its field
    assert form.get_by_label("Tag of the car").get_attribute("aria-invalid") == "true"
    assert changed.ask(f"/v1/sessions/{visits[1]['id']}")["vehicle"] == visits[1]["vehicle"]
    opened.complaints.clear()  # the browser notes the refused request
    form.get_by_label("Tag of the car").fill("stoat-2")
    send(form, "two cars of one customer")
    done(opened, "Moved")
    assert changed.ask(f"/v1/sessions/{visits[1]['id']}")["vehicle"] == "stoat-2"
    expect(opened.page.locator(".notice.done a")).to_have_attribute("href", "car.html?tag=stoat-2")
    assert opened.complaints == []


def test_strap_down_gear_tyres_and_time_are_amended_in_the_visitors_units(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    form = unfolded(unfolded(open_visit(opened, visits[0]), "Strike or amend this visit"), "Amend this visit")
    form.get_by_label("Gear").fill("4")
    form.get_by_label("Tyre pressure").fill("230")
    form.get_by_label("Strapped down at").fill("2026-03-01T09:30:00")
    send(form, "from the job card")
    done(opened, "Done: amend this visit")
    kept = changed.ask(f"/v1/sessions/{visits[0]['id']}?units=si")
    assert (kept["gear"], kept["tyre_pressure"]) == (4, 230.0)
    assert kept["started_at"].startswith("2026-03-01T09:30:00")


def test_two_setups_taken_for_each_other_are_swapped_in_one_go(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    folded = unfolded(open_visit(opened, visits[0]), "Strike or amend this visit")
    form = unfolded(folded, "Two setups were taken for each other")
    shown = send(form, "A and B were swapped")
    assert "setup 1" in shown
    assert "setup 2" in shown
    done(opened, "Done: two setups")
    kept = changed.ask(f"/v1/sessions/{visits[0]['id']}")["setups"]
    assert [one["parts"] for one in kept] == [["wide-pipe"], []]
    assert [one["label"] for one in kept] == [None, "as it came"]


def test_who_was_slower_is_told_and_nothing_is_written(
    opened: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    at = f"/v1/sessions/{visits[0]['id']}"
    form = unfolded(
        unfolded(open_visit(opened, visits[0]), "Strike or amend this visit"), "Strike this visit"
    )
    etag = version_of(changed.admin.get(at))
    assert changed.admin.patch(at, {"gear": 3, "reason": "job card"}, If_Match=etag).status_code == 200
    send(form, "wrong car")
    expect(form.get_by_role("alert")).to_contain_text("Somebody else changed this visit")
    assert changed.ask(at)["struck"] is None
    form.get_by_role("button", name="Read it again").click()
    opened.settle()
    expect(open_visit(opened, visits[0]).locator("dl div", has_text="Gear")).to_contain_text("3")


def test_a_token_that_only_reads_sees_no_controls_and_is_told_so(
    own_page: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    watched = emptied(own_page)
    watched.open("car.html", tag=visits[0]["vehicle"])
    give(watched, changed.tokens["read"])
    expect(watched.page.locator("#change")).to_contain_text("has scope read: it may not change anything")
    visit = open_visit(watched, visits[0])
    assert visit.get_by_text("Strike").count() == 0


def test_a_bays_token_sees_controls_on_its_own_bays_visits_only(
    own_page: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    own = changed.post(session(setup(scale=0.9), vehicle=visits[0]["vehicle"], bay="hub", day=3))
    watched = emptied(own_page)
    watched.open("car.html", tag=visits[0]["vehicle"])
    give(watched, changed.tokens["hub"])
    expect(watched.page.locator("#change")).to_contain_text("what bay hub posted")
    assert open_visit(watched, visits[0]).get_by_text("Strike").count() == 0
    assert open_visit(watched, own).get_by_text("Strike or amend this visit").count() == 1


def test_the_token_is_kept_in_the_tab_only_and_can_be_forgotten(
    own_page: Watched, changed: OwnLedger, visits: list[dict[str, Any]]
) -> None:
    opened = emptied(own_page)
    page: Page = opened.open("car.html", tag=visits[0]["vehicle"], units="si")
    give(opened, changed.tokens["admin"])
    assert open_visit(opened, visits[0]).get_by_text("Strike or amend this visit").count() == 1
    assert page.evaluate(f"sessionStorage.getItem('{CHANGE}')") == changed.tokens["admin"]
    assert page.evaluate("Object.values(localStorage).join()").count("bay_") == 0
    page.get_by_role("button", name="Forget the token for changes").click()
    opened.settle()
    assert page.evaluate(f"sessionStorage.getItem('{CHANGE}')") is None
    expect(page.locator("#change")).to_contain_text("Give a token")
