"""Bays that post, over HTTP or straight into an app, and write down all that they were answered."""

import json
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import psycopg

from service.local import start_server
from tests.conftest import Client
from tests.faults.kept import Kept, kept_in
from tests.faults.sessions import SLOTS
from tests.local.conftest import wait_until
from tests.threads import meanwhile

BAYS = 4
PATIENCE_S = 120.0
PAUSE_S = 0.05
"""A real bay waits for seconds before it sends again; here it must be quick (our choice)."""
INSIDE = ("Traceback", "psycopg", "SELECT ", "INSERT ")
"""What no answer may show of the inside."""


@dataclass(frozen=True)
class Reply:
    """What one attempt was answered."""

    status: int
    kind: str
    retry_after: str | None
    text: str

    @property
    def is_kept(self) -> bool:
        """Whether the ledger said that it has the session."""
        return 200 <= self.status < 300

    @property
    def is_clear(self) -> bool:
        """Whether one that was not kept says so as a problem document: not now, with when to come again; or that the same
        post, cut off before, is at work still (409)."""
        if self.kind != "application/problem+json" or any(word in self.text for word in INSIDE):
            return False
        said = json.loads(self.text)
        if not (said["title"] and said["detail"] and said["status"] == self.status):
            return False
        return self.status == 409 or (self.status == 503 and int(self.retry_after or 0) > 0)


Send = Callable[[dict[str, Any], str], Reply]
"""One attempt to post a document under a key. Raises httpx.TransportError where the line breaks."""


@contextmanager
def over_http(url: str, token: str) -> Iterator[Send]:
    """Lines to a serving process."""
    with httpx.Client(base_url=url, headers={"Authorization": f"Bearer {token}"}, timeout=60) as client:

        def send(document: dict[str, Any], key: str) -> Reply:
            answer = client.post("/v1/sessions", json=document, headers={"Idempotency-Key": key})
            kind, after = answer.headers.get("Content-Type", ""), answer.headers.get("Retry-After")
            return Reply(answer.status_code, kind, after, answer.text)

        yield send


def straight_into(client: Client) -> Send:
    """An app of this process; each thread has a client of its own."""
    app, token = client.client.application, client.token

    def send(document: dict[str, Any], key: str) -> Reply:
        mine = Client(app.test_client(), token)
        answer = mine.post("/v1/sessions", document, Idempotency_Key=key)
        kind, after = answer.headers.get("Content-Type", ""), answer.headers.get("Retry-After")
        return Reply(answer.status_code, kind, after, answer.text)

    return send


@dataclass
class Bays:
    """Some bays that share out the posts of `documents`, each under a key of its own."""

    documents: dict[str, dict[str, Any]]
    answered: set[str] = field(default_factory=set)
    """Ids of the sessions that were acknowledged."""
    refused: list[Reply] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    """By which name the line broke, each time."""
    given_up: threading.Event = field(default_factory=threading.Event)

    @classmethod
    def of(cls, documents: Iterable[dict[str, Any]]) -> "Bays":
        """Bays that have these to post."""
        return cls({document["id"]: document for document in documents})

    @property
    def left(self) -> list[str]:
        """Ids of what is not acknowledged."""
        return [id for id in self.documents if id not in self.answered]

    def send_once(self, send: Send) -> None:
        """Every post that is left, one attempt each."""
        with ThreadPoolExecutor(BAYS) as pool:
            list(pool.map(lambda id: self.attempt(send, id), self.left))

    def send_until_acknowledged(self, send: Send) -> None:
        """Every post that is left, each again and again until it is acknowledged."""
        until = time.monotonic() + PATIENCE_S

        def insist(id: str) -> None:
            while not (self.given_up.is_set() or self.attempt(send, id)):
                assert time.monotonic() < until, f"not acknowledged in {PATIENCE_S} s: {self.refused[-1:]}"
                time.sleep(PAUSE_S)

        with ThreadPoolExecutor(BAYS) as pool:
            list(pool.map(insist, self.left))

    def attempt(self, send: Send, id: str) -> bool:
        """Send one; whether it was acknowledged."""
        try:
            reply = send(self.documents[id], id)
        except httpx.TransportError as error:
            self.broken.append(type(error).__name__)
            return False
        if reply.is_kept:
            self.answered.add(id)
        else:
            self.refused.append(reply)
        return reply.is_kept

    @property
    def unclear(self) -> list[Reply]:
        """Refusals that do not say clearly that it cannot be now."""
        return [reply for reply in self.refused if not reply.is_clear]

    def wait_for(self, count: int) -> None:
        """Until so many are acknowledged."""
        wait_until(lambda: len(self.answered) >= count, PATIENCE_S)

    @contextmanager
    def at_work(self, send: Send) -> Iterator[None]:
        """The block runs while they post until all is acknowledged; it ends when that is so."""
        with meanwhile(partial(self.send_until_acknowledged, send)):
            try:
                yield
            except BaseException:
                self.given_up.set()
                raise


def kept_of(bays: Bays, owner_url: str) -> Kept:
    """What a ledger holds of what some bays were told that it holds."""
    with psycopg.connect(owner_url) as sight:
        return kept_in(sight, bays.documents.values(), bays.answered, SLOTS)


def kept_in_folder(bays: Bays, folder: Path) -> Kept:
    """The same in a data folder, whether it is served or not."""
    with start_server(folder) as database:
        return kept_of(bays, database.owner_url)


def figures(what: str, faults: int, bays: Bays, kept: Kept) -> str:
    """What a run came to, in a line."""
    refusals = Counter(reply.status for reply in bays.refused) + Counter(bays.broken)
    said = ", ".join(f"{name} {count}" for name, count in sorted(refusals.items(), key=str)) or "none"
    return (
        f"{what}: {faults} faults injected, {len(bays.documents)} posts, {len(bays.answered)} acknowledged, "
        f"{kept.lost} lost, {kept.doubled} doubled, {len(kept.damage)} damaged; refused or cut on the way: {said}"
    )
