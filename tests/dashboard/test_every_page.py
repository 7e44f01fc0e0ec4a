"""What holds on every page: quiet, local, strict, no wider than the window, printed, by keyboard, without a script."""

import re
from collections.abc import Iterator
from itertools import groupby, pairwise

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.dashboard.conftest import DESK, Ledger, Shown, Watched
from tests.dashboard.every_page import ASKING, PAGES, asked

WIDTHS_PX = (360, 768, 1440)  # a phone, a counter tablet, a desk (our choice)
SMALLEST_TARGET_PX = 44  # WCAG 2.2, success criterion 2.5.5 (enhanced)
POLICY = (
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "img-src 'self' data:",
    "connect-src 'self'",
    "font-src 'self'",
    "base-uri 'none'",
    "form-action 'self'",
    "frame-ancestors 'none'",
)
CAUTIONS = ("maim and kill", "unlawful on public roads", "no promise for another car", "qualified person")


@pytest.fixture(scope="module", params=PAGES)
def opened(
    request: pytest.FixtureRequest, reading_profile: BrowserContext, live_demo: str
) -> Iterator[Watched]:
    """Each page in turn, opened once with a question."""
    watched = Watched(reading_profile.new_page(), live_demo.rstrip("/"))
    watched.mind()
    watched.open(request.param, **asked(request.param, Ledger(watched.base)))
    yield watched
    watched.page.close()


@pytest.fixture
def answered(opened: Watched) -> Iterator[Watched]:
    """Each page in turn, with its answer shown; on a desk, in light, folds closed again after each test."""
    assert opened.page.locator("#answer .state, .trouble").count() == 0
    yield opened
    opened.fold()
    opened.page.emulate_media(media="screen", color_scheme="light")
    opened.page.set_viewport_size(DESK)


@pytest.fixture(scope="module")
def without_script(browser: Browser) -> Iterator[Page]:
    """A tab which runs no script."""
    context = browser.new_context(java_script_enabled=False)
    yield context.new_page()
    context.close()


def test_the_page_is_quiet_stays_here_and_keeps_its_policy(answered: Watched) -> None:
    assert answered.complaints == []
    assert answered.strangers() == []
    assert answered.violations() == []


def test_the_policy_is_sent_whole(answered: Watched) -> None:
    response = answered.page.request.get(answered.page.url)
    sent = {part.strip() for part in response.headers["content-security-policy"].split(";") if part.strip()}
    assert sent == set(POLICY)


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_nothing_is_wider_than_the_window_folds_open_or_closed(answered: Watched, width: int) -> None:
    answered.page.set_viewport_size({"width": width, "height": 900})
    answered.settle()
    closed = answered.page.evaluate(WIDER)
    answered.unfold()
    assert (closed, answered.page.evaluate(WIDER)) == ([], [])


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_a_wide_table_wraps_or_stacks_before_it_must_be_pushed_aside(answered: Watched, width: int) -> None:
    answered.page.set_viewport_size({"width": width, "height": 900})
    answered.unfold()
    assert answered.page.evaluate(PUSHED) == []


def test_print_shows_the_answer_and_no_controls(answered: Watched) -> None:
    page = answered.page
    page.emulate_media(media="print")
    for kind in ("select", "input", "button", "nav"):
        expect(page.locator(f"{kind}:visible")).to_have_count(0)
    expect(page.locator("#answer:visible, #more:visible").first).to_be_visible()
    expect(page.locator("footer:visible, .sheet-foot:visible")).to_have_count(
        1
    )  # the sheet has a foot of its own


def test_every_control_has_a_label_and_is_large_enough_to_hit(answered: Watched) -> None:
    controls = answered.page.locator("select, input, button, nav a, .links a, summary")
    heights = controls.filter(visible=True).evaluate_all(HEIGHTS)
    assert heights
    assert [control for control in heights if control["height"] < SMALLEST_TARGET_PX] == []
    unlabelled = answered.page.evaluate(
        "() => [...document.querySelectorAll('select, input:not([type=hidden])')].filter((node) => !node.labels.length).map((node) => node.id)"
    )
    assert unlabelled == []


def test_the_keyboard_reaches_everything_in_reading_order(answered: Watched) -> None:
    reached = walk(answered.page)
    assert reached[0]["text"].startswith("Skip")
    tops = [stop["top"] for stop in reached[1:]]
    rises = [(a, b) for a, b in pairwise(tops) if b < a - 60]
    assert rises == [], reached
    form = [stop["id"] for stop in reached if stop["form"] and stop["id"]]
    visible = answered.page.evaluate(
        "() => [...document.querySelectorAll('#question :is(select, input)[id]')].filter((node) => node.offsetParent).map((node) => node.id)"
    )
    assert [name for name, _ in groupby(form)] == visible  # a date is three stops
    assert all(stop["outlined"] for stop in reached[1:])


def test_the_answer_is_announced_where_it_comes_later(answered: Watched) -> None:
    comes_later = any(f"/{name}" in answered.page.url for name in ASKING)
    expect(answered.page.locator("#answer[aria-live=polite]")).to_have_count(int(comes_later))
    assert answered.page.locator("#answer").inner_text().strip()


def test_the_cautions_stand_on_the_page(answered: Watched) -> None:
    for words in CAUTIONS:
        expect(answered.page.locator("footer")).to_contain_text(words)


@pytest.mark.parametrize("name", ["gain.html", "spread.html"])
def test_a_caution_of_the_foot_is_not_said_twice_and_none_is_lost(
    shown: Shown, ledger: Ledger, name: str
) -> None:
    question = ledger.best_question()
    platform = question["platform"]
    gain = name == "gain.html"
    path = "/v1/typical-gain" if gain else f"/v1/platforms/{platform}/stock-spread"
    cautions = ledger.ask(path, **(question if gain else {}))["cautions"]
    page = shown.open(name, **asked(name, ledger))
    boxed, foot = (bare(page.locator(where).inner_text()) for where in (".cautions", "footer"))
    assert [words for words in cautions if bare(words) in foot]
    assert [words for words in cautions if (bare(words) in boxed) == (bare(words) in foot)] == []
    assert "public roads" not in boxed


def bare(text: str) -> str:
    """Words alone, for comparing what is said."""
    return re.sub(r"[^a-z0-9]+", " ", text.lower()).strip()


def test_dark_and_light_both_read_well(answered: Watched) -> None:
    for scheme in ("light", "dark"):
        answered.page.emulate_media(color_scheme=scheme)
        ratios = answered.page.evaluate(CONTRAST)
        assert min(ratios.values()) >= 4.5, (scheme, ratios)  # WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("name", PAGES)
def test_without_a_script_the_page_points_to_the_numbers(
    without_script: Page, ledger: Ledger, name: str
) -> None:
    without_script.goto(ledger.address(name))
    notice = without_script.locator(".notice" if name in ASKING else "body").inner_text()
    assert without_script.locator("a[href='/v1/docs']:visible").count() > 0
    assert ("/v1/" in notice) == (name in ASKING)


def test_the_first_page_leads_to_an_answer(cleared: Watched, ledger: Ledger) -> None:
    page = cleared.open("index.html")
    rows = ledger.ask("/v1/evidence", limit="500")["items"]
    assert page.locator("#more a[href^='gain.html']").count() == len(rows)
    page.locator("#more a[href^='gain.html']").first.click()
    cleared.settle()
    expect(page.locator(".headline data").first).to_be_visible()


def test_the_page_for_programs_works_under_the_same_policy(cleared: Watched) -> None:
    cleared.page.goto(f"{cleared.base}/v1/docs")
    posting = cleared.page.locator(".opblock-post", has=cleared.page.locator("[data-path='/v1/sessions']"))
    posting.locator(".opblock-summary-control").click()
    posting.get_by_role("tab", name="Schema").first.click()
    expect(
        posting.get_by_text("setups", exact=True)
    ).to_be_visible()  # the body's schema, its reference followed
    assert cleared.complaints == []
    assert cleared.strangers() == []
    assert cleared.violations() == []


def walk(page: Page) -> list[dict[str, object]]:
    """Press Tab through the page; what was focused, and where, until the focus leaves."""
    page.evaluate("() => { window.scrollTo(0, 0); document.activeElement.blur(); }")
    reached: list[dict[str, object]] = []
    for _ in range(400):
        page.keyboard.press("Tab")
        stop = page.evaluate(FOCUSED)
        if stop is None or (reached and stop == reached[0]):
            break
        reached.append(stop)
    return reached


# How high is what is hit to use a control: of what is ticked its label.
HEIGHTS = """(controls) => controls.map((node) => {
  const hit = node.matches('[type=checkbox], [type=radio]') ? node.closest('label') : node;
  return { html: node.outerHTML, height: hit ? hit.getBoundingClientRect().height : 0 };
})"""

# What sticks out of the window, outermost first; empty where the page does not scroll sideways.
WIDER = """() => {
  if (document.documentElement.scrollWidth <= window.innerWidth) return [];
  const out = [...document.querySelectorAll('body *')].filter((node) =>
    node.getBoundingClientRect().right > window.innerWidth + 0.5 && !node.closest('.scroll, .skip'));
  return [`${document.documentElement.scrollWidth} px`, ...out.slice(0, 4).map((node) => node.outerHTML.slice(0, 150))];
}"""

# Wide tables of which a part lies beyond their place.
PUSHED = """() => [...document.querySelectorAll('.scroll:has(> .stacked)')]
  .filter((node) => node.scrollWidth > node.clientWidth + 1)
  .map((node) => `${node.ariaLabel}: ${node.scrollWidth} px in ${node.clientWidth}`)"""

FOCUSED = """() => {
  const node = document.activeElement;
  if (!node || node === document.body) return null;
  return {
    text: (node.innerText || '').slice(0, 30), id: node.id, form: Boolean(node.closest('#question')),
    top: node.getBoundingClientRect().top + window.scrollY,
    outlined: parseFloat(getComputedStyle(node).outlineWidth) >= 2,
  };
}"""

# Contrast by WCAG 2.2's definition of relative luminance, for the page's text colours on its ground.
CONTRAST = """() => {
  const probe = document.body.appendChild(document.createElement('i'));
  const channel = (c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
  const light = (name) => {
    probe.style.color = `var(${name})`;
    const [r, g, b] = getComputedStyle(probe).color.match(/[\\d.]+/g).map((v) => channel(v / 255));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (a, b) => (Math.max(light(a), light(b)) + 0.05) / (Math.min(light(a), light(b)) + 0.05);
  const found = {};
  for (const ground of ['--paper', '--sheet'])
    for (const ink of ['--ink', '--faint', '--accent', '--loss']) found[ink + ' on ' + ground] = ratio(ink, ground);
  probe.remove();
  return found;
}"""
