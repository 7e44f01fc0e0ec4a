"""What is asked of a served history over HTTP, and what each kind of request is held against.

A question *asked before* lies in the answer cache; a *new* one differs in the level of its intervals, so no cache has the
answer, though what was read for it may be in memory; *read anew* comes after its part was changed, so that nothing worked
out before holds. Asked evidence is the same in every history (tests/bench/lives.py).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from uuid import uuid4

import psycopg

from tests.bench import names
from tests.bench.line import Line, header_of
from tests.bench.lives import ASKED_CAR, ASKED_COUPE, ASKED_FEW, ASKED_HATCH, ASKED_HUNDREDS, ASKED_MANY
from tests.bench.posting import Posting

Request = Callable[[], bytes]
TIMES, SLOW_TIMES = 20, 8
"""Requests of one client in a round."""


@dataclass(frozen=True)
class Case:
    """One kind of request: how a fresh one is made, the case it is held against, the status it must get; `crowd` where
    several clients can send it at once without each being prepared by a change."""

    name: str
    request: Request
    base: str = names.ROW
    status: int = 200
    times: int = TIMES
    crowd: bool = True


class Asker:
    """Makes the requests of one served history."""

    def __init__(self, line: Line, posting: Posting) -> None:
        self.line, self.posting = line, posting
        self._levels = (f"{0.8 + n * 1e-6:.6f}" for n in count(1))

    def get(self, path: str) -> Request:
        """The same GET each time."""
        request = self.line.prepare("GET", path)
        return lambda: request

    def new(self, path: str) -> Request:
        """A question never asked before, by its level."""
        joint = "&" if "?" in path else "?"
        return lambda: self.line.prepare("GET", f"{path}{joint}level={next(self._levels)}")

    def changed(self, part: str, path: str) -> Request:
        """A question whose part has just been changed."""
        about, request = f"/v1/parts/{part}", self.line.prepare("GET", path)

        def after_a_change() -> bytes:
            _, head, _ = self.line.send(self.line.prepare("GET", about))
            note = {"fitting_notes": str(uuid4())}
            self.line.json("PATCH", about, note, If_Match=header_of(head, "ETag"))
            return request

        return after_a_change

    def posted(self, path: str) -> Request:
        """A question just after a car elsewhere was measured."""
        request = self.line.prepare("GET", path)

        def after_a_post() -> bytes:
            status, _, body = self.line.send(self.posting.request())
            if status != 201:
                raise RuntimeError(f"a post answered {status}: {body.decode()[:500]}")
            return request

        return after_a_post

    def seen(self, path: str) -> Request:
        """A question whose answer the client holds."""

        def again() -> bytes:
            _, head, _ = self.line.send(self.line.prepare("GET", path))
            return self.line.prepare("GET", path, If_None_Match=header_of(head, "ETag"))

        return again


def every_case(asker: Asker, deep: str) -> list[Case]:
    """All of them, `ping` and `row` first; `deep` is the address of a page far down the list of sessions."""
    ping = Case(names.PING, asker.get("/v1/health"), names.PING)
    row = Case(names.ROW, asker.get(f"/v1/platforms/{ASKED_HATCH}"), names.PING)
    return [
        ping,
        row,
        *pairs_cases(asker),
        *model_cases(asker),
        *record_cases(asker, deep),
        *post_cases(asker),
    ]


def gain(part: str, *, curve: bool, model: bool) -> str:
    """The address of a typical gain without its list of pairs."""
    words = "".join(f"&{name}=false" for name, on in (("curve", curve), ("model", model)) if not on)
    return f"/v1/typical-gain?platform={ASKED_HATCH}&part={part}&pairs=false{words}"


def pairs_cases(asker: Asker) -> Iterator[Case]:
    """The pairs alone, without the model."""
    for part, cars, plain, drawn in (
        (ASKED_FEW, names.FEW, names.PAIRS_SCALARS_FEW, names.PAIRS_CURVE_FEW),
        (ASKED_MANY, names.MANY, names.PAIRS_SCALARS_MANY, names.PAIRS_CURVE_MANY),
        (ASKED_HUNDREDS, names.WIDE, names.PAIRS_SCALARS_WIDE, names.PAIRS_CURVE_WIDE),
    ):
        for name, curve in ((plain, False), (drawn, True)):
            path = gain(part, curve=curve, model=False)
            yield Case(name, asker.new(path))
            if cars != names.FEW:
                yield Case(names.anew(name), asker.changed(part, path), times=SLOW_TIMES, crowd=False)


def model_cases(asker: Asker) -> Iterator[Case]:
    """The whole answer, and others that rest on the model."""
    scalars, whole = gain(ASKED_MANY, curve=False, model=True), gain(ASKED_MANY, curve=True, model=True)
    spread = f"/v1/platforms/{ASKED_COUPE}/stock-spread"
    yield Case(names.GAIN_SCALARS, asker.new(scalars))
    yield Case(names.GAIN_NEW, asker.new(whole), times=SLOW_TIMES)
    yield Case(names.GAIN_AFTER_CHANGE, asker.changed(ASKED_MANY, whole), times=SLOW_TIMES, crowd=False)
    yield Case(names.GAIN_AFTER_POST, asker.posted(whole), times=SLOW_TIMES, crowd=False)
    yield Case(names.GAIN_CACHED, asker.get(whole))
    yield Case(names.GAIN_UNCHANGED, asker.seen(whole), status=304)
    yield Case(names.STOCK_SPREAD, asker.new(spread))
    yield Case(names.STOCK_SPREAD_AFTER_POST, asker.posted(spread), times=SLOW_TIMES, crowd=False)
    yield Case(names.STOCK_SPREAD_CACHED, asker.get(spread))
    yield Case(names.PART_CHOICE, asker.new(f"/v1/platforms/{ASKED_HATCH}/part-choice"), times=SLOW_TIMES)
    yield Case(names.ODD_ONES, since(asker), times=SLOW_TIMES)


def since(asker: Asker) -> Request:
    """Outliers of a platform since a time that was not asked before."""
    seconds = count()
    path = f"/v1/outliers?platform={ASKED_HATCH}&since="

    def new() -> bytes:
        n = next(seconds)
        return asker.line.prepare(
            "GET", f"{path}2001-01-{1 + n // 3600:02d}T00:{n // 60 % 60:02d}:{n % 60:02d}Z"
        )

    return new


def record_cases(asker: Asker, deep: str) -> Iterator[Case]:
    """What was measured, read back."""
    sessions = asker.line.json("GET", f"/v1/sessions?vehicle={ASKED_CAR}&limit=1")
    newest = sessions["items"][0]["id"]
    yield Case(names.STATES, asker.get(f"/v1/vehicles/{ASKED_CAR}/states"))
    yield Case(names.OVERLAY, asker.get(f"/v1/sessions/{newest}/setups/1/curve?singles=true"))
    yield Case(names.FIRST_PAGE, asker.get("/v1/sessions?limit=50"))
    yield Case(names.DEEP_PAGE, asker.get(deep), names.FIRST_PAGE)


def post_cases(asker: Asker) -> Iterator[Case]:
    """Sessions of four pulls."""
    yield Case(names.POST, asker.posting.request, names.PING, 201, SLOW_TIMES)
    keyed = Case(names.POST_KEYED, lambda: asker.posting.request(keyed=True), names.PING, 201, SLOW_TIMES)
    yield keyed


def deep_page(owner_url: str) -> str:
    """The address of the page that nine tenths of the sessions stand before."""
    with psycopg.connect(owner_url) as conn:
        row = conn.execute(
            """
            SELECT started_at, session_id FROM session ORDER BY started_at DESC, session_id DESC
            OFFSET (SELECT 9 * count(*) / 10 FROM session) LIMIT 1
            """
        ).fetchone()
    if row is None:
        raise RuntimeError("the history has no sessions")
    after = f"{row[0].isoformat()}~{row[1]}".replace("+", "%2B")
    return f"/v1/sessions?limit=50&after={after}"
