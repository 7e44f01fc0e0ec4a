"""Mends made on the pages by typing and clicking: the ledger says that it is so, and taken back every answer is as before."""

import json
import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from service.local import LocalServer
from tests.api.mending import apart, asked
from tests.dashboard.conftest import DESK, Watched, emptied, kept_page
from tests.dashboard.own_ledger import OwnLedger, own_ledger
from tests.dashboard.test_accessible import RULES_OF_COLOUR, grave_findings
from tests.factories import pull, session, setup

pytestmark = pytest.mark.slow

CHANGE = "bayledger-change-token"
WIDTHS = (360, 768, 1440)
GAIN = "/v1/typical-gain?part=wide-pipe&platform=stoat"
DOUBTED = "7c0e6d1c-0c55-4c51-9a5a-1b8f3d1f2a10"
"""A visit whose last pull lies four per cent above the others."""
TWO_PERCENT_LOW = 1.02
"""True torque over the recorded one, of the north bay in the first days of March."""


@pytest.fixture(scope="module")
def ledger(server: LocalServer) -> Iterator[OwnLedger]:
    """Six cars, each with and without a part, three of them in both bays; the fifth has a doubted pull too."""
    with own_ledger(server, "mending_pages") as made:
        for n in range(4, 7):
            body = {"tag": f"stoat-{n}", "platform": "stoat", "confirm": True}
            assert made.admin.post("/v1/vehicles", body).status_code == 201
        for n in range(1, 7):
            tag, own = f"stoat-{n}", 1.0 + 0.01 * n
            made.post(session(setup(scale=own), setup(["wide-pipe"], 1.05 * own), vehicle=tag, day=n))
            if n % 2:
                made.post(session(setup(scale=1.001 * own), vehicle=tag, bay="hub", day=10 + n))
        pulls = [pull(scale) for scale in (1.11, 1.11, 1.155)]
        made.post(session({"parts": ["wide-pipe"], "pulls": pulls}, vehicle="stoat-5", day=20, id=DOUBTED))
        yield made


@pytest.fixture(scope="module")
def kept(browser: Browser, ledger: OwnLedger) -> Iterator[Watched]:
    """The page that all tests of the file have one after the other."""
    with kept_page(browser, ledger.url) as page:
        yield page


@pytest.fixture
def opened(kept: Watched, ledger: OwnLedger) -> Watched:
    """A page of that ledger, emptied, an admin's token in its tab."""
    return holding(kept, ledger, "admin")


def holding(watched: Watched, ledger: OwnLedger, scope: str) -> Watched:
    """The page, emptied, with a token for changes in its tab."""
    emptied(watched)
    watched.page.goto(f"{ledger.url}/questions.html")  # any page of the site: its storage is this one's
    remember = "([name, token]) => sessionStorage.setItem(name, token)"
    watched.page.evaluate(remember, [CHANGE, ledger.tokens[scope]])
    return watched


def unfolded(within: Locator | Page, title: str) -> Locator:
    """A fold by its exact title, opened."""
    page = within if isinstance(within, Page) else within.page
    found = within.locator("details", has=page.locator(f'xpath=./summary[normalize-space()="{title}"]'))
    if found.get_attribute("open") is None:
        found.locator("summary").first.click()
    return found


def looked_at(form: Locator, why: str) -> str:
    """The reason given; what will change, as it is shown."""
    form.get_by_label("Reason").fill(why)
    form.get_by_role("button", name="Show what will change").click()
    expect(form.locator(".review")).to_be_visible()
    return plain(form.locator(".review").inner_text())


def sent(form: Locator, why: str) -> str:
    """The reason given and the change sent; what was shown before."""
    shown = looked_at(form, why)
    form.locator(".review button").first.click()
    return shown


def refused(form: Locator, label: str, words: str) -> None:
    """The form stands open again, and the words stand beside the field, tied to it."""
    field = form.get_by_label(label)
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(field).to_be_focused()
    beside = field.locator("xpath=ancestor::div[@data-pointer]").locator(".refusal")
    expect(beside).to_contain_text(words)
    assert (beside.get_attribute("id") or "") in (field.get_attribute("aria-describedby") or "").split()
    expect(form.get_by_role("alert")).to_contain_text(re.compile("nothing was changed", re.IGNORECASE))


def done(watched: Watched, words: str) -> None:
    """The page says that it was done, where a screen reader is, and shows what holds now."""
    notice = watched.page.locator(".notice.done", has_text=words)
    notice.wait_for(timeout=60_000)  # the ledger works much out anew, and the page asks for all of it
    expect(notice).to_be_focused()
    watched.settle()


def plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("−", "-")


def reasons(ledger: OwnLedger, about: str) -> list[tuple[str, str, str]]:
    """What the history says of a resource, newest first: what, by whom, why."""
    items = ledger.ask(f"/v1/history?about={about}")["items"]
    return [(one["action"], one["who"], one["reason"]) for one in items]


# A car under two tags


def test_a_car_under_two_tags_becomes_one_and_comes_apart_again(opened: Watched, ledger: OwnLedger) -> None:
    before = asked(ledger.admin)
    page = opened.open("car.html", tag="stoat-2", units="si")
    form = unfolded(page, "This car has another tag too")
    expect(form).to_contain_text("Everything measured on stoat-2")
    expect(form).to_contain_text("can be taken apart again")
    form.get_by_label("The other tag").fill("stoat-77")
    sent(form, "typed twice")
    refused(form, "The other tag", "stoat-77")
    assert "merged_into" not in ledger.ask("/v1/vehicles/stoat-2")
    opened.complaints.clear()  # the browser notes the refused request

    form.get_by_label("The other tag").fill(" Stoat-1")
    shown = sent(form, "typed twice")
    assert "everything of stoat-2: stoat-2 → stoat-1" in shown
    assert "a sheet already given out becomes superseded" in shown
    assert "Reason: typed twice" in shown
    done(opened, "Done: stoat-2 and stoat-1 are one car. Moved to stoat-1: 1 visit and 0 entries")
    assert ledger.ask("/v1/vehicles/stoat-2")["merged_into"] == "stoat-1"
    assert ledger.ask(GAIN)["evidence"]["cars"] == before[GAIN]["evidence"]["cars"] - 1
    assert reasons(ledger, "vehicles/stoat-2")[0] == ("merged", "lead", "typed twice")
    expect(page.locator("#answer")).to_contain_text("stoat-2 and stoat-1 are one car, recorded twice")
    expect(page.locator(".answer")).to_contain_text("stoat-1: Halvern Stoat")
    assert page.locator("#pulls details[data-session]").count() == 3  # two of stoat-1, one that was moved
    assert page.get_by_text("Take stoat-2 and stoat-1 apart again").count() == 1

    opened.open("car.html", tag="stoat-1")
    expect(page.locator("#answer")).to_contain_text("Recorded as stoat-2 too: one car.")
    form = unfolded(page, "Take stoat-2 and stoat-1 apart again")
    assert "stoat-2: a second name of stoat-1 → a car of its own" in sent(form, "two cars after all")
    done(opened, "Done: stoat-2 is a car of its own again. Moved back to it: 1 visit and 0 entries")
    assert list(apart(asked(ledger.admin), before, 0.0)) == []
    assert reasons(ledger, "vehicles/stoat-2")[0] == ("unmerged", "lead", "two cars after all")
    assert page.get_by_text("Take stoat-2 and stoat-1 apart again").count() == 0
    assert opened.complaints == []


def test_two_tags_are_merged_and_taken_apart_by_keyboard_alone(opened: Watched, ledger: OwnLedger) -> None:
    page = opened.open("car.html", tag="stoat-4", units="si")
    fold = page.locator("#change summary", has_text="This car has another tag too")
    fold.focus()
    press(page, "Enter", "Tab")
    page.keyboard.type("stoat-3")
    press(page, "Tab")
    page.keyboard.type("one job card, two tags")
    press(page, "Enter")
    expect(page.locator("#change .review:visible")).to_be_focused()
    press(page, "Tab", "Enter")
    done(opened, "stoat-4 and stoat-3 are one car")
    assert ledger.ask("/v1/vehicles/stoat-3")["merged_from"] == ["stoat-4"]
    page.locator("#change summary", has_text="Take stoat-4 and stoat-3 apart again").focus()
    press(page, "Enter", "Tab")
    page.keyboard.type("they are two")
    press(page, "Enter", "Tab", "Enter")
    done(opened, "stoat-4 is a car of its own again")
    assert "merged_from" not in ledger.ask("/v1/vehicles/stoat-3")


def press(page: Page, *keys: str) -> None:
    """Keys one after the other."""
    for key in keys:
        page.keyboard.press(key)


# A doubt that was confirmed away


def test_a_confirmation_is_taken_back_and_the_doubt_stands_again(opened: Watched, ledger: OwnLedger) -> None:
    at = f"/v1/sessions/{DOUBTED}"
    before = asked(ledger.admin)
    assert ledger.ask(at)["setups"][0]["doubts"] == ["pulls-disagree"]
    page = opened.open("car.html", tag="stoat-5", session=DOUBTED)
    sent(unfolded(pull_controls(page), "Confirm pull 3"), "the trace is clean")
    done(opened, "Done: confirm pull 3")
    assert ledger.ask(at)["setups"][0]["doubts"] == []
    assert asked(ledger.admin) != before
    form = unfolded(pull_controls(page), "Take back that pull 3 was confirmed")
    expect(form).to_contain_text("It was confirmed: the trace is clean (lead).")
    assert "doubts: settled → stand" in sent(form, "looked at the wrong trace")
    done(opened, "Done: the doubts stand against pull 3 again.")
    assert ledger.ask(at)["setups"][0]["doubts"] == ["pulls-disagree"]
    assert list(apart(asked(ledger.admin), before, 0.0)) == []
    assert page.get_by_text("Take back that pull 3 was confirmed").count() == 0
    page.get_by_text("Who changed what, when and why").click()
    expect(page.locator(".record tbody tr", has_text="confirmation taken back")).to_contain_text(
        "looked at the wrong trace"
    )
    assert opened.complaints == []


def pull_controls(page: Page) -> Locator:
    """What may be done with the third pull of the visit that stands open."""
    unfolded(page, "The 3 pulls of setup 1, one by one")
    return unfolded(page, "Strike, confirm or amend pull 3 of setup 1")


# A bay's figures of a period


def test_wrong_figures_of_a_bay_are_put_right_for_a_time_and_the_way_back_leads_to_the_same_answers(
    opened: Watched, ledger: OwnLedger
) -> None:
    before, visit = asked(ledger.admin), ledger.ask("/v1/sessions?vehicle=stoat-6&bay=north")["items"][-1]
    power = peak_power(ledger, visit["id"])
    page = opened.open("bays.html")
    bay = of_bay(page, "North")
    expect(bay).to_contain_text("Nothing was put right.")
    form = unfolded(bay, "Correct what north posted")
    form.get_by_label("Wrong from").fill("2026-03-01T00:00:00")
    form.get_by_label("Right again from").fill("2026-02-01T00:00:00")
    form.get_by_label("Reason").fill("the arm of the load cell is 2 % longer")
    form.get_by_role("button", name="Show what will change").click()
    refused(form, "Multiply torque and power by", "say what was wrong")  # the page's own: nothing is sent
    form.get_by_label("Multiply torque and power by").fill("20")
    sent(form, "the arm of the load cell is 2 % longer")
    refused(form, "Multiply torque and power by", "must lie between 0.5 and 2")
    form.get_by_label("Multiply torque and power by").fill(str(TWO_PERCENT_LOW))
    sent(form, "the arm of the load cell is 2 % longer")
    refused(form, "Right again from", "is not after `from`")
    assert ledger.ask("/v1/bays/north/corrections")["items"] == []
    opened.complaints.clear()  # the browser notes the refused requests

    form.get_by_label("Right again from").fill("2026-03-09T12:30")
    shown = sent(form, "the arm of the load cell is 2 % longer")
    period = "1 March 2026, 00:00 UTC to 9 March 2026, 12:30 UTC"
    assert f"north, {period}: as posted → put right" in shown
    assert "torque and power: as posted → times 1.02" in shown
    done(opened, "Done: put right.")
    (listed,) = ledger.ask("/v1/bays/north/corrections")["items"]
    made = ledger.ask(f"/v1/bays/north/corrections/{listed['id']}")
    assert (made["from"], made["to"]) == ("2026-03-01T00:00:00+00:00", "2026-03-09T12:30:00+00:00")
    assert (made["factor"], made["temperature"], made["pressure"], made["basis"]) == (1.02, None, None, None)
    said = f"The figures of {made['pulls']} pulls of north rest on it now."
    expect(page.locator(".notice.done")).to_contain_text(said)
    assert made["pulls"] == 36  # cars 1 to 6 on the first six days: two setups of three pulls each
    assert peak_power(ledger, visit["id"]) == pytest.approx(TWO_PERCENT_LOW * power, rel=1e-9)
    line = of_bay(page, "North").locator(".mended li")
    expect(line).to_contain_text(f"{period}: torque and power times 1.02.")
    expect(line).to_contain_text(re.compile(r"Put right by lead on .* Reason: the arm of the load cell"))

    form = unfolded(of_bay(page, "North"), "Correct what north posted")
    form.get_by_label("Wrong from").fill("2026-03-08T00:00:00")
    form.get_by_label("Right again from").fill("2026-03-20T00:00:00")
    form.get_by_label("Multiply torque and power by").fill("1.01")
    sent(form, "again")
    refused(form, "Wrong from", "holds for a part of this period: undo it first")
    opened.complaints.clear()

    form = unfolded(of_bay(page, "North"), "Take back what was put right from 1 March 2026, 00:00 UTC")
    assert "torque and power: times 1.02 → as posted" in sent(form, "it was the other bay")
    done(opened, "Done: taken back. North counts again as it posted")
    assert list(apart(asked(ledger.admin), before, 0.0)) == []
    line = of_bay(page, "North").locator(".mended li")
    expect(line).to_contain_text(re.compile(r"Taken back by lead on .* Reason: it was the other bay"))
    assert line.get_by_text("Take back what was put right").count() == 0
    assert opened.complaints == []


def test_air_and_basis_are_put_right_in_the_visitors_units(opened: Watched, ledger: OwnLedger) -> None:
    before = asked(ledger.admin)
    opened.page.evaluate("() => localStorage.setItem('bayledger-units', 'us')")
    page = opened.open("bays.html")
    form = unfolded(of_bay(page, "Hub"), "Correct what hub posted")
    form.get_by_label("Wrong from").fill("2026-03-01T00:00:00")
    form.get_by_label("Right again from").fill("2026-04-01T00:00:00")
    form.get_by_label("Add to the air temperature, °F").fill("-9")
    form.get_by_label("Add to the air pressure, inHg").fill("-0.5")
    form.get_by_label("The factor in them").fill("1.03")
    form.get_by_label("Reason").fill("the room was never asked")
    form.get_by_role("button", name="Show what will change").click()
    refused(form, "What the figures really were", "say to which standard")
    form.get_by_label("What the figures really were").select_option("din-70020")
    shown = sent(form, "the room was never asked")
    assert "air temperature: as posted → 9 °F lower" in shown
    assert "air pressure: as posted → 0.5 inHg lower" in shown
    assert "figures: as posted → really corrected to DIN 70020 by factor 1.03" in shown
    done(opened, "Done: put right.")
    kept = ledger.ask("/v1/bays/hub/corrections?units=si")["items"][-1]
    assert kept["temperature"] == pytest.approx(-5.0)  # 9 degrees Fahrenheit are 5 K
    assert kept["pressure"] == pytest.approx(-0.5 * 3.386389, rel=1e-5)  # NIST SP 811: inHg at 0 degC in kPa
    assert kept["basis"] == {"standard": "din-70020", "factor": 1.03}
    line = of_bay(page, "Hub").locator(".mended li")
    assert "air temperature 9 °F lower; air pressure 0.5 inHg lower" in plain(line.inner_text())
    sent(unfolded(line, "Take back what was put right from 1 March 2026, 00:00 UTC"), "it was right")
    done(opened, "Done: taken back.")
    assert list(apart(asked(ledger.admin), before, 0.0)) == []
    assert opened.complaints == []


def of_bay(page: Page, name: str) -> Locator:
    """What stands under a bay's name among the corrections."""
    return page.locator("#corrections .setup", has=page.get_by_role("heading", name=name, exact=True))


def peak_power(ledger: OwnLedger, session_id: str) -> float:
    """The mean of a visit's first setup [kW]."""
    body = ledger.ask(f"/v1/sessions/{session_id}?units=si")
    mean: float = body["setups"][0]["summary"]["peak_power"]["mean"]
    return mean


# Who may


def test_mends_are_offered_to_those_only_who_may_make_them(kept: Watched, ledger: OwnLedger) -> None:
    long_ago = {"from": "2025-01-01T00:00:00+00:00", "to": "2025-02-01T00:00:00+00:00"}
    made = ledger.admin.post(
        "/v1/bays/hub/corrections", {**long_ago, "factor": 1.03, "reason": "a slack chain"}
    )
    assert made.status_code == 201, made.text
    page = emptied(kept).open("bays.html")
    expect(of_bay(page, "Hub")).to_contain_text("torque and power times 1.03")
    expect(of_bay(page, "Hub")).to_contain_text("Reason: a slack chain")
    assert "by lead" not in of_bay(page, "Hub").inner_text()  # the screen may face a customer
    assert page.locator("#corrections summary").count() == 0
    page.locator("#change summary").click()
    expect(page.locator("#change")).to_contain_text("needs a token of scope admin")
    page.get_by_label("Token for changes").fill(ledger.tokens["hub"])
    page.get_by_role("button", name="Use this token").click()
    expect(page.locator("#change")).to_contain_text("'hub' has scope post: this page needs another")
    kept.settle()
    assert page.get_by_text("Correct what").count() == 0
    kept.open("car.html", tag="stoat-1")
    expect(page.locator("#change")).to_contain_text("what bay hub posted")
    assert page.get_by_text("This car has another tag too").count() == 0
    assert page.get_by_text("Forget whose car this is").count() == 0
    assert kept.complaints == []


# Every screen


@pytest.mark.parametrize(
    ("path", "place"), [("car.html?tag=stoat-1", "#change"), ("bays.html", "#corrections")]
)
def test_the_forms_fit_every_screen_and_axe_finds_nothing_in_them_light_or_dark(
    opened: Watched, path: str, place: str
) -> None:
    page = opened.open(path)
    page.locator(place).evaluate(
        "(one) => one.querySelectorAll('details').forEach((fold) => { fold.open = true; })"
    )
    form = page.locator(f"{place} form.change").first
    form.get_by_role("button", name="Show what will change").click()  # the browser asks for the reason
    expect(form.get_by_label("Reason")).to_be_focused()
    for width in WIDTHS:
        page.set_viewport_size({**DESK, "width": width})
        fits = "(width) => document.documentElement.scrollWidth <= width"
        page.wait_for_function(fits, arg=width)  # once the pictures are drawn again
    small = page.locator(f"{place} :is(input, select, button, summary):visible").evaluate_all(
        "(all) => all.map((one) => one.getBoundingClientRect().height).filter((height) => height < 44)"
    )
    assert small == []
    found = {}
    for scheme, only in (("light", {}), ("dark", RULES_OF_COLOUR)):
        page.emulate_media(color_scheme=scheme)
        found[scheme] = grave_findings(page, **only)
    assert found == {"light": [], "dark": []}


# Forgetting, last: nothing brings the car back


def test_a_car_is_forgotten_only_once_its_tag_was_typed_and_no_answer_moves(
    opened: Watched, ledger: OwnLedger
) -> None:
    before = asked(ledger.admin)
    page = opened.open("car.html", tag="stoat-5", units="si")
    form = unfolded(page, "Forget whose car this is")
    for words in ("Nobody can undo this", "backups", "logs", "printed sheets", "exports made before"):
        expect(form).to_contain_text(words)
    form.get_by_label("type the tag: stoat-5").fill("stoat-4")
    form.get_by_label("Reason").fill("the owner of stoat-5 asked for it")
    form.get_by_role("button", name="Show what will change").click()
    refused(form, "type the tag: stoat-5", "is not stoat-5")
    form.get_by_label("type the tag: stoat-5").fill("stoat-5")
    assert "whose car this is: stoat-5 → forgotten for good" in sent(
        form, "the owner of stoat-5 asked for it"
    )
    refused(form, "Reason", "names stoat-5")
    assert asked(ledger.admin) == before
    opened.complaints.clear()  # the browser notes the refused request

    looked_at(form, "asked for by its owner")
    form.get_by_role("button", name="Forget it for good").click()
    done(opened, "Done: forgotten. Erased for good: the car's tags")
    expect(page.locator(".notice.done")).to_contain_text("3 visits of it stay.")
    assert "stoat-5" not in page.content() + page.url + page.title()
    assert page.locator("#tag").input_value() == ""
    assert ledger.admin.get("/v1/vehicles/stoat-5").status_code == 404
    tags = [one["tag"] for one in ledger.ask("/v1/vehicles")["items"]]
    (invented,) = (tag for tag in tags if tag.startswith("erased-"))
    after = json.loads(json.dumps(asked(ledger.admin)).replace(invented, "stoat-5"))
    assert list(apart(after, before, 0.0)) == []
    opened.open("car.html", tag=invented)
    expect(page.locator("#answer")).to_contain_text("Whose car this was, was forgotten on")
    assert page.get_by_text("Forget whose car this is").count() == 0
    assert opened.complaints == []
