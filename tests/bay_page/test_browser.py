"""The page in a real browser, before a real ledger whose network goes down and comes back."""

import re
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, Page, expect

from service.bay.page.doors import Door
from tests.bay.conftest import real_ledger as real_ledger
from tests.bay.proxy import always, proxy_to
from tests.bay_page.conftest import NOWHERE, made, served
from tests.dashboard.conftest import Watched
from tests.dashboard.test_accessible import RULES_OF_COLOUR, grave_findings
from tests.faults.sessions import SLOTS

pytestmark = pytest.mark.slow

UPRIGHT, ACROSS = {"width": 768, "height": 1024}, {"width": 1024, "height": 768}
PAGES = (
    "/",
    "/car",
    "/car?q=x%20y",
    "/setup/car-00",
    "/add/car-0",
    "/setup/car-07",
    "/air",
    "/files",
    "/off",
    "/pull",
    "/unsent",
    "/none",
)
SMALL = """() => [...document.querySelectorAll('a, button, input, select, summary')]
  .filter((node) => node.type !== 'hidden' && !node.disabled && node.checkVisibility())
  .map((node) => ['checkbox', 'radio'].includes(node.type) ? node.closest('label') : node)
  .map((node) => [node.outerHTML.slice(0, 90), node.getBoundingClientRect()])
  .filter(([, box]) => box.width < 48 || box.height < 48)
  .map(([html, box]) => `${box.width} x ${box.height}: ${html}`)"""
TARGETS = "() => document.querySelectorAll('a, button, input, select, summary').length"


@contextmanager
def tablet(browser: Browser, base: str, size: dict[str, int] = UPRIGHT, **more: bool) -> Iterator[Watched]:
    """A tablet's browser under watch."""
    context = browser.new_context(viewport=size, **more)
    context.set_default_timeout(15_000)
    watched = Watched(context.new_page(), base)
    watched.mind()
    yield watched
    context.close()


def open_at(watched: Watched, base: str, path: str) -> None:
    """A page of PAGES; a pull's own is found as a person finds it."""
    watched.page.goto(base + ("/" if path == "/pull" else path))
    if path == "/pull":
        watched.page.get_by_role("link", name="Mark pull 1", exact=True).click()
        expect(watched.page.get_by_role("heading", level=1)).to_have_text("Pull 1: a.csv")


def nothing_amiss(watched: Watched) -> None:
    """No complaint, nothing against the policy, no request off the machine."""
    assert watched.complaints == []
    assert watched.violations() == []
    assert watched.strangers() == []
    assert watched.requests, "nothing was watched"


def press(page: Page, name: str) -> None:
    """A button or a link by its words."""
    page.get_by_role("button", name=name).or_(page.get_by_role("link", name=name)).first.click()


def test_a_session_taken_with_the_network_down_is_sent_when_it_is_back(browser, tmp_path, real_ledger):
    network, part = {"up": True}, next(iter(SLOTS))
    with proxy_to(lambda: real_ledger.url() if network["up"] else None, always(None)) as proxy:
        bay = made(tmp_path, proxy.url, "bay-0", real_ledger.post_token("bay-0"))
        bay.station.ledger.look()
        assert bay.station.ledger.answers, bay.station.ledger.why_not
        with served(bay) as base, tablet(browser, base) as watched:
            page = watched.page
            page.goto(f"{base}/car")
            page.fill("#q", "car-00")
            press(page, "Find")
            network["up"] = False
            press(page, "car-00")
            page.fill("#another", part)
            press(page, "Gear of the pulls: more")
            press(page, "So it stands now")
            expect(page.get_by_role("heading", level=1)).to_have_text("car-00")
            bay.machine_writes("pull-01.csv", "pull-02.csv")
            expect(page.locator("#files")).to_have_text("2")
            press(page, "Attach files")
            page.check("input[value='pull-01.csv']")
            page.check("input[value='pull-02.csv']")
            press(page, "Attach what is ticked")
            press(page, "The car comes off")
            press(page, "The car comes off")
            expect(page.locator("#unsent")).to_have_text("1")
            expect(page.get_by_text("is closed and on the disk")).to_be_visible()
            network["up"] = True
            expect(page.locator("#unsent")).to_have_text("0")
            nothing_amiss(watched)
    rows = real_ledger.rows(
        "SELECT v.tag, count(*) FROM pull JOIN setup USING (setup_id) JOIN session USING (session_id)"
        " JOIN vehicle v USING (vehicle_id) GROUP BY 1"
    )
    assert rows == [("car-00", 2)]
    other = made(tmp_path / "other", str(real_ledger.url()), "bay-1", real_ledger.post_token("bay-1"))
    other.station.ledger.look()
    shown = other.get("/setup/car-00")
    assert "from <strong>the ledger</strong>" in shown
    assert re.findall(r'name="parts" value="([^"]+)" checked', shown) == [part]
    assert 'name="gear" value="4"' in shown


def filled(tmp_path, url=NOWHERE):
    """A bay with something on every page: a car with a pull, files, one that is no table, a session that waits."""
    bay = made(tmp_path, url)
    bay.station.memory.keep_names(["car-00"], ["wide-pipe"], ["stoat", "heron"])
    bay.choose("car-07", parts=["wide-pipe"], gear="3")
    bay.machine_writes("first.csv")
    bay.attach("first.csv")
    bay.choose("car-00", parts=["wide-pipe", "road-map"])
    bay.machine_writes("a.csv", "b.csv")
    bay.attach("a.csv")
    (bay.computer.export / "letter.csv").write_text("Dear customer\n")
    bay.station.look()
    return bay


@pytest.fixture(scope="module")
def full(tmp_path_factory, browser):
    """That bay, served; its pages are only looked at."""
    bay = filled(tmp_path_factory.mktemp("bay"))
    with served(bay) as base:
        yield base


@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_grave_in_light_or_dark(browser, full, path):
    with tablet(browser, full) as watched:
        open_at(watched, full, path)
        unfold(watched.page)
        light = grave_findings(watched.page)
        watched.page.emulate_media(color_scheme="dark")
        assert {"light": light, "dark": grave_findings(watched.page, **RULES_OF_COLOUR)} == {
            "light": [],
            "dark": [],
        }


@pytest.mark.parametrize("size", [UPRIGHT, ACROSS], ids=["upright", "across"])
def test_every_target_is_48_px_and_nothing_is_wider_than_the_tablet(browser, full, size):
    with tablet(browser, full, size) as watched:
        for path in PAGES:
            open_at(watched, full, path)
            unfold(watched.page)
            assert watched.page.evaluate(TARGETS) >= 3, path
            assert watched.page.evaluate(SMALL) == [], path
            assert watched.page.evaluate("() => document.documentElement.scrollWidth") <= size["width"], path


def test_no_page_complains_or_asks_anything_off_the_machine(browser, full):
    with tablet(browser, full) as watched:
        for path in PAGES[:-1]:
            open_at(watched, full, path)
            watched.page.wait_for_load_state("networkidle")
            nothing_amiss(watched)


def test_figures_are_32_px_and_more(browser, full):
    with tablet(browser, full) as watched:
        for path, figure in (
            ("/", "#unsent"), ("/", "dd.big"), ("/air", ".stepper input"), ("/setup/car-00", ".stepper input"),
            ("/files", ".figures strong"),
        ):  # fmt: skip
            watched.page.goto(full + path)
            size = watched.page.locator(figure).first.evaluate("(node) => getComputedStyle(node).fontSize")
            assert float(size.removesuffix("px")) >= 32.0, (path, figure)


def test_the_pin_is_asked_for_once_and_its_page_tells_a_stranger_nothing(browser, tmp_path):
    bay = filled(tmp_path)
    bay.station.troubles["folder"] = "a folder of this computer"
    with served(bay, Door("123456", "localhost")) as base, tablet(browser, base) as watched:
        page = watched.page
        page.goto(f"{base}/files")
        assert grave_findings(page) == []
        assert page.evaluate(SMALL) == []
        assert page.get_by_text("a folder of this computer").count() == 0
        page.get_by_label("PIN of this bay").fill("123456")
        press(page, "Open")
        expect(page.get_by_role("heading", level=1)).to_have_text("car-00")
        page.goto(f"{base}/files")
        expect(page.get_by_role("heading", level=1)).to_have_text("Attach files to car-00")
        nothing_amiss(watched)


def test_plus_and_minus_work_with_and_without_script(browser, full):
    for script in (True, False):
        with tablet(browser, full, java_script_enabled=script) as watched:
            page = watched.page
            page.goto(f"{full}/air")
            press(page, "Air temperature: more")
            expect(page.locator("#temperature")).to_have_value("20")
            press(page, "Air temperature: more")
            expect(page.locator("#temperature")).to_have_value("20.5")
            press(page, "Air temperature: less")
            expect(page.locator("#temperature")).to_have_value("20")


def test_a_whole_session_goes_by_keyboard_alone(browser, tmp_path):
    bay = made(tmp_path, NOWHERE)
    with served(bay) as base, tablet(browser, base) as watched:
        page = watched.page
        page.goto(f"{base}/car")
        tab_to(page, "#q")
        page.keyboard.type("car-00")
        page.keyboard.press("Enter")
        page.wait_for_url("**/car?q=car-00")
        tab_to(page, "a[href='/setup/car-00']")
        page.keyboard.press("Enter")
        page.wait_for_url("**/setup/car-00")
        tab_to(page, "#gear")
        page.keyboard.type("4")
        page.keyboard.press("Enter")  # keeps the form: no press of minus, which stands before it
        expect(page.get_by_role("heading", level=1)).to_have_text("car-00")
        assert bay.station.desk.work().car["gear"] == 4
        bay.machine_writes("a.csv")
        page.goto(f"{base}/files")
        tab_to(page, "input[name=file]")
        page.keyboard.press("Space")
        page.keyboard.press("Enter")
        expect(page.locator("dd.big").last).to_have_text("1")
        tab_to(page, "a[href='/off']")
        page.keyboard.press("Enter")
        page.wait_for_url("**/off")
        tab_to(page, "main button")
        page.keyboard.press("Enter")
        expect(page.locator("#unsent")).to_have_text("1")
        nothing_amiss(watched)


def test_a_pull_that_slipped_is_rejected_in_two_presses_and_nothing_is_typed(browser, tmp_path):
    bay = filled(tmp_path)
    with served(bay) as base, tablet(browser, base) as watched:
        page = watched.page
        page.goto(base)
        press(page, "Mark pull 1")
        press(page, "Wheel slip")
        expect(page.get_by_role("heading", level=1)).to_have_text("car-00")
        expect(page.get_by_text("1: a.csv, rejected: Wheel slip")).to_be_visible()
        (run,) = bay.station.desk.work().runs
        assert (run.document["status"], run.document["reason"]) == ("rejected", "Wheel slip")
        nothing_amiss(watched)


def test_a_program_that_ended_is_said_by_the_page_that_stands_open(browser, tmp_path):
    bay = made(tmp_path, NOWHERE)
    with tablet(browser, "") as watched:
        with served(bay) as base:
            watched.page.goto(base)
            watched.page.route("**/state", lambda route: route.abort())
            expect(watched.page.locator("#trouble")).to_contain_text("The bay’s program does not answer")
        assert all(re.search("ERR_FAILED", words) for words in watched.complaints)


def unfold(page: Page) -> None:
    """Open every fold."""
    page.evaluate("() => document.querySelectorAll('details').forEach((node) => { node.open = true; })")


def tab_to(page: Page, selector: str) -> None:
    """Press Tab until this has the focus."""
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("(selector) => document.activeElement.matches(selector)", selector):
            return
    pytest.fail(f"{selector} is not reached by Tab")
