"""What the page asks the ledger, and only when it answered a moment ago: nobody waits for a line that is down."""

from __future__ import annotations

import time
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import httpx

from service.bay.clock import Clock, Skew, measured
from service.bay.known import KEYS, Said
from service.bay.page.memory import Memory, Setup
from service.bay.sender import Address
from service.bay.wire import document_of, in_words
from service.bay.work import FUEL

PATIENCE_S = 2.0
"""A person stands before the page (our choice)."""
ADDING_PATIENCE_S = 10.0
"""Pressed once for a car (our choice)."""
PAGE = 500
OF_SESSION = ("gear", "ratio", "tyre_size", "tyre_pressure")
OF_SETUP = ("parts", "parts_known", "stock_checked", "label", "spark_advance", "lambda_probe")


class Ledger:
    """The line to the ledger as the page sees it: whether it answers, and what it says of cars."""

    def __init__(self, address: Address, memory: Memory, clock: Clock) -> None:
        self._address, self._memory, self._clock = address, memory, clock
        self.answers = False
        self.why_not: str | None = "it was not asked yet"
        self.skew: Skew | None = None

    def look(self) -> None:
        """Ask whether it is ready, how far the clocks are apart, and for its cars and parts."""
        try:
            with self._address.client(PATIENCE_S) as client:
                self._ready(client)
                self._memory.keep_names(
                    listed(client, "/v1/vehicles", "tag"),
                    listed(client, "/v1/parts", "slug"),
                    listed(client, "/v1/platforms", "slug"),
                )
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            self.answers, self.why_not = False, str(error) or type(error).__name__
        else:
            self.answers, self.why_not = True, None

    def _ready(self, client: httpx.Client) -> None:
        asked_at, begun = self._clock(), time.monotonic()
        answer = client.get("/v1/ready")
        took = timedelta(seconds=time.monotonic() - begun)
        self.skew = measured(answer.headers.get("Date"), asked_at, took) or self.skew
        answer.raise_for_status()

    def cars_like(self, letters: str) -> list[str]:
        """Cars whose tag holds these letters; none where it cannot be asked."""
        if not self.answers:
            return []
        try:
            with self._address.client(PATIENCE_S) as client:
                return listed(client, "/v1/vehicles", "tag", q=letters)
        except httpx.HTTPError as error:
            self._broke(error)
            return []

    def add_car(self, body: Mapping[str, Any]) -> httpx.Response:
        """Ask it to add a car. Raises httpx.RequestError."""
        with self._address.client(ADDING_PATIENCE_S) as client:
            return client.post("/v1/vehicles", json=dict(body))

    def last_setup(self, tag: str) -> Setup | None:
        """How the car stood when it was last measured, in whatever bay; what this computer knows better counts."""
        here, there = self._memory.setup(tag), self._asked(tag)
        known = [one for one in (there, here) if one is not None]
        return max(known, key=lambda one: one.at, default=None)

    def _asked(self, tag: str) -> Setup | None:
        if not self.answers:
            return None
        try:
            with self._address.client(PATIENCE_S) as client:
                found = client.get("/v1/sessions", params={"vehicle": tag, "limit": 1}).raise_for_status()
                items = document_of(found).get("items") or []
                if not items:
                    return None
                answer = client.get(f"/v1/sessions/{items[0]['id']}", params={"units": "si"})
                return setup_in(document_of(answer.raise_for_status()))
        except httpx.HTTPError as error:
            self._broke(error)
            return None
        except (KeyError, TypeError, ValueError):
            return None

    def _broke(self, error: httpx.HTTPError) -> None:
        """Nobody waits for this line a second time; the next look finds it again."""
        if isinstance(error, httpx.RequestError):
            self.answers, self.why_not = False, in_words(error)


def listed(client: httpx.Client, path: str, name: str, **query: str) -> list[str]:
    """The names of a list's first page. Raises httpx.HTTPStatusError where the token may not see it."""
    answer = client.get(path, params={"limit": PAGE, **query}).raise_for_status()
    return [str(one[name]) for one in document_of(answer).get("items", []) if name in one]


def setup_in(session: Mapping[str, Any]) -> Setup | None:
    """The last setup of a session that still counts."""
    setups = [one for one in session["setups"] if not one.get("struck")]
    if not setups or session.get("struck"):
        return None
    last = setups[-1]
    said: Said = {name: session.get(name) for name in OF_SESSION}
    said |= {name: last.get(name) for name in OF_SETUP} | {name: last["fuel"].get(name) for name in FUEL}
    known = {name: value for name, value in said.items() if value is not None and name in KEYS}
    return Setup(known, datetime.fromisoformat(session["started_at"]), "the ledger")
