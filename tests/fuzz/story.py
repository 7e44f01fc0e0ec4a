"""What is done in a shop's days (`tests/fuzz/telling.py`): every kind of change there is, drawn in any order."""

import time
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import rule
from schemathesis import Response

from service.answers.model import LOOK_S
from service.worker.refit import refit
from tests.api.mending import apart
from tests.fuzz.asking import played
from tests.fuzz.telling import BACK, NOISE, WHY, Stories, Telling

ANY = st.integers(0, 999)
"""Chooses among what is there at the moment."""


class Story(Telling):
    """One story, told by what hypothesis draws."""

    @rule(
        car=ANY,
        part=ANY,
        gain=st.integers(-40, 160),
        shape=st.sampled_from(["alone", "with", "with", "there-and-back", "both", "peaks", "doubted"]),
        day=st.integers(1, 28),
    )
    def measure(self, car: int, part: int, gain: int, shape: str, day: int) -> None:
        """A session."""
        self.post(car, part, 1 + gain / 1000, shape, day)
        self.forget()
        self.look()

    @rule(at=ANY)
    def post_again(self, at: int) -> None:
        """What was posted before: the same session is answered, and there is no more of anything."""
        id, body = self.posted[at % len(self.posted)]
        if body["vehicle"] in self.erased:
            return
        self.lines.append(f"post again {id}")
        self.stories.reposts += 1
        rows = self.rows()
        answer = self.send("POST", "/v1/sessions", body)
        replayed = answer.headers.get("idempotency-replayed")
        if (answer.status_code, answer.json().get("id")) != (201, id) or not replayed:
            self.fault("posted again, and it is not the session that was kept", answer.text)
        if self.rows() != rows:
            self.fault("posted again, and there is more in the ledger", f"{rows} before, {self.rows()} after")
        self.unchanged("posted again, and an answer is another")

    def rows(self) -> Any:
        """How much there is of what a post adds."""
        return self.stories.owner.execute(
            """
            SELECT (SELECT count(*) FROM session), (SELECT count(*) FROM setup), (SELECT count(*) FROM pull),
                   (SELECT count(*) FROM pair), (SELECT count(*) FROM finding), (SELECT count(*) FROM history)
            """
        ).fetchone()

    def a_session(self, at: int) -> dict[str, Any]:
        """A session as it stands now."""
        id, _ = self.posted[at % len(self.posted)]
        found: dict[str, Any] = self.send("GET", "/v1/sessions/{id}", id=id).json()
        return found

    def a_pull(self, at: int, n: int) -> dict[str, Any]:
        """A pull as it stands now."""
        pulls = [one for each in self.a_session(at)["setups"] for one in each["pulls"]]
        chosen: dict[str, Any] = pulls[n % len(pulls)]
        return chosen

    @rule(at=ANY, n=st.integers(0, 3))
    def strike_a_setup(self, at: int, n: int) -> None:
        """A setup, or with 0 its session; there may be none of that number."""
        now = self.a_session(at)
        if n == 0:
            self.strike("/v1/sessions/{id}", {"id": now["id"]}, now["struck"])
        else:
            struck = next((one["struck"] for one in now["setups"] if one["n"] == n), None)
            self.strike("/v1/sessions/{id}/setups/{n}", {"id": now["id"], "n": n}, struck)

    @rule(at=ANY, n=ANY)
    def strike_a_pull(self, at: int, n: int) -> None:
        """One pull of a session."""
        one = self.a_pull(at, n)
        self.strike("/v1/pulls/{pull_id}", {"pull_id": one["id"]}, one["struck"])

    def strike(self, path: str, where: dict[str, Any], struck: str | None) -> None:
        """A strike; where it is struck already, the end of it."""

        def do() -> Response:
            return self.send("POST", f"{path}/strike", WHY, **where)

        def undo() -> Response:
            return self.send("POST", f"{path}/unstrike", BACK, **where)

        if struck is None:
            self.change(f"{path} strike", do, undo, where)
        else:
            self.change(f"{path} unstrike", undo, None, where)

    @rule(at=ANY, n=ANY)
    def confirm_a_pull(self, at: int, n: int) -> None:
        """What a check doubts. The end of it lets all doubts stand again that were ever confirmed away from this pull."""
        where = {"pull_id": self.a_pull(at, n)["id"]}
        self.confirmed |= self.change(
            "confirm",
            lambda: self.send("POST", "/v1/pulls/{pull_id}/confirm", WHY, **where),
            lambda: self.send("POST", "/v1/pulls/{pull_id}/unconfirm", BACK, **where),
            where,
            exact=not self.confirmed,
        )

    @rule(at=ANY, n=ANY, status=st.sampled_from(["rejected", "settling", "accepted"]))
    def judge_a_pull(self, at: int, n: int, status: str) -> None:
        """A pull that counts as something else."""
        was = self.a_pull(at, n)
        before = {"status": was["status"], "reason": was["reason"] or BACK["reason"]}
        self.amend("/v1/pulls/{pull_id}", {"status": status}, before, {"pull_id": was["id"]})

    @rule(at=ANY, what=st.sampled_from(["vehicle", "started_at", "gear"]), car=ANY, day=st.integers(1, 28))
    def amend_a_session(self, at: int, what: str, car: int, day: int) -> None:
        """Another car, another time or another gear."""
        now, at_three = self.a_session(at), f"2026-03-{day:02d}T15:00:00+00:00"
        new = {"vehicle": self.a_car(car), "started_at": at_three, "gear": 1 + car % 6}
        self.amend("/v1/sessions/{id}", {what: new[what]}, {what: now[what]}, {"id": now["id"]})

    @rule(at=ANY, n=ANY, what=st.sampled_from(["parts", "parts_known", "stock_checked", "fuel"]), part=ANY)
    def amend_a_setup(self, at: int, n: int, what: str, part: int) -> None:
        """Other parts, how sure the list is, or another fuel."""
        now = self.a_session(at)
        was = now["setups"][n % len(now["setups"])]
        new = {
            "parts": [[], [self.pipes[0]], [self.pipes[1], self.chart], [self.chart]][part % 4],
            "parts_known": ("complete", "partial", "unknown")[part % 3],
            "stock_checked": ("verified", "declared", "unknown")[part % 3],
            "fuel": {"ethanol": part % 90 / 100},
        }
        where = {"id": now["id"], "n": was["n"]}
        self.amend("/v1/sessions/{id}/setups/{n}", {what: new[what]}, {what: was[what]}, where)

    @rule(at=ANY)
    def swap_setups(self, at: int) -> None:
        """Two setups taken for each other."""
        id, _ = self.posted[at % len(self.posted)]
        both = {"setups": [1, 2]}
        self.amend("/v1/sessions/{id}/setups", both, both, {"id": id})

    def amend(self, path: str, new: dict[str, Any], was: dict[str, Any], where: dict[str, Any]) -> None:
        """An amendment, taken back by one to what stood there."""
        self.change(
            f"{path} amend {'/'.join(new)}",
            lambda: self.send("PATCH", path, {**new, **WHY}, **where),
            lambda: self.send("PATCH", path, {**BACK, **was}, **where),
            (where, new),
        )

    @rule(one=ANY, other=ANY)
    def merge_cars(self, one: int, other: int) -> None:
        """A car that was recorded twice, or a car and itself."""
        self.merge("/v1/vehicles/{tag}", {"tag": self.a_car(one)}, self.a_car(other))

    @rule(one=ANY, other=ANY)
    def merge_parts(self, one: int, other: int) -> None:
        """A part that was recorded twice, or one that a setup lists beside the other."""
        self.merge("/v1/parts/{slug}", {"slug": self.pipes[one % 3]}, self.pipes[other % 3])

    def merge(self, path: str, where: dict[str, Any], into: str) -> None:
        """A merge, taken apart again."""
        self.change(
            f"{path} merge",
            lambda: self.send("POST", f"{path}/merge", {"into": into, **WHY}, **where),
            lambda: self.send("POST", f"{path}/unmerge", BACK, **where),
            (where, into),
        )

    @rule(bay=ANY, begin=st.integers(1, 27), what=st.sampled_from(["factor", "temperature", "basis"]))
    def correct_a_bay(self, bay: int, begin: int, what: str) -> None:
        """Some days of a bay, which may share some with a correction that stands."""
        slug, made = self.bays[bay % 2], {}
        wrong = {"factor": 1.017, "temperature": 3.0, "basis": {"standard": "sae-j1349", "factor": 1.01}}
        days = {"from": f"2026-03-{begin:02d}T00:00:00+00:00", "to": "2026-03-29T00:00:00+00:00"}

        def correct() -> Response:
            body = {"units": "si", **days, what: wrong[what], **WHY}
            answer = self.send("POST", "/v1/bays/{slug}/corrections", body, slug=slug)
            made["correction_id"] = answer.json().get("id")
            return answer

        def undo() -> Response:
            path = "/v1/bays/{slug}/corrections/{correction_id}/undo"
            return self.send("POST", path, BACK, slug=slug, **made)

        self.change(f"correct a bay's {what}", correct, undo, (slug, begin))

    @rule(car=ANY)
    def erase_a_car(self, car: int) -> None:
        """Whose car it was is gone for good, and no figure is another. Some keep theirs."""
        if len(self.posted) < 3 or len(self.erased) > 1:
            return
        tag, before = self.a_car(car), self.answers
        body = {"confirm": True, "reason": "was asked to"}
        if not self.change(
            "erase", lambda: self.send("POST", "/v1/vehicles/{tag}/erase", body, tag=tag), None, tag
        ):
            return
        self.changes.clear()  # what is taken back would name the car
        left = [
            one for one in self.cars if self.send("GET", "/v1/vehicles/{tag}", tag=one).status_code == 404
        ]
        self.erased.update(left)
        for path in [name for name in self.answers if name.startswith(("/v1/typical", "/v1/platforms"))]:
            found = [one for one in apart(self.answers[path], before[path], NOISE, path) if tag not in one]
            if found:
                self.fault("erase: a figure is another", found)

    @rule()
    def estimate_the_model(self) -> None:
        """The worker has been by: answers are others since."""
        self.lines.append("estimate the model")
        refit(self.stories.owner)
        time.sleep(LOOK_S)  # so long a service may answer from the estimate before
        self.stories.steps["estimate"] += 1
        self.forget()
        self.look()


def told(stories: Stories, examples: int, steps: int, seeded: int | None = None) -> None:
    """Tell so many stories of up to so many steps: the same each time, unless a seed is given."""
    played(type("Told", (Story,), {"stories": stories}), examples, steps, seeded)
