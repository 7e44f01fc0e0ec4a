"""Fills a running ledger with the invented shop, through its public HTTP door, as four bays posting at once."""

import hashlib
import ipaddress
import json
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from datetime import time as clock
from pathlib import Path
from threading import Event
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid5

import httpx
import numpy as np
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from seed.air import Weather
from seed.history import DEFAULT_SEED, make_history
from seed.oddities import CONFIRMED, CONFIRMED_WHY, STRUCK_WHY
from seed.parts import PARTS, slots_of
from seed.plans import SHOP_NAMESPACE, History, SessionPlan
from seed.pulls import Bench, Json
from seed.shop import (
    BAY_EVENTS,
    BAYS,
    CHECK_CAR,
    CURRENCY,
    FIRST_DAY,
    LABOUR_RATE,
    LAST_DAY,
    PLATFORMS,
    BayEvent,
)
from seed.truth import truth_document
from seed.wire import fitting_body, part_body, session_body, vehicle_body

ATTEMPTS = 6  # of one post when the line breaks: our choice
FIRST_WAIT_S = 0.15  # doubled after each attempt
TIMEOUT_S = 60.0
Step = Callable[[int], None]


class PostRefusedError(Exception):
    """The ledger answered a post of the invented shop with something other than 2xx."""

    def __init__(self, method: str, path: str, status: int, document: str) -> None:
        super().__init__(f"{method} {path} answered {status}:\n{document}")
        self.status, self.document = status, document


@dataclass
class Summary:
    """What was posted and what the ledger said to it."""

    vehicles: int = 0
    fittings: int = 0
    sessions: int = 0
    setups: int = 0
    pulls: int = 0
    pairs: int = 0
    replayed: int = 0
    held_back: int = 0
    checks: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0

    def add(self, other: "Summary") -> None:
        """Takes another summary's counts in."""
        for name in ("vehicles", "fittings", "sessions", "setups", "pulls", "pairs", "replayed", "held_back"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.checks.update(other.checks)


class Door:
    """The ledger's HTTP door: safe to knock again, because every post carries a key made from its content."""

    def __init__(self, client: httpx.Client) -> None:
        self._client = client

    def get(self, path: str) -> httpx.Response:
        return self._send("GET", path)

    def post(self, path: str, body: Json, token: str | None = None) -> httpx.Response:
        content = _compact(body)
        headers = {"Content-Type": "application/json", "Idempotency-Key": content_key(path, content)}
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        return self._send("POST", path, content=content, headers=headers)

    def change(self, path: str, body: Json) -> httpx.Response:
        """A PATCH against the version just read."""
        seen = self.get(path).headers.get("ETag")
        headers = {"Content-Type": "application/json"} | ({"If-Match": seen} if seen else {})
        return self._send("PATCH", path, content=_compact(body), headers=headers)

    def strike(self, path: str, reason: str) -> None:
        """Strikes what is not struck yet."""
        if self.get(path).json().get("struck") is None:
            self._send("POST", f"{path}/strike", json={"reason": reason})

    def confirm(self, path: str, reason: str) -> None:
        """Confirms a pull; that nothing is left to confirm is fine."""
        try:
            self._send("POST", f"{path}/confirm", json={"reason": reason})
        except PostRefusedError as refused:
            if refused.status != httpx.codes.CONFLICT:
                raise

    def refit(self) -> None:
        """Asks for new variances and waits; without a key, because asking twice means doing it twice."""
        content, headers = _compact({"wait": True}), {"Content-Type": "application/json"}
        self._send("POST", "/v1/model/refit", content=content, headers=headers)

    def _send(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Sends, again when the line breaks, a bounded number of times; stops on any answer that is not 2xx."""
        wait = FIRST_WAIT_S
        for attempt in range(1, ATTEMPTS + 1):
            try:
                answer = self._client.request(method, path, **more)
            except httpx.TransportError:
                if attempt == ATTEMPTS:
                    raise
            else:
                # A broken line may have left the first attempt at work: 409 then means `not yet`.
                if not (answer.status_code == httpx.codes.CONFLICT and 1 < attempt < ATTEMPTS):
                    return _accepted(method, path, answer)
            time.sleep(wait)
            wait *= 2.0
        raise AssertionError("the last attempt returns or raises")


def _accepted(method: str, path: str, answer: httpx.Response) -> httpx.Response:
    if answer.is_success:
        return answer
    try:
        document = json.dumps(answer.json(), indent=2)
    except ValueError:
        document = answer.text
    raise PostRefusedError(method, path, answer.status_code, document)


def _compact(body: Json) -> bytes:
    return json.dumps(body, separators=(",", ":"), allow_nan=False).encode()


def content_key(path: str, content: bytes) -> str:
    """An idempotency key that the same content at the same address always gets."""
    return str(uuid5(SHOP_NAMESPACE, path + hashlib.sha256(content).hexdigest()))


def load(
    url: str,
    token: str,
    *,
    cars: int = 400,
    seed: int = DEFAULT_SEED,
    progress: bool = True,
    truth: Path | None = None,
    refit: bool = False,
    bay_tokens: dict[str, str] | None = None,
    now: datetime | None = None,
    transport: httpx.BaseTransport | None = None,
) -> Summary:
    """Posts the invented shop to a running ledger and, where `truth` names a file, writes its truth there.

    token: scope admin; bay_tokens: scope post by bay, else the admin's is used; now: sessions that would lie in the
    future of it are held back. Posting the same shop twice changes nothing.
    """
    began = time.monotonic()
    history = make_history(cars, seed)
    limits = httpx.Limits(max_connections=len(BAYS), max_keepalive_connections=len(BAYS))
    headers = {"Authorization": f"Bearer {token}"}
    with httpx.Client(
        base_url=url,
        headers=headers,
        timeout=TIMEOUT_S,
        limits=limits,
        transport=transport,
        trust_env=False,  # a proxy of the environment is no way to a ledger on this machine or network
    ) as client:
        door, total = Door(client), Summary()
        _post_catalogue(door, loopback=is_loopback(url))
        with _bar(progress, history) as step:
            total.add(_post_cars(door, history, step))
            now = now or datetime.now(UTC)
            total.add(_post_sessions(door, history, step, bay_tokens or {}, now))
        _mark(door, [plan for plan in history.sessions if plan.started_at < now], history.effects.seed)
        if refit:
            door.refit()
    if truth is not None:
        truth.parent.mkdir(parents=True, exist_ok=True)
        truth.write_text(json.dumps(truth_document(history), indent=1) + "\n", encoding="utf-8")
    total.seconds = time.monotonic() - began
    return total


def is_loopback(url: str) -> bool:
    """Whether an address is this machine's own."""
    host = urlsplit(url).hostname or ""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _post_catalogue(door: Door, *, loopback: bool) -> None:
    """Settings, bays with their events, platforms, and parts (a variant after the part it is of)."""
    door.change("/v1/settings", {"currency": CURRENCY, "labour_rate": LABOUR_RATE, "open_reading": loopback})
    _check_slots(door)
    for bay in BAYS:
        door.post("/v1/bays", bay.document)
    for event in BAY_EVENTS:
        door.post(f"/v1/bays/{event.bay}/events", _event_body(event))
    for platform in PLATFORMS:
        door.post("/v1/platforms", platform.document)
    for part in sorted(PARTS, key=lambda part: part.variant_of is not None):
        door.post("/v1/parts", part_body(part))


def _event_body(event: BayEvent) -> Json:
    at = datetime.combine(event.on, clock(7, 30), UTC)
    return {"at": at.isoformat(), "kind": event.kind, "note": event.note}


def _check_slots(door: Door) -> None:
    """Stops early, in plain words, where the ledger keeps other slots than the shop's parts fill."""
    kept = {slot["slug"] for slot in door.get("/v1/slots?limit=500").json()["items"]}
    missing = slots_of(tuple(part.slug for part in PARTS)) - kept
    if missing:
        raise LookupError(f"the ledger has no slots {', '.join(sorted(missing))}")


def _post_cars(door: Door, history: History, step: Step) -> Summary:
    """Every car, then every line of the job book, several at once."""

    def post(entry: tuple[str, Json]) -> None:
        door.post(*entry)
        step(1)

    cars = [("/v1/vehicles", vehicle_body(car, check_car=car.tag == CHECK_CAR)) for car in history.cars]
    fittings = [
        (f"/v1/vehicles/{line.vehicle}/modifications", fitting_body(line)) for line in history.fittings
    ]
    with ThreadPoolExecutor(len(BAYS)) as pool:
        for entries in (cars, fittings):
            list(pool.map(post, entries))
    return Summary(vehicles=len(cars), fittings=len(fittings))


def _post_sessions(
    door: Door, history: History, step: Step, tokens: dict[str, str], now: datetime
) -> Summary:
    """One thread per bay, each in its own order; the first refusal stops them all."""
    bench, stop = Bench(history, site_weather(history.effects.seed)), Event()

    def post_bay(bay: str) -> Summary:
        done = Summary()
        for plan in (plan for plan in history.sessions if plan.bay == bay):
            if stop.is_set():
                break
            try:
                _post_session(door, plan, history, bench, tokens.get(bay), now, done)
            except BaseException:
                stop.set()
                raise
            step(1)
        return done

    total = Summary()
    with ThreadPoolExecutor(len(BAYS)) as pool:
        for summary in pool.map(post_bay, [bay.slug for bay in BAYS]):
            total.add(summary)
    return total


def site_weather(seed: int) -> Weather:
    """The weather of the shop's five years."""
    days = (LAST_DAY - FIRST_DAY).days + 30
    return Weather(np.random.default_rng([seed, 8]), datetime.combine(FIRST_DAY, clock(0), UTC), days)


def _post_session(
    door: Door,
    plan: SessionPlan,
    history: History,
    bench: Bench,
    token: str | None,
    now: datetime,
    done: Summary,
) -> None:
    """One session, and what came back; a session from a clock in the future is held back."""
    if plan.started_at >= now:
        done.held_back += 1
        return
    body = session_body(plan, history, bench)
    answer = door.post("/v1/sessions", body, token)
    kept = answer.json()
    done.sessions += 1
    done.replayed += answer.headers.get("Idempotency-Replayed") == "true"
    setups = body["setups"]
    assert isinstance(setups, list)
    done.setups += len(setups)
    done.pulls += sum(len(setup["pulls"]) for setup in setups)
    done.pairs += len(kept.get("pairs", ()))
    done.checks.update(check["code"] for check in kept.get("checks", ()))


def _mark(door: Door, plans: Iterable[SessionPlan], seed: int) -> None:
    """What people did with sessions once they were posted: one was struck, one doubted pull was confirmed."""
    for plan in plans:
        path = f"/v1/sessions/{plan.session_id(seed)}"
        if "struck" in plan.faults:
            door.strike(path, STRUCK_WHY)
        if CONFIRMED in plan.faults:
            pulls = door.get(path).json()["setups"][0]["pulls"]
            accepted = next(pull for pull in pulls if pull["status"] == "accepted")
            door.confirm(f"/v1/pulls/{accepted['id']}", CONFIRMED_WHY)


@contextmanager
def _bar(shown: bool, history: History) -> Iterator[Step]:
    """A progress bar on standard error, or nothing."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), disable=not shown) as bars:
        count = len(history.cars) + len(history.fittings) + len(history.sessions)
        task = bars.add_task("Filling the invented shop", total=count)
        yield lambda done: bars.advance(task, done)


def summary_lines(summary: Summary) -> Iterable[str]:
    """The summary in words."""
    yield (
        f"{summary.vehicles} cars, {summary.fittings} fittings, {summary.sessions} sessions, {summary.setups} setups, "
        f"{summary.pulls} pulls in {summary.seconds:.0f} s"
    )
    yield f"{summary.pairs} before/after pairs; {summary.replayed} sessions were there already"
    if summary.held_back:
        some = "session was" if summary.held_back == 1 else "sessions were"
        yield f"{summary.held_back} {some} held back by a clock that lies in the future"
    if summary.checks:
        yield "noticed at the door: " + ", ".join(
            f"{code} {count}" for code, count in summary.checks.most_common()
        )
