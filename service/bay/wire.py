"""One session to the ledger, once: kept, refused for good, or not now."""

from __future__ import annotations

import gc
import hashlib
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from http import HTTPStatus
from typing import Any

import httpx

from service.bay.addresses import lacks_tls, nobody_vouches
from service.bay.clock import Clock, Skew, measured
from service.bay.fault_words import fault_in_words
from service.bay.spool import Refusal

PATH = "/v1/sessions"
MOST_HELD = 4_000_000
"""Bodies and answers that may lie about in memory (our choice) [bytes]."""
PROBLEM = "application/problem+json"
ABOUT_THIS_SESSION = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNPROCESSABLE_ENTITY,
)
"""What the ledger says of a session that it will not take however often it is sent. A 404 is about the address, a 401
and 403 about the token: they wait until somebody has put that right, and no session is moved for them."""


class NotNow(Exception):
    """The ledger has not said whether it keeps the session; sending it again is harmless.

    `blocks`: the line or the ledger is at fault, so that the next session would fare no better.
    """

    def __init__(self, words: str, *, retry_after_s: float | None = None, blocks: bool = True) -> None:
        super().__init__(words)
        self.words, self.retry_after_s, self.blocks = words, retry_after_s, blocks


@dataclass(frozen=True)
class Kept:
    """The ledger has the session: what it answered, and whether it had it before."""

    document: Mapping[str, Any]
    replayed: bool


def stamped(body: bytes, clock: Clock) -> bytes:
    """A closed session with the bay's clock at this very moment in it.

    The clock cannot stand in the spool: a session that waited for hours would look like a clock that is hours behind.
    The ledger leaves it out of what makes two posts the same, so every attempt may carry its own.
    """
    return b'{"clock":"' + clock().isoformat().encode() + b'",' + body.removeprefix(b"{")


class Line:
    """The line to the ledger: one client for several posts, and how far the bay's clock was found to be off."""

    def __init__(self, client: httpx.Client, clock: Clock) -> None:
        self._client, self._clock = client, clock
        self._held = 0
        self.skew: Skew | None = None

    def post(self, id: str, body: bytes) -> Kept | Refusal:
        """Send one closed session. Raises NotNow.

        The key is made from what is sent. A second attempt carries another clock and so another key; that it is the
        same session the ledger knows by its id and its content.
        """
        content = stamped(body, self._clock)
        headers = {"Content-Type": "application/json", "Idempotency-Key": hashlib.sha256(content).hexdigest()}
        asked_at, begun = self._clock(), time.monotonic()
        try:
            answer = self._client.post(PATH, content=content, headers=headers)
        except httpx.RequestError as error:
            raise NotNow(f"the line to {self._client.base_url} broke ({in_words(error)})") from error
        took = timedelta(seconds=time.monotonic() - begun)
        self.skew = measured(answer.headers.get("Date"), asked_at, took) or self.skew
        self._let_go(len(content) + len(answer.content))
        return judged(answer, id)

    def _let_go(self, size: int) -> None:
        """httpx's answers hold themselves and their requests, so that bodies would lie about until Python happens to look
        for what nobody else holds."""
        self._held += size
        if self._held > MOST_HELD:
            gc.collect()
            self._held = 0


def in_words(error: httpx.RequestError) -> str:
    """What broke, with the way out where nobody vouches for the ledger; some of the library's errors have no words."""
    why = nobody_vouches(error)
    if why is not None:
        return (
            f"its certificate is not believed: {why}; copy the ledger's authority.pem to this computer "
            "and name it as `authority` in bay.toml"
        )
    return str(error) or type(error).__name__


def judged(answer: httpx.Response, id: str) -> Kept | Refusal:
    """What an answer means for the session. Raises NotNow.

    Only an answer that names this session counts as kept: what stands between here and the ledger answers 200 too. A
    ledger that has the same content under another id names that one: a folder was lost and its files taken again.
    """
    document = document_of(answer)
    replayed = answer.headers.get("Idempotency-Replayed") == "true"
    if answer.is_success:
        if document.get("id") != id and not (replayed and "id" in document):
            raise NotNow(f"{answer.request.url} does not answer like a ledger; check the address (url)")
        return Kept(document, replayed)
    if is_final(answer, document):
        return refusal_of(answer, document)
    raise NotNow(
        words_of(answer, document),
        retry_after_s=seconds_of(answer.headers.get("Retry-After")),
        blocks=answer.status_code != HTTPStatus.INTERNAL_SERVER_ERROR,
    )


def document_of(answer: httpx.Response) -> Mapping[str, Any]:
    """The answer's JSON object; an empty one where it is none."""
    try:
        document = answer.json()
    except ValueError:
        return {}
    return document if isinstance(document, dict) else {}


def is_final(answer: httpx.Response, document: Mapping[str, Any]) -> bool:
    """Whether the ledger itself has said no, and would say so again."""
    if answer.status_code == HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
        return True  # a proxy in front may say so in its own words: the session is too large either way
    if answer.headers.get("Content-Type", "").partition(";")[0] != PROBLEM:
        return False
    if answer.status_code == HTTPStatus.CONFLICT:
        return any(fault.get("pointer") == "/id" for fault in document.get("errors", []))
    return answer.status_code in ABOUT_THIS_SESSION


def refusal_of(answer: httpx.Response, document: Mapping[str, Any]) -> Refusal:
    """A refusal with every fault in words."""
    detail = document.get("detail") or document.get("title") or answer.reason_phrase
    faults = tuple(fault_in_words(fault) for fault in document.get("errors", []))
    return Refusal(answer.status_code, str(detail), tuple(words for words in faults if words != detail))


def words_of(answer: httpx.Response, document: Mapping[str, Any]) -> str:
    """Why it cannot be now, with the way out."""
    status = answer.status_code
    detail = str(document.get("detail") or answer.reason_phrase or "no words").rstrip(".")
    if lacks_tls(answer, document):
        return (
            f"the ledger is reached over https:// only ({status}): write the address (url) with https://; a token that was "
            "sent in the clear should be revoked"
        )
    if status == HTTPStatus.UNAUTHORIZED:
        return f"the ledger does not know the token: {detail} (401). Set `token` in bay.toml"
    if status == HTTPStatus.FORBIDDEN:
        return f"the token may not post: {detail} (403). Make one with `bayledger token create --scope post`"
    if status in (HTTPStatus.NOT_FOUND, HTTPStatus.METHOD_NOT_ALLOWED) or answer.is_redirect:
        return (
            f"{answer.request.url} is not where a ledger takes sessions ({status}); check the address (url)"
        )
    return f"the ledger cannot take it now: {detail} ({status})"


def seconds_of(retry_after: str | None) -> float | None:
    """A Retry-After in seconds; one given as a date is left to our own patience."""
    try:
        return max(0.0, float(retry_after)) if retry_after else None
    except ValueError:
        return None
