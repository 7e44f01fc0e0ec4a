"""Whether the ledger knows what was typed, asked while the car still stands on the rollers."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from http import HTTPStatus

import httpx

from service.bay.known import Said
from service.bay.sender import Address
from service.bay.wire import PROBLEM, document_of

PATIENCE_S = 2.0
"""Nobody waits for this: where the line is down the session is taken all the same (our choice)."""
AGAIN_AFTER_S = 30.0
"""A ledger that does not answer holds up the files of a whole morning for no longer than that each time (our choice)."""


class Names:
    """Asks the ledger of each name until it has said whether it knows it, and then no more."""

    def __init__(self, address: Address, now: Callable[[], float] = time.monotonic) -> None:
        self.address, self._now = address, now
        self._answered: set[str] = set()
        self._not_before = -math.inf

    def unknown(self, said: Said) -> list[str]:
        """What the ledger says of each car and part that it does not know; nothing where it cannot be asked."""
        paths = [path for path in paths_of(said) if path not in self._answered]
        if not paths or self._now() < self._not_before:
            return []
        found = []
        try:
            with self.address.client(PATIENCE_S) as client:
                for path in paths:
                    answer = client.get(path)
                    words = unknown(answer)
                    if words is not None or answer.is_success:
                        self._answered.add(path)
                    if words is not None:
                        found.append(words)
        except httpx.RequestError:
            self._not_before = self._now() + AGAIN_AFTER_S
        return found


def unknown_names(address: Address, said: Said) -> list[str]:
    """The same, asked once."""
    return Names(address).unknown(said)


def paths_of(said: Said) -> Iterator[str]:
    """Where the car and the parts of a pull stand in the ledger."""
    if "car" in said:
        yield f"/v1/vehicles/{said['car']}"
    for one in said.get("parts", []):
        yield f"/v1/parts/{one if isinstance(one, str) else one['part']}"


def unknown(answer: httpx.Response) -> str | None:
    """The ledger's own words for a name it does not know; None where it knows it, or says something else."""
    if answer.status_code != HTTPStatus.NOT_FOUND or not answer.headers.get("Content-Type", "").startswith(
        PROBLEM
    ):
        return None
    return str(document_of(answer).get("detail") or answer.request.url.path)
