"""`bayledger mend` on a ledger that is served: each mend does what it says, and the way back that it prints brings every
answer back."""

import json
import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import click
import httpx
import pytest

from service.cli import group
from service.cli.mend import COMMANDS
from service.cli.mend.common import Mender
from service.worker.refit import refit
from tests.api.builds import built
from tests.api.gains import post
from tests.api.mending import apart, asked, done
from tests.cli.conftest import REPOSITORY, Ran, Run
from tests.dashboard.own_ledger import OwnLedger, own_ledger
from tests.factories import pull, setup

SAME = 2e-4
"""An answer that came back differs by no more than this share: it is added up in another order, and may be rounded the other
way in its last place (7.486 for 7.485). To the last bit it is held in tests/api/test_mending_undone.py."""
WHY, BACK = "looked wrong", "was right after all"
PERIOD = ("--from", "2026-03-01T00:00:00+00:00", "--to", "2026-03-21T00:00:00Z")
QUESTIONS = (
    "/v1/typical-gain?part=wide-pipe&platform=stoat",
    "/v1/typical-gain?part=wide-pipe&platform=stoat&measure=torque_at&rpm=3500&curve=false",
    "/v1/platforms/stoat/stock-spread",
    "/v1/build-estimate?platform=stoat&parts=wide-pipe,road-map",
    "/v1/bay-agreement",
    "/v1/vehicles/stoat-3/own-readings",
    "/v1/vehicles/stoat-10/states",
)
"""Some that rest on what is mended here; that every answer follows a mend is tested where mends are made."""


@pytest.fixture(scope="module")
def shop(server) -> Iterator[OwnLedger]:
    """Nine cars in every state of two parts, one under two tags with a part under two slugs, one with a doubt, one to be
    erased; the model fitted, so that its spreads stay."""
    with own_ledger(server, "mended_by_command") as ledger:
        client = ledger.admin
        for n in range(4, 14):
            done(
                client.post("/v1/vehicles", {"tag": f"stoat-{n}", "platform": "stoat", "confirm": True}), 201
            )
        done(client.post("/v1/parts", {"slug": "wide-pip", "name": "Wide", "slots": ["down-pipe"]}), 201)
        built(client)
        post(client, setup(scale=1.01), setup(["wide-pip"], 1.06), vehicle="stoat-10", day=14, bay="hub")
        post(client, setup(["wide-pipe"], 1.07), vehicle="stoat-11", day=14, bay="hub")
        spread = {"parts": ["wide-pipe"], "pulls": [pull(1.05), pull(1.05), pull(1.05 * 1.04)]}
        kept = post(client, setup(), spread, vehicle="stoat-12", day=18)
        assert [check["code"] for check in kept["checks"]] == ["pulls-disagree"]
        with client.client.application.extensions["bayledger"].connect() as connection:
            refit(connection)
        yield ledger


@dataclass
class Mend:
    """Runs `bayledger mend ...` on the shop, and knows the numbers in it."""

    run: Run
    shop: OwnLedger

    def __call__(self, *words: object) -> Ran:
        """Run it."""
        return self.run("mend", *words)

    def does(self, *words: object) -> str:
        """Run what must be done; what it said."""
        ran = self(*words)
        assert (ran.code, ran.err) == (0, ""), ran
        return ran.out

    def session(self, car: str) -> str:
        """The id of a car's newest session."""
        return str(self.shop.ask(f"/v1/sessions?vehicle={car}")["items"][0]["id"])

    def pull(self, car: str, setup: int) -> int:
        """The number of the first pull of a setup of a car's newest session."""
        setups = self.shop.ask(f"/v1/sessions/{self.session(car)}")["setups"]
        return int(setups[setup - 1]["pulls"][0]["id"])

    def changes(self) -> list[dict[str, Any]]:
        """The newest changes of the whole ledger."""
        return list(self.shop.ask("/v1/history?limit=500")["items"])


@pytest.fixture
def mend(run, shop, monkeypatch) -> Mend:
    monkeypatch.setenv("BAYLEDGER_URL", shop.url)
    monkeypatch.setenv("BAYLEDGER_TOKEN", shop.tokens["admin"])
    return Mend(run, shop)


MENDS: dict[str, Callable[[Mend], tuple[object, ...]]] = {
    "strike a pull": lambda mend: ("strike", mend.pull("stoat-3", 2)),
    "strike a setup": lambda mend: ("strike", f"{mend.session('stoat-3')}/2"),
    "strike a session": lambda mend: ("strike", f"{mend.shop.url}/v1/sessions/{mend.session('stoat-3')}"),
    "confirm": lambda mend: ("confirm", mend.pull("stoat-12", 2)),
    "another car": lambda mend: ("move", mend.session("stoat-3"), "--to", "stoat-4"),
    "two setups swapped": lambda mend: ("swap", mend.session("stoat-3"), 1, 2),
    "another time": lambda mend: ("amend", mend.session("stoat-3"), "started_at=2026-03-25T10:00:00+00:00"),
    "other tyres": lambda mend: (
        "amend", mend.session("stoat-3"), "gear=4", 'operator="12"', "tyre_pressure=32", "units=us",
    ),
    "other parts": lambda mend: ("amend", f"{mend.session('stoat-3')}/2", "parts=mesh-pipe"),
    "all of a state": lambda mend: (
        "amend", f"{mend.session('stoat-3')}/2", "parts=none", "label=as it came", "parts_known=partial",
        "stock_checked=unknown", "fuel.ethanol=0.3", "spark_advance=12", "lambda_probe=null",
    ),
    "reject a pull": lambda mend: ("amend", mend.pull("stoat-3", 2), "status=rejected"),
    "merge a car": lambda mend: ("vehicle-merge", "stoat-11", "--into", "stoat-10"),
    "merge a part": lambda mend: ("part-merge", "wide-pip", "--into", "wide-pipe"),
    "a bay's factor": lambda mend: ("correction", "north", *PERIOD, "--factor", "1.0173"),
    "a bay's air": lambda mend: (
        "correction", "hub", *PERIOD, "--pressure", "-0.3", "--temperature", "9", "--units", "us",
    ),
    "a bay's basis": lambda mend: ("correction", "hub", *PERIOD, "--basis", "sae-j607:1.05"),
}  # fmt: skip


def way_back_in(said: str) -> list[str]:
    """The words of the command that takes a change back, as printed, its reason filled in."""
    (line,) = re.findall(r"^To take it back: bayledger mend (.+)$", said, re.MULTILINE)
    return [BACK if word == "WHY" else word for word in shlex.split(line)]


@pytest.mark.parametrize("name", MENDS)
def test_a_mend_moves_the_answers_and_the_way_back_it_prints_brings_them_back(mend, name):
    before, newest = asked(mend.shop.admin, QUESTIONS), mend.changes()[0]
    words = (*MENDS[name](mend), "--reason", WHY)
    tried = mend.does(*words, "--dry-run")
    assert tried.endswith("Tried only: nothing was sent. The ledger may still refuse it.\n")
    assert mend.changes()[0] == newest
    said = mend.does(*words)
    assert "follow at once" in said
    after = asked(mend.shop.admin, QUESTIONS)
    back = way_back_in(said)
    assert "follow at once" in mend.does(*back)
    assert list(apart(asked(mend.shop.admin, QUESTIONS), before, SAME)) == []
    assert list(apart(after, before, SAME)) != []
    reasons = [row["reason"] for row in mend.changes()[:60]]
    assert WHY in reasons
    assert (BACK in reasons) == (BACK in back)


@pytest.mark.parametrize("name", ["strike a pull", "confirm", "merge a car", "a bay's air", "a bay's basis"])
def test_what_was_taken_back_can_be_done_again_as_it_prints(mend, name):
    back = way_back_in(mend.does(*MENDS[name](mend), "--reason", WHY))
    mended = asked(mend.shop.admin, QUESTIONS)
    again = way_back_in(mend.does(*back))
    forth = way_back_in(mend.does(*again))
    assert list(apart(asked(mend.shop.admin, QUESTIONS), mended, SAME)) == []
    mend.does(*forth)


def test_a_strike_says_what_it_moved_and_what_still_keeps_it_from_counting(mend):
    session, struck = mend.session("stoat-3"), mend.pull("stoat-3", 2)
    said = mend.does("strike", struck, "--reason", WHY).splitlines()
    assert said[0] == (
        f"Pull {struck} of setup 2 (wide-pipe) of session {session}: stoat-3 in north, 2026-03-03 10:00 UTC."
    )
    assert any(
        re.match(
            r"  setup 2 \(wide-pipe\): peak power [\d.]+ kW \(3 pulls\) before, [\d.]+ kW \(2 pulls\)", line
        )
        for line in said
    )
    mend.does("strike", session, "--reason", WHY)
    assert "Its session is struck too" in mend.does("unstrike", struck, "--reason", BACK)
    ran = mend("unstrike", f"{session}/1")
    assert (ran.code, ran.out) == (1, "")
    assert f"setup {session}/1 is not struck; its session is" in ran.err
    assert "comparison of" in mend.does("unstrike", session)


def test_unconfirm_and_what_cannot_be_confirmed(mend):
    doubted, sound = mend.pull("stoat-12", 2), mend.pull("stoat-3", 1)
    assert "doubts: pulls-disagree before, none now" in mend.does("confirm", doubted, "--reason", WHY)
    assert "doubts: none before, pulls-disagree now" in mend.does("unconfirm", doubted, "--reason", BACK)
    for word in ("confirm", "unconfirm"):
        ran = mend(word, sound, "--reason", WHY)
        assert ran.code == 1
        assert "there is nothing to" in ran.err


def test_fields_may_come_from_a_file_and_a_reason_with_them(mend, tmp_path):
    (tmp_path / "right.json").write_text(json.dumps({"gear": 3, "operator": "kt", "reason": WHY}))
    session = mend.session("stoat-3")
    said = mend.does("amend", session, "--file", "right.json", "gear=4")
    assert "From then on: gear=4, operator=kt." in said
    mend.does(*way_back_in(said))
    shown = mend.shop.ask(f"/v1/sessions/{session}")
    assert (shown["gear"], shown["operator"]) == (None, None)


def test_a_comparison_that_is_like_for_like_no_more_is_said_to_be_so(mend):
    session = mend.session("stoat-7")
    backs = [
        mend.does("amend", f"{session}/{n}", f"fuel.ethanol={share}", "--reason", WHY)
        for n, share in ((1, 0.05), (2, 0.85))
    ]
    assert re.search(
        r"comparison of mesh-pipe against without: \+[\d.]+ % before, \+[\d.]+ % \(not known to be like for like\) now",
        backs[1],
    )
    for said in backs[::-1]:
        mend.does(*way_back_in(said))


def test_a_car_may_be_moved_to_by_its_alias_and_not_to_itself(mend):
    session = mend.session("stoat-3")
    mend.does("vehicle-merge", "stoat-11", "--into", "stoat-10", "--reason", WHY)
    assert "From stoat-3 to stoat-10:" in mend.does("move", session, "--to", "stoat-11", "--reason", WHY)
    ran = mend("move", session, "--to", "stoat-11", "--reason", WHY)
    assert (ran.code, ran.err) == (
        1,
        f"bayledger: --to stoat-11: session {session} is of stoat-10 already.\n",
    )
    mend.does("move", session, "--to", "stoat-3", "--reason", BACK)
    mend.does("vehicle-unmerge", "stoat-11", "--reason", BACK)


def test_a_record_is_put_right_and_back_also_under_a_new_name(mend):
    cost = "/v1/typical-gain?part=wide-pipe&platform=stoat"
    before = mend.shop.ask(cost)["cost"]
    said = mend.does("record", "parts/wide-pipe", "price=960", "slug=wider-pipe")
    assert mend.shop.ask(cost.replace("wide-", "wider-"))["cost"]["price"] == 960
    assert way_back_in(said) == ["record", "parts/wider-pipe", "price=480.0", "slug=wide-pipe"]
    mend.does(*way_back_in(said))
    assert mend.shop.ask(cost)["cost"] == before
    said = mend.does("record", "platforms/stoat", "rated_power=150", "units=us")
    mend.does(*way_back_in(said))
    assert mend.shop.ask("/v1/platforms/stoat")["rated_power"] is None


def test_a_vin_is_taken_away_and_nobody_is_told_what_it_was(mend):
    vin = "1M8GDM9AXKP042788"  # 49 CFR 565, the example of the check digit; from memory
    said = mend.does("record", "vehicles/stoat-13", f"vin={vin}")
    assert mend.shop.ask("/v1/vehicles/stoat-13")["vin_known"] is True
    assert "The ledger does not show vin: to take that back, type what it was." in said
    said = mend.does("record", "vehicles/stoat-13", "vin=null")
    assert vin not in said
    assert mend.shop.ask("/v1/vehicles/stoat-13")["vin_known"] is False


def test_events_and_modifications_are_put_right_too(mend):
    event = {"kind": "repaired", "at": "2026-03-04T00:00:00+00:00"}
    made = done(mend.shop.admin.post("/v1/bays/hub/events", event), 201)
    fitted = {"part": "road-map", "fitted_on": "2026-02-01"}
    modified = done(mend.shop.admin.post("/v1/vehicles/stoat-13/modifications", fitted), 201)
    for place, change in (
        (f"bays/hub/events/{made['id']}", "at=2026-03-05T00:00:00+00:00"),
        (f"/v1/vehicles/stoat-13/modifications/{modified['id']}", "fitted_on=2026-02-02"),
    ):
        name, _, value = change.partition("=")
        path = f"/v1/{place.removeprefix('/v1/')}"
        before = mend.shop.ask(path)[name]
        said = mend.does("record", place, change)
        assert mend.shop.ask(path)[name] == value
        mend.does(*way_back_in(said))
        assert mend.shop.ask(path)[name] == before


def test_corrections_of_a_bay_are_listed_with_what_they_say(mend):
    assert mend.does("corrections", "hub") == "No correction of hub holds.\n"
    words = ("correction", "hub", *PERIOD, "--pressure", "-1.5", "--units", "si", "--reason", "sea level")
    assert "6 sessions of north began in this period" in mend.does(
        *("correction", "north", "--from", "2026-03-01T00:00:00Z", "--to", "2026-03-07T00:00:00Z"),
        *("--factor", "1.02", "--reason", WHY, "--dry-run"),
    )
    made = json.loads(mend.does(*words, "--json"))
    assert (made["pressure"], made["reason"]) == (-1.5, "sea level")
    listed = mend.does("corrections", "hub")
    assert re.search(rf"{made['id']} +2026-03-01 00:00 UTC +2026-03-21 00:00 UTC +pressure -1.50 kPa", listed)
    ran = mend(*words)
    assert ran.code == 1
    assert f"/v1/bays/hub/corrections/{made['id']} holds for a part of this period: undo it first" in ran.err
    mend.does("correction-undo", "hub", made["id"], "--reason", "it was north")
    assert mend.does("corrections", "hub") == "No correction of hub holds.\n"
    assert "it was north" in " ".join(mend.does("corrections", "hub", "--all").split())
    assert json.loads(mend.does("corrections", "hub", "--json")) == []
    ran = mend("correction-undo", "hub", made["id"], "--reason", WHY)
    assert ran.code == 1
    assert "was taken back already" in ran.err


def test_find_lists_the_numbers_that_the_other_commands_take(mend):
    session, first = mend.session("stoat-3"), mend.pull("stoat-3", 2)
    mend.does("strike", first, "--reason", "hood was shut")
    listed = mend.does("find", "stoat-3")
    assert listed.splitlines()[0] == f"Session {session}: stoat-3 in north, 2026-03-03 10:00 UTC"
    assert re.search(rf"  2 +wide-pipe +{first} +accepted +[\d.]+ kW +struck \(hood was shut\)", listed)
    assert mend.does("find", first) == listed == mend.does("find", session)
    assert [one["id"] for one in json.loads(mend.does("find", "stoat-3", "--json"))] == [session]
    mend.does("unstrike", first)
    assert mend.does("find", "stoat-13") == "Nothing was measured on stoat-13 yet.\n"
    assert "doubtful: pulls-disagree" in mend.does("find", "stoat-12")


def test_history_says_who_changed_what_from_what_to_what_and_why(mend):
    session, first = mend.session("stoat-3"), mend.pull("stoat-3", 2)
    mend.does("amend", first, "status=settling", "--reason", "first of three")
    lines = mend.does("history", first).splitlines()
    assert lines[0].endswith(f"  lead  amended sessions/{session}/setups/2/pulls/{first}: first of three")
    assert lines[1] == "    status: accepted -> settling"
    mend.does("amend", first, "status=accepted", "--reason", BACK)
    assert len(json.loads(mend.does("history", session, "--json", "--limit", 2))) == 2
    assert "merged" in mend.does("history", "vehicles/stoat-11")
    assert mend.does("history", "vehicles/stoat-5", "--limit", 1).count("\n") >= 1
    assert mend.does("history", "bays/nosuch") == "Nothing was changed about bays/nosuch yet.\n"
    assert len(json.loads(mend.does("history", "--json", "--limit", 3))) == 3


def test_history_goes_on_over_the_pages_of_the_ledger(mend, monkeypatch):
    monkeypatch.setattr("service.cli.mend.reading.LARGEST_PAGE", 2)
    rows = json.loads(mend.does("history", "--json", "--limit", 5))
    assert [row["id"] for row in rows] == [row["id"] for row in mend.changes()[:5]]


ID = "00000000-0000-0000-0000-000000000000"
REFUSED = {
    "no target": (("strike", "hood", "--reason", WHY), 2, "hood is not a pull's number (381)"),
    "a session is no pull": (("confirm", ID, "--reason", WHY), 2, f"{ID} is not a pull's number"),
    "no such pull": (("strike", 987654, "--reason", WHY), 1, "987654"),
    "no such session": (("strike", ID, "--reason", WHY), 1, ID),
    "no reason": (("strike", 381), 2, "Missing option '--reason'"),
    "an empty reason": (("vehicle-merge", "stoat-11", "--into", "stoat-10", "--reason", ""), 1, "--reason : say why"),
    "no such car": (("find", "stoat-33"), 1, "the nearest are stoat-3"),
    "no such car to move to": (("move", "SESSION", "--to", "stoat-33", "--reason", WHY), 1, "the nearest are stoat-3"),
    "no such setup": (("strike", "SESSION/9", "--reason", WHY), 1, "has no setup 9; it has 1, 2, 3, 4."),
    "a setup with itself": (("swap", "SESSION", 1, 1, "--reason", WHY), 1, "is no swap; name two setups"),
    "no such field": (("amend", "SESSION", "geer=4", "--reason", WHY), 1, "geer 4: no such field"),
    "no such value": (("amend", "SESSION", "gear=44", "--reason", WHY), 1, "gear 44: must lie between 1 and 20"),
    "deep down": (("amend", "SESSION/2", "fuel.ethanol=3", "--reason", WHY), 1, "fuel.ethanol 3: must lie between"),
    "no such part": (("amend", "SESSION/2", "parts=wide", "--reason", WHY), 1, "parts.0"),
    "a bad part list": (("amend", "SESSION/2", "parts=Wide Pipe", "--reason", WHY), 2, "parts=Wide Pipe: must be"),
    "no field": (("amend", "SESSION", "--reason", WHY), 2, "say at least one FIELD=VALUE"),
    "no value": (("amend", "SESSION", "gear", "--reason", WHY), 2, "gear: say FIELD=VALUE"),
    "no reason for an amendment": (("amend", "SESSION", "gear=4"), 2, "a --reason"),
    "given twice": (("amend", "SESSION/2", "fuel=1", "fuel.ethanol=0", "--reason", WHY), 2, "fuel is given as a whole"),
    "no such record": (("record", "tokens/3", "name=x"), 2, "tokens/3 is no record that can be put right here"),
    "nothing of a record": (("record", "vehicles/stoat-1"), 2, "say at least one FIELD=VALUE"),
    "no such tag": (("record", "vehicles/stoat-33", "vin=null"), 1, "the nearest are stoat-3"),
    "into itself": (("vehicle-merge", "stoat-1", "--into", "stoat-1", "--reason", WHY), 1, "stoat-1 is itself"),
    "another slot": (("part-merge", "wide-pip", "--into", "road-map", "--reason", WHY), 1, "slot"),
    "never merged": (("part-unmerge", "wide-pip", "--reason", WHY), 1, "is not merged"),
    "no such bay": (("correction", "noth", *PERIOD, "--factor", 1.02, "--reason", WHY), 1, "the nearest are north"),
    "nothing to correct": (("correction", "north", *PERIOD, "--reason", WHY), 1, "--factor: missing: say `factor`"),
    "too far": (("correction", "north", *PERIOD, "--factor", 3, "--reason", WHY), 1, "--factor 3.0: must lie between"),
    "no units": (("correction", "north", *PERIOD, "--pressure", -1, "--reason", WHY), 1, "--pressure -1.0"),
    "no offset": (
        ("correction", "north", "--from", "2026-03-01", *PERIOD[2:], "--factor", 1.02, "--reason", WHY),
        2, "--from 2026-03-01: not a time with its offset; write 2026-03-05T00:00:00+00:00.",
    ),
    "no factor of a basis": (
        ("correction", "north", *PERIOD, "--basis", "SAE", "--reason", WHY), 2, "--basis SAE: must be observed, or the standard",
    ),
    "no correction": (("correction-undo", "north", 987, "--reason", WHY), 1, "987"),
    "no history": (("history", "stoat-3"), 2, "stoat-3: name a pull's number"),
    "tried as json": (("strike", 1, "--reason", WHY, "--dry-run", "--json"), 2, "--json or --dry-run, not both"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_is_refused_in_words_and_changes_nothing(mend, name):
    words, code, sentence = REFUSED[name]
    session = mend.session("stoat-3")
    newest = mend.changes()[0]
    ran = mend(*(str(word).replace("SESSION", session) for word in words))
    assert ran.code == code
    assert sentence in ran.err
    assert mend.changes()[0] == newest


def test_a_token_that_may_not_is_told_so(mend, monkeypatch):
    struck = mend.pull("stoat-10", 1)
    monkeypatch.setenv("BAYLEDGER_TOKEN", mend.shop.tokens["read"])
    ran = mend("strike", struck, "--reason", WHY)
    assert ran.code == 1
    assert "This token's scope does not reach so far; `bayledger token create` makes another." in ran.err
    monkeypatch.setenv("BAYLEDGER_TOKEN", mend.shop.tokens["hub"])
    mend.does("strike", struck, "--reason", WHY)
    mend.does("unstrike", struck)
    assert mend("vehicle-merge", "stoat-11", "--into", "stoat-10", "--reason", WHY).code == 1


def test_the_answer_as_it_came_is_all_that_is_printed_where_it_is_asked_for(mend):
    struck = mend.pull("stoat-3", 2)
    document = json.loads(mend.does("strike", struck, "--reason", WHY, "--json"))
    assert document == mend.shop.ask(f"/v1/sessions/{mend.session('stoat-3')}")
    assert document["setups"][1]["pulls"][0]["struck"] == WHY
    mend.does("unstrike", struck)


def at_a_terminal(monkeypatch, typed: str) -> list[str]:
    """A person sits there, and types this when asked; what they were asked."""
    questions: list[str] = []

    def prompt(question: str, **_: object) -> str:
        questions.append(question)
        return typed

    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "prompt", prompt)
    return questions


def test_erase_asks_for_the_tag_and_forgets_it_for_good_while_no_answer_moves(mend, monkeypatch):
    session = mend.session("stoat-12")
    before = asked(mend.shop.admin, QUESTIONS)
    words = ("erase", "stoat-12", "--reason", "asked for by its owner")
    ran = mend(*words)
    assert ran.code == 2
    assert "erasing stoat-12 cannot be taken back: add --yes if it is meant." in ran.err
    assert "printed sheets, earlier exports" in mend.does(*words, "--dry-run")
    questions = at_a_terminal(monkeypatch, "stoat-1")
    ran = mend(*words)
    assert (ran.code, questions) == (1, ["Type stoat-12 once more to erase it"])
    assert "stoat-1 was typed, not stoat-12: nothing was erased." in ran.err
    at_a_terminal(monkeypatch, "stoat-12")
    naming = mend("erase", "stoat-12", "--reason", "stoat-12 was sold")
    assert naming.code == 1
    assert "--reason stoat-12 was sold: names stoat-12" in naming.err
    assert "Done. 1 of its sessions stays." in mend.does(*words)
    assert mend("find", "stoat-12").code == 1
    assert "stoat-12" not in mend.does("history", session)
    assert list(apart(nameless(asked(mend.shop.admin, QUESTIONS)), nameless(before), SAME)) == []
    assert mend(*words, "--yes").code == 1


def test_where_nobody_can_be_asked_yes_erases(mend):
    said = mend.does("erase", "stoat-13", "--reason", "asked for by its owner", "--yes")
    assert "Done. 0 of its sessions stay." in said


def nameless(answers: Any) -> Any:
    """Answers without the tag that was erased, and without its invented one; lists of cars are in the order of their tags."""
    if isinstance(answers, dict):
        return {name: nameless(value) for name, value in answers.items()}
    if isinstance(answers, list):
        return sorted((nameless(one) for one in answers), key=lambda one: json.dumps(one, sort_keys=True))
    return (
        "a car"
        if isinstance(answers, str) and re.fullmatch(r"stoat-12|erased-[0-9a-f]+", answers)
        else answers
    )


REACHED = {
    "/v1/pulls/{pull_id}/strike": "strike",
    "/v1/pulls/{pull_id}/unstrike": "unstrike",
    "/v1/pulls/{pull_id}/confirm": "confirm",
    "/v1/pulls/{pull_id}/unconfirm": "unconfirm",
    "/v1/pulls/{pull_id}": "amend",
    "/v1/sessions/{id}/strike": "strike",
    "/v1/sessions/{id}/unstrike": "unstrike",
    "/v1/sessions/{id}": "amend",
    "/v1/sessions/{id}/setups": "swap",
    "/v1/sessions/{id}/setups/{n}/strike": "strike",
    "/v1/sessions/{id}/setups/{n}/unstrike": "unstrike",
    "/v1/sessions/{id}/setups/{n}": "amend",
    "/v1/vehicles/{tag}/merge": "vehicle-merge",
    "/v1/vehicles/{tag}/unmerge": "vehicle-unmerge",
    "/v1/vehicles/{tag}/erase": "erase",
    "/v1/vehicles/{tag}": "record",
    "/v1/vehicles/{tag}/modifications/{modification_id}": "record",
    "/v1/parts/{slug}/merge": "part-merge",
    "/v1/parts/{slug}/unmerge": "part-unmerge",
    "/v1/parts/{slug}": "record",
    "/v1/platforms/{slug}": "record",
    "/v1/bays/{slug}": "record",
    "/v1/bays/{slug}/events/{event_id}": "record",
    "/v1/bays/{slug}/corrections": "correction",
    "/v1/bays/{slug}/corrections/{correction_id}/undo": "correction-undo",
}
SETTINGS = {"/v1/settings", "/v1/bays/{slug}/settings"}
"""Changed too, and no mend."""


def takes_a_reason(operation: dict[str, Any], schemas: dict[str, Any]) -> bool:
    """Whether what is sent has a reason in it."""
    body = operation.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema", {})
    return "reason" in schemas.get(body.get("$ref", "").rpartition("/")[2], {}).get("properties", {})


def test_every_mend_of_the_ledger_has_its_command(shop):
    document = shop.ask("/v1/openapi.json")
    mends = {
        path
        for path, operations in document["paths"].items()
        if "patch" in operations
        or takes_a_reason(operations.get("post", {}), document["components"]["schemas"])
    }
    assert mends - SETTINGS == set(REACHED)
    assert set(REACHED.values()) <= set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_every_command_shows_an_example_and_its_summary_fits(run, name):
    ran = run("mend", name, "--help")
    assert ran.code == 0
    assert f"  bayledger mend {name} " in ran.out
    assert ran.out.startswith(f"Usage: bayledger mend {name} ")
    context = click.Context(group, info_name="bayledger")
    mend = group.get_command(context, "mend")
    assert "..." not in mend.get_command(context, name).get_short_help_str(60)


def test_the_help_of_a_mend_loads_no_web_server_and_no_numbers():
    watch = "import sys; from service.cli import main; main(['mend', 'amend', '--help']); "
    watch += "print(sorted({'flask', 'gunicorn', 'numpy', 'alembic', 'httpx'} & set(sys.modules)))"
    words = [sys.executable, "-c", watch]
    ran = subprocess.run(words, cwd=REPOSITORY, capture_output=True, text=True, check=True)
    assert ran.stdout.splitlines()[-1] == "[]"


def test_a_record_is_read_uncompressed_before_it_is_changed(pretend_ledger):
    """A proxy that compresses an answer weakens its ETag (RFC 9110 section 8.8.3), by which no change is held."""
    pretend_ledger.document, pretend_ledger.headers = {"slug": "wide-pipe"}, {"ETag": '"v1.0"'}
    with httpx.Client(base_url=pretend_ledger.url) as client:
        document, etag = Mender(client, as_json=False, dry_run=False).version("/v1/parts/wide-pipe")
    assert (document, etag) == ({"slug": "wide-pipe"}, '"v1.0"')
    ((_, _, headers, _),) = pretend_ledger.asked
    assert headers["Accept-Encoding"] == "identity"
