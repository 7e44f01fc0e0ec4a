"""A shop's days in any order: posted, struck, amended, merged, corrected, erased and taken back, as hypothesis draws it.

After each step no answer was a fault of ours, all matched the document, and no self-check finds anything. What was refused or
posted once more changed nothing; what is taken back leaves every answer as it was. Nothing is raised: what broke is kept with
the whole story up to there.
"""

import itertools
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import psycopg
from flask import Flask
from hypothesis.stateful import RuleBasedStateMachine, rule
from schemathesis import Response

from service.store.db import Connection
from service.store.selfchecks import selfcheck
from tests.api.mending import apart, timeless
from tests.conftest import client_over
from tests.factories import AIR, pull, session, setup
from tests.fuzz.asking import Tally, document_of
from tests.tokens import admin_token

WHY, BACK = {"reason": "looked wrong"}, {"reason": "was right after all"}
REFUSALS = (404, 409, 422)
"""How a change may be refused that makes no sense as things stand."""
LIMIT_S, SAMPLE = 30.0, 1000
"""For one self-check, and so many cars and pulls the dear ones look at: all of a story's."""
NOISE = 1e-9
"""How far two answers may lie apart that rest on the same sums taken in another order (our choice)."""
NUMBERS = itertools.count(1)
OF_A_SESSION = ("vehicle", "struck", "started_at", "setups", "pairs")
"""What a change taken back leaves as it was; what the checks said stays readable."""


@dataclass
class Stories:
    """A ledger for stories, what was sent to it and broke, and how often each kind of step was done, refused, taken back."""

    app: Flask
    token: str
    owner: Connection
    document: Any
    tally: Tally = field(default_factory=Tally)
    steps: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    back: Counter[str] = field(default_factory=Counter)
    reposts: int = 0
    checked: int = 0

    def said(self, what: str) -> str:
        """The line that is printed."""
        return (
            f"{self.tally.said(what)}; {self.steps.total()} steps of {len(self.steps)} kinds, {self.refused.total()} refused, "
            f"{self.back.total()} taken back, {self.reposts} posted again, {self.checked} times looked through by the self-checks"
        )


@contextmanager
def stories_in(owner_url: str, url: str) -> Iterator[Stories]:
    """Over an empty database with the schema in it."""
    with (
        psycopg.connect(owner_url, autocommit=True) as owner,
        client_over(url, admin_token(owner_url)) as client,
    ):
        app = client.client.application
        yield Stories(app, str(client.token), owner, document_of(app))


@dataclass(frozen=True)
class Change:
    """A change that stands: how it is taken back, and what was answered before it; None where answers are others since."""

    name: str
    undo: Callable[[], Response]
    before: dict[str, Any] | None


class Telling(RuleBasedStateMachine):
    """One story about a platform, four cars, two bays and four parts of its own."""

    stories: Stories

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self.changes: list[Change] = []
        self.posted: list[tuple[str, dict[str, Any]]] = []
        self.erased: set[str] = set()
        self.confirmed = False
        number = next(NUMBERS)
        self.platform, self.bays = f"stoat-{number}", [f"north-{number}", f"hub-{number}"]
        self.cars = [f"car-{number}-{letter}" for letter in "abcd"]
        self.pipes, self.chart = (
            [f"{name}-{number}" for name in ("wide", "mesh", "wide-pip")],
            f"map-{number}",
        )
        self.open_the_shop()
        self.post(0, 0, 1.05, "there-and-back", 1)
        self.answers = self.asked()

    def open_the_shop(self) -> None:
        """Add what a session can name."""
        kind = {"aspiration": "turbo", "ignition": "spark"}
        bodies: list[tuple[str, dict[str, Any]]] = [
            ("/v1/platforms", {"slug": self.platform, "name": "Stoat", **kind}),
            *(("/v1/bays", {"slug": one, "name": "Bay", "kind": "hub"}) for one in self.bays),
            *(
                ("/v1/vehicles", {"tag": one, "platform": self.platform, "confirm": True})
                for one in self.cars
            ),
            *(("/v1/parts", {"slug": one, "name": "Pipe", "slots": ["down-pipe"]}) for one in self.pipes),
            ("/v1/parts", {"slug": self.chart, "name": "Map", "slots": ["calibration"]}),
        ]
        for path, body in bodies:
            answer = self.send("POST", path, body)
            if answer.status_code != 201:
                self.fault(f"{path}: not taken", answer.text)

    def send(self, method: str, path: str, body: Any = None, query: Any = None, **where: Any) -> Response:
        """Send a request; its answer is held against the document."""
        operation = self.stories.document[path][method]
        sent = {} if body is None else {"body": body, "media_type": "application/json"}
        case = operation.Case(path_parameters=where, query=query or {}, headers={"If-Match": "*"}, **sent)
        return self.stories.tally.send(case, self.stories.token)

    def fault(self, kind: str, told: object) -> None:
        """Keep what broke with the story up to there, the first of its kind."""
        self.stories.tally.faults.setdefault(kind, "\n  ".join([*self.lines, str(told)[:2000]]))

    def questions(self) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
        """(address, query, what stands in the address) of what the story's figures answer."""
        mine, slug = {"platform": self.platform}, {"slug": self.platform}
        yield "/v1/typical-gain", {"part": self.pipes[0], "model": False, **mine}, {}
        for id, _ in self.posted[-4:]:
            yield "/v1/sessions/{id}", {}, {"id": id}
        yield "/v1/typical-gain", {"part": self.pipes[0], **mine}, {}
        yield "/v1/typical-gain", {"part": self.chart, "context": "as-usually-fitted", **mine}, {}
        yield "/v1/platforms/{slug}/stock-spread", {}, slug
        yield "/v1/platforms/{slug}/stock-spread", {"raw": True}, slug
        yield "/v1/platforms/{slug}/part-choice", {}, slug
        yield "/v1/build-estimate", {"parts": f"{self.pipes[0]},{self.chart}", **mine}, {}
        yield "/v1/outliers", mine, {}
        yield "/v1/bay-agreement", {}, {}
        for tag in self.cars[:2]:
            yield "/v1/vehicles/{tag}/own-readings", {}, {"tag": tag}
            yield "/v1/vehicles/{tag}/states", {}, {"tag": tag}

    def asked(self) -> dict[str, Any]:
        """Every answer without the moment it was given at."""
        answers: dict[str, Any] = {}
        for path, query, where in self.questions():
            answer = self.send("GET", path, query=query, **where)
            document = answer.json()
            if path == "/v1/sessions/{id}":
                document = {name: document.get(name) for name in OF_A_SESSION}
            answers[f"{path} {query} {where}"] = [answer.status_code, timeless(document)]
        return answers

    def look(self) -> None:
        """Ask everything anew, and let the ledger look at itself."""
        self.answers = self.asked()
        self.look_through()

    def look_through(self) -> None:
        """Every self-check."""
        self.stories.checked += 1
        for one in selfcheck(self.stories.owner, LIMIT_S, SAMPLE):
            if not one.holds:
                self.fault(f"self-check {one.name}", one.places or one.why_not)

    def unchanged(self, kind: str) -> None:
        """Ask again after what may have changed nothing."""
        before = self.answers
        self.look()
        self.same(before, kind)

    def same(self, before: dict[str, Any], kind: str) -> None:
        """The answers are those of before."""
        found = [
            line for name, was in before.items() for line in apart(self.answers.get(name), was, NOISE, name)
        ]
        if found:
            self.fault(kind, found)

    def forget(self) -> None:
        """What stands can still be taken back, but answers are others since."""
        self.changes = [replace(one, before=None) for one in self.changes]

    def change(
        self,
        name: str,
        do: Callable[[], Response],
        undo: Callable[[], Response] | None,
        told: object,
        *,
        exact: bool = True,
    ) -> bool:
        """One step that may be refused; whether it was taken. undo: takes it back, where that can be; exact: to the answers
        of before."""
        self.lines.append(f"{name} {told}")
        answer = do()
        if answer.status_code >= 400:
            self.stories.refused[name] += 1
            if answer.status_code not in REFUSALS:
                self.fault(f"{name}: refused with {answer.status_code}", answer.text)
            self.unchanged(f"{name}: refused, and yet an answer changed")
            return False
        self.stories.steps[name] += 1
        if undo is not None:
            self.changes.append(Change(name, undo, self.answers))
        if undo is None or not exact:
            self.forget()
        self.look()
        return True

    @rule()
    def take_back(self) -> None:
        """The newest change that stands. No rule has a precondition: what is drawn must not hang on what was answered."""
        if self.changes:
            self.undo(self.changes.pop())

    def undo(self, newest: Change) -> None:
        """Take a change back: every answer is as it was before it."""
        self.lines.append(f"take back: {newest.name}")
        answer = newest.undo()
        self.stories.back[newest.name] += 1
        if answer.status_code >= 300:
            self.fault(f"{newest.name}: cannot be taken back ({answer.status_code})", answer.text)
        self.look()
        if newest.before is not None:
            self.same(newest.before, f"{newest.name}: taken back, and yet an answer is another than before")

    def post(self, car: int, part: int, gain: float, shape: str, day: int) -> None:
        """Post a session and keep its address; it is refused where its curves are too like others of that day."""
        number = next(NUMBERS)
        setups = setups_of(shape, self.pipes[part % 3], self.chart, gain, 1 + number % 89 / 500)
        body = session(*setups, vehicle=self.a_car(car), bay=self.bays[number % 2], day=day)
        self.lines.append(f"post {shape} {body['vehicle']} {body['bay']} {gain} {body['started_at']}")
        answer = self.send("POST", "/v1/sessions", body)
        if answer.status_code == 201:
            self.stories.steps["measure"] += 1
            self.posted.append((answer.json()["id"], body))
            return
        self.stories.refused["measure"] += 1
        if "curve-repeated" not in answer.text:
            self.fault(f"measure: refused with {answer.status_code}", answer.text)

    def a_car(self, at: int) -> str:
        """A car that has its tag still."""
        there = [one for one in self.cars if one not in self.erased]
        return there[at % len(there)]

    def teardown(self) -> None:
        """Each story ends with all that stands taken back, the newest first, and the ledger looking at itself."""
        while self.changes:
            self.undo(self.changes.pop())
        self.look_through()


def setups_of(shape: str, part: str, chart: str, gain: float, scale: float) -> list[dict[str, Any]]:
    """What a session measured; scale: so that no two cars read alike."""
    stock, fitted = setup(scale=scale, pulls=2), setup([part], gain * scale, pulls=2)
    match shape:
        case "alone":
            return [stock]
        case "there-and-back":
            return [stock, fitted, setup(scale=scale, pulls=1)]
        case "both":
            charted, both = (
                setup([chart], 1.1 * scale, pulls=1),
                setup([part, chart], 1.1 * gain * scale, pulls=1),
            )
            return [stock, charted, both]
        case "peaks":
            basis = {"standard": "sae-j607", "factor": 1.03}
            peaks = {"power": 120.0 * scale, "torque": 250.0 * scale}
            return [
                stock,
                {
                    "parts": [part],
                    "pulls": [{"peaks": peaks, "ambient": dict(AIR), "best_of": 3, "basis": basis}],
                },
            ]
        case "doubted":
            pulls = [pull(share * gain * scale) for share in (1.0, 1.0, 1.08)]
            return [stock, {**fitted, "pulls": pulls}]
    return [stock, fitted]
