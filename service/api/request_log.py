"""One line in the log for each answer, and an id by which a request is found there again.

A line names the address as the address map spells it and never what was sent: no token, no tag, no query. What answers
with a fault of ours is said at any level; what is well and asked every few seconds only at `debug`.
"""

import logging
import re
from time import perf_counter
from typing import Any, Final
from uuid import uuid4

from flask import Flask, Request, Response, g, request

from service.domain.resources import Caller

log = logging.getLogger("bayledger.access")

ID: Final = "X-Request-Id"
CLEAN: Final = re.compile(r"[A-Za-z0-9._-]{1,64}")
"""A caller's own id is taken where it reads so (our choice): it goes into our log and back into its."""
NO_ROUTE: Final = "none"
POSTING: Final = "sessions.add_session"
ASKED_ALL_DAY: Final = frozenset({"/metrics", "/v1/health", "/v1/ready"})


def install(app: Flask) -> None:
    """Log every answer of an app. First of all that looks at requests, so that it sees each answer as it leaves."""
    app.before_request(begins)
    app.after_request(ends)


def begins() -> None:
    """A request has come."""
    g.began = perf_counter()
    sent = request.headers.get(ID, "")
    g.request_id = sent if CLEAN.fullmatch(sent) else uuid4().hex


def ends(response: Response) -> Response:
    """Its answer is made."""
    response.headers[ID] = g.request_id
    route, method = place_of(request)
    level = level_of(route, response.status_code)
    if log.isEnabledFor(level):
        told = told_of(route, method, response.status_code)
        log.log(level, "%s %s %s", method, route, response.status_code, extra={"told": told})
    return response


def place_of(asked: Request) -> tuple[str, str]:
    """(route, method) of a request as the address map spells them; whoever asks may invent others."""
    rule = asked.url_rule
    return (NO_ROUTE, NO_ROUTE) if rule is None else (rule.rule, asked.method)


def level_of(route: str, status: int) -> int:
    """How loudly an answer is said."""
    if status >= 500:
        return logging.ERROR
    return logging.DEBUG if route in ASKED_ALL_DAY and status < 400 else logging.INFO


def told_of(route: str, method: str, status: int) -> dict[str, Any]:
    """What the line says; None where it is not known."""
    caller: Caller | None = g.get("caller")
    return {
        "request_id": g.request_id,
        "method": method,
        "route": route,
        "status": status,
        "duration_ms": round((perf_counter() - g.began) * 1e3, 1),
        "caller": None if caller is None else caller.name,
        "token": None if caller is None else caller.token_id or None,
        "bay": bay_of(caller, status),
    }


def bay_of(caller: Caller | None, status: int) -> str | None:
    """The bay whose token asks, or whose session another token has posted."""
    if caller is not None and caller.bay is not None:
        return caller.bay
    bay: str | None = g.body["bay"] if request.endpoint == POSTING and status < 400 else None
    return bay
