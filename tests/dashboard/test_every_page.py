"""What holds on every page: quiet, local, strict, narrow, printed, by keyboard, without a script."""

import re
from itertools import pairwise

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.dashboard.conftest import Ledger, Watched

NARROW = {"width": 420, "height": 900}
SMALLEST_TARGET_PX = 44  # WCAG 2.2, success criterion 2.5.5 (enhanced)
PAGES = ("index.html", "gain.html", "spread.html")
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


def asked(name: str, ledger: Ledger) -> dict[str, str]:
    """A question the page can answer."""
    question = ledger.best_question()
    return {"index.html": {}, "gain.html": question, "spread.html": {"platform": question["platform"]}}[name]


@pytest.fixture(params=PAGES)
def answered(request: pytest.FixtureRequest, watched: Watched, ledger: Ledger) -> Watched:
    """Each page in turn, with its answer shown."""
    watched.open(request.param, **asked(request.param, ledger))
    assert watched.page.locator("#answer .state, .trouble").count() == 0
    return watched


def test_the_page_is_quiet_stays_here_and_keeps_its_policy(answered: Watched) -> None:
    assert answered.complaints == []
    assert answered.strangers() == []
    assert answered.violations() == []


def test_the_policy_is_sent_whole(answered: Watched) -> None:
    response = answered.page.reload()
    assert response is not None
    sent = {part.strip() for part in response.headers["content-security-policy"].split(";") if part.strip()}
    assert sent == set(POLICY)


def test_nothing_scrolls_sideways_on_a_narrow_screen(answered: Watched) -> None:
    answered.page.set_viewport_size(NARROW)
    answered.page.reload()
    answered.settle()
    over: int = answered.page.evaluate("() => document.documentElement.scrollWidth - window.innerWidth")
    assert over <= 0


def test_print_shows_the_answer_and_no_controls(answered: Watched) -> None:
    page = answered.page
    page.emulate_media(media="print")
    for kind in ("select", "input", "button", "nav"):
        assert not [node for node in page.locator(kind).all() if node.is_visible()], kind
    expect(page.locator("#answer")).to_be_visible()
    expect(page.locator("footer")).to_be_visible()


def test_every_control_has_a_label_and_is_large_enough_to_hit(answered: Watched) -> None:
    controls = [
        node
        for node in answered.page.locator("select, input, button, nav a, .links a, summary").all()
        if node.is_visible()
    ]
    assert controls
    for node in controls:
        box = node.bounding_box()
        assert box is not None
        assert box["height"] >= SMALLEST_TARGET_PX, node.evaluate("(node) => node.outerHTML")
    unlabelled = answered.page.evaluate(
        "() => [...document.querySelectorAll('select, input')].filter((node) => !node.labels.length).map((node) => node.id)"
    )
    assert unlabelled == []


def test_the_keyboard_reaches_everything_in_reading_order(answered: Watched) -> None:
    reached = walk(answered.page)
    assert reached[0]["text"].startswith("Skip")
    tops = [stop["top"] for stop in reached[1:]]
    rises = [(a, b) for a, b in pairwise(tops) if b < a - 60]
    assert rises == [], reached
    form = [stop["id"] for stop in reached if stop["form"]]
    visible = answered.page.evaluate(
        "() => [...document.querySelectorAll('#question select, #question input')].filter((node) => node.offsetParent).map((node) => node.id)"
    )
    assert [name for name in form if name] == visible
    assert all(stop["outlined"] for stop in reached[1:])


def test_the_answer_is_announced(answered: Watched) -> None:
    expect(answered.page.locator("#answer")).to_have_attribute("aria-live", "polite")
    assert answered.page.locator("#answer").inner_text().strip()


def test_the_cautions_stand_on_the_page(answered: Watched) -> None:
    for words in CAUTIONS:
        expect(answered.page.locator("footer")).to_contain_text(words)


@pytest.mark.parametrize("name", ["gain.html", "spread.html"])
def test_a_caution_of_the_foot_is_not_said_twice_and_none_is_lost(
    watched: Watched, ledger: Ledger, name: str
) -> None:
    question = ledger.best_question()
    platform = question["platform"]
    gain = name == "gain.html"
    path = "/v1/typical-gain" if gain else f"/v1/platforms/{platform}/stock-spread"
    cautions = ledger.ask(path, **(question if gain else {}))["cautions"]
    page = watched.open(name, **asked(name, ledger))
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
def test_without_a_script_the_page_points_to_the_numbers(browser: Browser, ledger: Ledger, name: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{ledger.base}/{name}")
    links = [link.get_attribute("href") for link in page.locator(".notice a").all() if link.is_visible()]
    context.close()
    assert "/v1/docs" in links
    assert any(link and link.startswith("/v1/") and link != "/v1/docs" for link in links)


def test_the_first_page_leads_to_an_answer(watched: Watched, ledger: Ledger) -> None:
    page = watched.open("index.html")
    rows = ledger.ask("/v1/evidence", limit="500")["items"]
    assert page.locator("#more a[href^='gain.html']").count() == len(rows)
    page.locator("#more a[href^='gain.html']").first.click()
    watched.settle()
    expect(page.locator(".headline data").first).to_be_visible()


def test_the_page_for_programs_works_under_the_same_policy(watched: Watched) -> None:
    watched.page.goto(f"{watched.base}/v1/docs")
    expect(watched.page.locator(".opblock").first).to_be_visible()
    assert watched.complaints == []
    assert watched.strangers() == []
    assert watched.violations() == []


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
