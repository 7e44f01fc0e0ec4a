"""Eight bays that post and eight readers that ask, for as long as is wanted, of a ledger as it is really served.

Each bay posts under its own token at a pace of its own, keyed, some posts twice, until each is acknowledged; a reader asks
one question after the other. Then nothing more is posted: bays strike pulls and take that back, so that versions and answers
change and the ledger does not grow, and the same once more of a service just started. A service that has kept nothing by mistake
takes no more memory then than the new one. In the end the ledger is held against what was acknowledged.
"""

import json
import random
import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import psycopg

from service.local import start_server
from service.store import tokens
from tests.bench.line import Line
from tests.bench.posting import SLOT, Posting
from tests.bench.serving import Service, service_in
from tests.faults.kept import Kept, kept_in
from tests.threads import all_at_once

POST_EVERY_S, ASK_EVERY_S = 2.0, 0.5
"""A real bay posts every some minutes, a real reader clicks every some seconds (our choice)."""
TWICE_IN = 20
"""One post in so many is sent again after it was acknowledged, as after a cut line."""
SESSIONS_A_CAR = 3
SAMPLES = 60
"""How often memory is looked at in a run."""
MARKING_S = 180.0
"""How long nothing but marks change the ledger, twice: until a service just started has met all of its work (our choice)."""
STRUCK = 4
"""How many pulls a bay has struck at a time (our choice)."""
MARK = b'{"reason": "seen in a soak"}'


@dataclass(frozen=True)
class Plan:
    """How long [s], by how many, how often each of them [s], one in how many posts is sent twice, how long there are marks [s]."""

    seconds: float
    bays: int = 8
    readers: int = 8
    post_every_s: float = POST_EVERY_S
    ask_every_s: float = ASK_EVERY_S
    twice_in: int = TWICE_IN
    marking_s: float = MARKING_S

    @property
    def cars(self) -> int:
        """So many that each is seen a few times; no multiple of three, so that each comes with the part and without."""
        sessions = int(self.bays * self.seconds / self.post_every_s)
        return max(sessions // SESSIONS_A_CAR // 3 * 3 + 1, 31)


@dataclass(frozen=True)
class Sample:
    """Memory of the service (PSS) [MB] at a time since the posts, or the marks, began [s]; so many sessions were acknowledged."""

    at_s: float
    mb: float
    sessions: int


@dataclass
class Seen:
    """What bays and readers saw: how long each kind of request took [ms], what went wrong, what was acknowledged."""

    took_ms: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    errors: list[str] = field(default_factory=list)
    sent: dict[str, dict[str, Any]] = field(default_factory=dict)
    acknowledged: set[str] = field(default_factory=set)
    memory: list[Sample] = field(default_factory=list)


@dataclass(frozen=True)
class Soaked:
    """What a run came to: what was seen of it, and what the ledger then held; memory of the service that had lived through it
    and of one just started, both of the same ledger at the same work."""

    plan: Plan
    seen: Seen
    kept: Kept
    lived: Sequence[Sample] = ()
    young: Sequence[Sample] = ()


def soak(folder: Path, plan: Plan) -> Soaked:
    """Serve a data folder, made where there is none, and run the plan against it."""
    seen = Seen()
    with service_in(folder) as service, start_server(folder) as database:
        with Line(service.url, service.token) as line:
            posting = Posting(line, "soak", plan.cars)
        with psycopg.connect(database.owner_url, autocommit=True) as owner:
            made = [tokens.create_token(owner, scope="post", bay=bay, name=bay) for bay in posting.bays]
            reader = tokens.create_token(owner, scope="read", name="reader")
            crowd = Crowd(plan, seen, posting, made[: plan.bays], reader)
            seen.memory = crowd.post(service)
            pulls = pulls_by_bay(owner)
        lived = crowd.mark(service, pulls)
        with psycopg.connect(database.owner_url) as conn:
            slots = {part: frozenset({SLOT}) for part in parts_of(seen)}
            kept = kept_in(conn, seen.sent.values(), seen.acknowledged, slots)
    with service_in(folder) as service:
        young = crowd.mark(service, pulls)
    return Soaked(plan, seen, kept, lived, young)


@dataclass(frozen=True)
class Crowd:
    """The bays with their tokens, the readers with theirs, and what they see."""

    plan: Plan
    seen: Seen
    posting: Posting
    bays: Sequence[str]
    reader: str

    def post(self, service: Service) -> list[Sample]:
        """Bays post until the time is over."""
        made = Making(self.posting, len(self.bays))
        bays = [
            partial(
                post_until,
                plan=self.plan,
                seen=self.seen,
                url=service.url,
                token=token,
                make=partial(made.next_of, n),
            )
            for n, token in enumerate(self.bays)
        ]
        return self._at_once(service, self.plan.seconds, bays)

    def mark(self, service: Service, pulls: Mapping[str, Sequence[int]]) -> list[Sample]:
        """Bays strike pulls of theirs and take that back, for a while."""
        bays = [
            partial(
                mark_until, plan=self.plan, seen=self.seen, url=service.url, token=token, pulls=pulls[bay]
            )
            for bay, token in zip(self.posting.bays, self.bays, strict=False)
        ]
        return self._at_once(service, self.plan.marking_s, bays)

    def _at_once(
        self, service: Service, seconds: float, bays: Sequence[Callable[[float], None]]
    ) -> list[Sample]:
        """Bays and readers for so long, and memory all the while."""
        until = time.monotonic() + seconds
        memory: list[Sample] = []
        questions = questions_of(self.posting)
        readers = [
            partial(
                ask_until,
                plan=self.plan,
                seen=self.seen,
                url=service.url,
                token=self.reader,
                questions=questions,
                rng=random.Random(n),
            )
            for n in range(self.plan.readers)
        ]
        looking = partial(look_until, seen=self.seen, service=service, memory=memory)
        everyone: list[Callable[[float], None]] = [*bays, *readers, looking]
        all_at_once([partial(work, until) for work in everyone])
        return memory


def pulls_by_bay(conn: psycopg.Connection[Any]) -> dict[str, list[int]]:
    """The pulls of each bay."""
    found: dict[str, list[int]] = defaultdict(list)
    for bay, pull_id in conn.execute(
        "SELECT bay.slug, pull.pull_id FROM pull JOIN setup USING (setup_id) JOIN session USING (session_id) JOIN bay USING (bay_id)"
        " ORDER BY pull.pull_id"
    ):
        found[bay].append(pull_id)
    return found


class Making:
    """Sessions made one after the other, handed to the bay that each is of."""

    def __init__(self, posting: Posting, bays: int) -> None:
        self._posting, self._made = posting, threading.Lock()
        self._waiting: list[list[bytes]] = [[] for _ in range(bays)]
        self._place = {bay: n for n, bay in enumerate(posting.bays)}

    def next_of(self, bay: int) -> bytes:
        """The next session of a bay."""
        with self._made:
            while not self._waiting[bay]:
                body = self._posting.unsent()
                place = self._place[json.loads(body)["bay"]]
                if place < len(self._waiting):
                    self._waiting[place].append(body)
            return self._waiting[bay].pop(0)


def paced(until: float, every_s: float) -> Iterator[None]:
    """At a pace, until a time; what comes late is not made up for. Each begins at a place of its own in the pace."""
    due = time.monotonic() + random.random() * every_s
    while due < until:
        time.sleep(max(0.0, due - time.monotonic()))
        yield
        due = max(due + every_s, time.monotonic())


class Client:
    """A kept-alive line that is opened anew where it broke."""

    def __init__(self, seen: Seen, url: str, token: str) -> None:
        self._seen, self._url, self._token = seen, url, token
        self._line: Line | None = None

    def send(self, kind: str, method: str, path: str, body: bytes = b"", **headers: str) -> bool:
        """One request, timed; whether it was answered well."""
        try:
            if self._line is None:
                self._line = Line(self._url, self._token)
            request = self._line.prepare(method, path, body, **headers)
            self._line.refresh()
            began = time.perf_counter()
            status, _, answer = self._line.send(request)
        except OSError as error:
            self._seen.errors.append(f"{kind}: {type(error).__name__} {error}")
            self.close()
            return False
        self._seen.took_ms[kind].append(1000.0 * (time.perf_counter() - began))
        if 200 <= status < 300:
            return True
        self._seen.errors.append(f"{kind}: {status} {answer.decode(errors='replace')[:300]}")
        return False

    def close(self) -> None:
        """Hang up."""
        if self._line is not None:
            self._line.__exit__(None, None, None)
            self._line = None


@contextmanager
def client_of(seen: Seen, url: str, token: str) -> Iterator[Client]:
    """A client for a while."""
    client = Client(seen, url, token)
    try:
        yield client
    finally:
        client.close()


def post_until(until: float, plan: Plan, seen: Seen, url: str, token: str, make: Callable[[], bytes]) -> None:
    """One bay: a session is sent again, under its key, until it is acknowledged or the time is over."""
    with client_of(seen, url, token) as client:
        for n, _ in enumerate(paced(until, plan.post_every_s)):
            body = make()
            document = slim(json.loads(body))
            id = document["id"]
            seen.sent[id] = document
            while not client.send("post", "POST", "/v1/sessions", body, Idempotency_Key=id):
                if time.monotonic() > until:
                    return
                time.sleep(1.0)
            seen.acknowledged.add(id)
            if n % plan.twice_in == 0:
                client.send("post again", "POST", "/v1/sessions", body, Idempotency_Key=id)


def mark_until(until: float, plan: Plan, seen: Seen, url: str, token: str, pulls: Sequence[int]) -> None:
    """One bay: it strikes a pull and then another, takes the first back when it has struck some, in the end all of them."""
    struck: deque[int] = deque()
    chance = random.Random(token)
    with client_of(seen, url, token) as client:

        def take_back() -> None:
            client.send("mark", "POST", f"/v1/pulls/{struck.popleft()}/unstrike", MARK)

        for _ in paced(until, plan.post_every_s):
            pull = chance.choice(pulls)
            if pull not in struck:
                client.send("mark", "POST", f"/v1/pulls/{pull}/strike", MARK)
                struck.append(pull)
            if len(struck) > STRUCK:
                take_back()
        while struck:
            take_back()


def ask_until(
    until: float, plan: Plan, seen: Seen, url: str, token: str, questions: dict[str, str], rng: random.Random
) -> None:
    """One reader."""
    kinds = sorted(questions)
    with client_of(seen, url, token) as client:
        for _ in paced(until, plan.ask_every_s):
            kind = rng.choice(kinds)
            client.send(kind, "GET", questions[kind])


def look_until(until: float, seen: Seen, service: Service, memory: list[Sample]) -> None:
    """Sample memory."""
    began = time.monotonic()
    for _ in paced(until, (until - began) / SAMPLES):
        with suppress(OSError):  # a process that has just ended
            now = time.monotonic() - began
            memory.append(Sample(now, service.pss_mb(), len(seen.acknowledged)))


def questions_of(posting: Posting) -> dict[str, str]:
    """What readers ask, by kind."""
    part, platform = posting.part, posting.platform
    return {
        "gain": f"/v1/typical-gain?part={part}&platform={platform}",
        "gain, curve": f"/v1/typical-gain?part={part}&platform={platform}&curve=true&pairs=true",
        "stock spread": f"/v1/platforms/{platform}/stock-spread",
        "part choice": f"/v1/platforms/{platform}/part-choice",
        "build estimate": f"/v1/build-estimate?platform={platform}&parts={part}",
        "outliers": f"/v1/outliers?platform={platform}",
        "bay agreement": "/v1/bay-agreement",
        "evidence": "/v1/evidence",
        "sessions": "/v1/sessions?limit=50",
        "a car": f"/v1/vehicles/{posting.cars[0]}/states",
        "search": "/v1/search?q=pipe",
        "page": "/",
    }


def slim(document: dict[str, Any]) -> dict[str, Any]:
    """A session with each curve cut to the sample of its highest power, which is all that the rebuild reads of it."""
    for setup in document["setups"]:
        for pull in setup["pulls"]:
            points = zip(pull["curve"]["rpm"], pull["curve"]["torque"], strict=True)
            rpm, torque = max(points, key=lambda point: point[0] * point[1])
            pull["curve"] = {"rpm": [rpm], "torque": [torque]}
    return document


def parts_of(seen: Seen) -> set[str]:
    """The parts that were fitted."""
    return {
        part for document in seen.sent.values() for setup in document["setups"] for part in setup["parts"]
    }
