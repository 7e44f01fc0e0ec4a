"""The customer's sheet: found, laid out, printed on one page, and marked when it is superseded."""

import io
import re
import unicodedata
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from service.local import LocalServer
from tests.dashboard.conftest import DESK, Ledger, Shown, Watched, emptied, kept_page
from tests.dashboard.every_page import best_pair, sheet_question
from tests.dashboard.own_ledger import OwnLedger, own_ledger
from tests.factories import session, setup

pytestmark = pytest.mark.slow

UNCHANGED = "71582c73-4094-5c1e-9a59-fd9cbc07486a"
AMENDED = "82693d84-51a5-5c1e-9a59-fd9cbc07486b"
LATER = "937a4e95-62b6-5c1e-9a59-fd9cbc07486c"
NUMBERS = {UNCHANGED: "7158-2c73-4094-1-2", AMENDED: "8269-3d84-51a5-1-2", LATER: "937a-4e95-62b6-1-2"}
PAPERS = ("A4", "Letter")
POINTS = (
    "1 What was tested", "2 Where and how", "3 Correction", "4 Pulls", "5 Conditions", "6 What else changed",
    "7 Smoothing and axes", "8 What it gained", "9 What all cars say", "10 Not measured",
)  # fmt: skip
WORDS_OF_THE_TEN = (
    "Not stock", "Calibration", "Fuel", "Gear, ratio", "flywheel: not estimated", "Last bay check", "Factor used",
    "Peak observed", "Peak corrected", "spread", "Best pull", "Inlet air", "Coolant", "Spark advance", "A-B-A",
    "Time between", "local quadratic", "50 to 100 % of peak-power speed", "Lowest third", "Smallest gain it can show",
    "One more car", "Cars without a gain", "Left out", "Fitted cost", "not measured",
    "relate only to the car tested", "No guarantee", "public roads", "A later correction makes a new version",
)  # fmt: skip


def printed(page: Page, paper: str) -> PdfReader:
    """What the browser prints of a page."""
    return PdfReader(io.BytesIO(page.pdf(format=paper)))


def on_one_page(page: Page, paper: str) -> str:
    """The text of the only page that is printed, as `bare` gives it."""
    (only,) = printed(page, paper).pages
    return bare(only.extract_text())


def bare(words: str) -> str:
    """Without spaces and ligatures: where lines are broken depends on the machine's fonts."""
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", words))


def plain(words: str) -> str:
    return words.replace("\u00a0", " ")


@pytest.fixture(scope="module")
def own(server: LocalServer) -> Iterator[OwnLedger]:
    """A ledger with two cars measured without and with the wide pipe, one of them amended afterwards."""
    with own_ledger(server, "sheet_page") as made:
        measured(made, UNCHANGED, "stoat-1", 1.0)
        measured(made, AMENDED, "stoat-2", 1.01)
        amended(made, AMENDED)
        yield made


@pytest.fixture(scope="module")
def own_page(browser: Browser, own: OwnLedger) -> Iterator[Watched]:
    """A page of that ledger."""
    with kept_page(browser, own.url) as page:
        yield page


@pytest.fixture
def visiting(own_page: Watched) -> Watched:
    """The page of that ledger, emptied."""
    return emptied(own_page)


@pytest.fixture(scope="module")
def superseded(browser: Browser, own: OwnLedger) -> Iterator[Page]:
    """The first version of the amended car's sheet."""
    with kept_page(browser, own.url) as page:
        yield page.open("sheet.html", number=NUMBERS[AMENDED], version="1")


@pytest.fixture(scope="module", params=[360, 1440])
def from_a_window(request: pytest.FixtureRequest, browser: Browser, live_demo: str) -> Iterator[Page]:
    """A sheet opened in a window of this width."""
    ledger = Ledger(live_demo.rstrip("/"))
    with kept_page(browser, ledger.base) as watched:
        watched.page.set_viewport_size({"width": request.param, "height": DESK["height"]})
        yield watched.open("sheet.html", **sheet_question(best_pair(ledger)))


def measured(own: OwnLedger, id: str, vehicle: str, height: float) -> None:
    """A car without and with the wide pipe; height: of its curves against the other cars'."""
    piped = setup(["wide-pipe"], 1.05 * height, label="with the pipe")
    own.post(session(setup(scale=height, label="stock"), piped, id=id, vehicle=vehicle))


def amended(own: OwnLedger, id: str) -> None:
    """The car's gear, entered afterwards: version 2."""
    etag = own.admin.get(f"/v1/sessions/{id}").headers["ETag"]
    done = own.admin.patch(f"/v1/sessions/{id}", {"gear": 4, "reason": "was missing"}, If_Match=etag)
    assert done.status_code == 200, done.text


# On the screen


def test_nothing_is_shown_before_a_test_is_chosen(cleared: Watched) -> None:
    page = cleared.open("sheet.html")
    expect(page.locator("#answer")).to_contain_text("Type a car's tag and choose a test")
    assert page.locator(".sheet").count() == 0


def test_the_sheet_says_what_the_ledger_says(cleared: Watched, ledger: Ledger) -> None:
    asked = sheet_question(best_pair(ledger))
    answer = ledger.ask(
        f"/v1/sessions/{asked['session']}/sheet", before=asked["before"], after=asked["after"], units="us"
    )
    page = cleared.open("sheet.html", units="us", **asked)
    said = plain(page.locator(".sheet").inner_text())
    assert answer["headline"] in said
    assert f"Sheet {answer['number']}, version {answer['version']}" in said
    for point in answer["points"]:
        assert f"{point['point']} {point['title']}" in said
        for row in point["rows"]:
            assert row["label"] in said
            for words in filter(None, (row["both"], row["a"], row["b"])):
                assert words in said
    for line in answer["notices"].values():
        assert line in said
    assert page.locator(".sheet .chart svg").count() == 3
    captions = [plain(words) for words in page.locator(".sheet figcaption").all_inner_texts()]
    wheels = ["Power at the wheels, hp", "Torque at the wheels, lbf·ft"]
    assert captions == [*wheels, "Gain of power, hp, with interval; own axis"]
    assert (cleared.complaints, cleared.violations(), cleared.strangers()) == ([], [], [])


@pytest.mark.parametrize("media", ["screen", "print"])
def test_the_pictures_stand_in_line_captions_above_and_speeds_below(
    shown: Shown, ledger: Ledger, media: str
) -> None:
    page = shown.open("sheet.html", **sheet_question(best_pair(ledger)))
    page.emulate_media(media=media)  # type: ignore[arg-type]
    place = "(all) => all.map((one) => Math.round(one.getBoundingClientRect()[%r]))"
    captions = page.locator(".sheet figcaption").evaluate_all(place % "top")
    charts = page.locator(".sheet .chart svg").evaluate_all(place % "bottom")
    page.emulate_media(media="null")
    assert [len(set(captions)), len(set(charts))] == [1, 1], (captions, charts)


def test_the_pickers_show_what_the_sheet_is_of(shown: Shown, ledger: Ledger) -> None:
    pair = best_pair(ledger)
    asked = sheet_question(pair)
    page = shown.open("sheet.html", **asked)
    for name in ("session", "before", "after"):
        assert page.locator(f"#{name}").input_value() == asked[name]
    assert page.locator("#tag").input_value() == pair["vehicle"]


def test_a_tag_leads_to_its_tests_and_a_test_to_its_sheet(cleared: Watched, ledger: Ledger) -> None:
    tests = [row["vehicle"] for row in ledger.ask("/v1/sessions", limit="500")["items"]]
    tag = next(one for one in tests if tests.count(one) > 1)
    own = ledger.ask("/v1/sessions", vehicle=tag)["items"]
    page = cleared.open("sheet.html", tag=tag)
    expect(page.locator("#answer")).to_contain_text("Choose one of its tests")
    page.locator("#session").select_option(own[-1]["id"])
    expect(page.locator(".sheet")).to_be_visible()
    cleared.settle()
    assert page.locator("#tag").input_value() == tag


def test_the_only_test_of_a_car_is_chosen_by_itself(visiting: Watched) -> None:
    page = visiting.open("sheet.html", tag="stoat-1")
    expect(page.locator("#session")).to_have_value(UNCHANGED)
    expect(page.get_by_role("button", name="Print this sheet")).to_be_visible()
    assert visiting.complaints == []


def test_a_tag_that_nobody_measured_is_said_to_have_none(cleared: Watched) -> None:
    page = cleared.open("sheet.html", tag="no-such-car")
    expect(page.locator("#answer")).to_contain_text("Nothing was measured on no-such-car")


def test_one_state_alone_can_be_chosen(cleared: Watched, ledger: Ledger) -> None:
    asked = sheet_question(best_pair(ledger))
    page = cleared.open("sheet.html", **asked)
    page.locator("#before").select_option(label="nothing: one state")
    expect(page.locator(".sheet h2")).to_contain_text("measured as it stands")
    cleared.settle()
    alone = ledger.ask(f"/v1/sessions/{asked['session']}/sheet", after=asked["after"])
    assert alone["headline"] in plain(page.locator(".headline").inner_text())
    assert page.locator(".sheet .chart svg").count() == 2


def test_a_printed_number_finds_its_sheet_however_it_is_typed(cleared: Watched, ledger: Ledger) -> None:
    asked = sheet_question(best_pair(ledger))
    number = ledger.ask(
        f"/v1/sessions/{asked['session']}/sheet", before=asked["before"], after=asked["after"]
    )["number"]
    page = cleared.open("sheet.html")
    page.locator("#number").fill(number.upper().replace("-", " "))
    page.locator("#number").press("Enter")
    expect(page.locator(".sheet-head")).to_contain_text(f"Sheet {number}, version 1")


def test_what_is_no_number_says_how_one_looks(cleared: Watched) -> None:
    page = cleared.open("sheet.html", number="12")
    expect(page.locator("#answer")).to_contain_text("such as 7158-2c73-4094-1-2")


def test_the_curves_can_be_had_as_a_table_and_as_csv(cleared: Watched, ledger: Ledger) -> None:
    asked = sheet_question(best_pair(ledger))
    page = cleared.open("sheet.html", **asked)
    page.get_by_text("The curves as a table").click()
    expect(page.get_by_role("table", name="Every 250 rpm")).to_be_visible()
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save the numbers").click()
    assert saved.value.suggested_filename.startswith("sheet-")
    assert "power_a,power_b" in saved.value.path().read_text()


# On paper


@pytest.mark.parametrize("paper", PAPERS)
def test_a_sheet_is_one_page_with_all_ten_points(shown: Shown, ledger: Ledger, paper: str) -> None:
    page = shown.open("sheet.html", **sheet_question(best_pair(ledger)))
    text = on_one_page(page, paper)
    missing = [words for words in (*POINTS, *WORDS_OF_THE_TEN) if bare(words) not in text]
    assert missing == []
    for words in ("Show the sheet", "Print this sheet", "What can be asked", "Save this picture"):
        assert bare(words) not in text, "controls do not belong on paper"


@pytest.mark.parametrize("paper", PAPERS)
def test_it_is_one_page_from_any_window(from_a_window: Page, paper: str) -> None:
    assert len(printed(from_a_window, paper).pages) == 1


def test_the_newest_sheets_of_the_shop_all_fit_one_page(cleared: Watched, ledger: Ledger) -> None:
    fitted = {}
    for one in ledger.ask("/v1/sessions", limit="6")["items"]:
        page = cleared.open("sheet.html", session=one["id"])
        fitted[one["id"]] = [len(printed(page, paper).pages) for paper in PAPERS]
    assert len(fitted) == 6
    assert all(pages == [1, 1] for pages in fitted.values()), fitted


# Its version


@pytest.mark.parametrize("paper", PAPERS)
def test_a_superseded_version_says_so_large_on_screen_and_paper(superseded: Page, paper: str) -> None:
    said = f"Version 1 of sheet {NUMBERS[AMENDED]} is superseded by version 2."
    notice = superseded.locator(".superseded")
    expect(notice).to_contain_text(said)
    expect(notice).to_contain_text("the session: gear amended from nothing to 4.")
    for private in ("lead", "was missing"):
        expect(notice).not_to_contain_text(private)
    first = superseded.locator("#answer p").first
    expect(first).to_contain_text("Version 1 is superseded by version 2 (looked up ")
    size = notice.locator("strong").evaluate("(node) => parseFloat(getComputedStyle(node).fontSize)")
    body = superseded.locator(".sheet-foot").evaluate("(node) => parseFloat(getComputedStyle(node).fontSize)")
    assert size > 1.4 * body
    assert bare(said) in on_one_page(superseded, paper)


def test_the_newest_version_carries_no_notice(visiting: Watched, own: OwnLedger) -> None:
    measured(own, LATER, "stoat-3", 1.02)
    page = visiting.open("sheet.html", number=NUMBERS[LATER], version="1")
    assert page.locator(".superseded").count() == 0
    expect(page.locator("#answer p").first).to_contain_text("Version 1 still stands (looked up ")
    expect(page.locator(".sheet-head")).to_contain_text(f"Sheet {NUMBERS[LATER]}, version 1.")
    amended(own, LATER)
    page = visiting.open("sheet.html", session=LATER)
    assert page.locator(".superseded").count() == 0
    expect(page.locator(".sheet-head")).to_contain_text("version 2 of")


def test_a_number_without_its_version_says_which_one_stands(visiting: Watched) -> None:
    page = visiting.open("sheet.html", number=NUMBERS[AMENDED])
    expect(page.locator("#answer p").first).to_contain_text("a printed sheet stands if it says version 2")


def test_who_made_changes_and_why_is_shown_to_no_one(visiting: Watched, own: OwnLedger) -> None:
    visiting.open("sheet.html")
    visiting.page.evaluate("(token) => sessionStorage.setItem('bayledger-token', token)", own.tokens["admin"])
    page = visiting.open("sheet.html", number=NUMBERS[AMENDED], version="1")
    expect(page.locator(".superseded")).to_contain_text("the session: gear amended")
    assert "was missing" not in page.locator("body").inner_text()


def test_a_version_that_was_never_printed_is_said_to_be_a_slip(visiting: Watched) -> None:
    page = visiting.open("sheet.html", number=NUMBERS[UNCHANGED], version="7")
    expect(page.locator("#answer")).to_contain_text("has no version 7: the newest is 1")
