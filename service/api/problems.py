"""Errors on the wire: RFC 9457 throughout, unrouted paths and our own faults included."""

import logging
import uuid
from collections.abc import Iterator, Mapping
from typing import Any

import orjson
from flask import Flask, Response, current_app, g, request
from marshmallow import Schema, fields
from werkzeug.exceptions import HTTPException

from service.api.context import ledger
from service.api.request_log import place_of
from service.domain.errors import Fault, LedgerError, Refused, Unavailable
from service.schemas.base import NO_SUCH_FIELD
from service.schemas.fields import MISSING
from service.store.db import broken_rule
from service.store.readiness import other_schema

log = logging.getLogger("bayledger")
CONTENT_TYPE = "application/problem+json"
TYPE = "about:blank"
NEVER_SHOWN = ("/vin",)
"""Pointers whose value no answer repeats, however they are spelt."""
SHOWN_VALUE = 80
"""A value in an error is cut to this many characters: enough to be recognised."""
RETRY_AFTER_S = 5
"""When to ask again what cannot be done at this moment: a ledger's own database that died is back by then (our choice)."""


class FaultSchema(Schema):
    """One fault at one place."""

    pointer = fields.String(metadata={"description": "RFC 6901 pointer into the body."})
    parameter = fields.String(metadata={"description": "Or the query parameter or header at fault."})
    value = fields.Raw(metadata={"description": "What was sent there, shortened."})
    detail = fields.String(
        required=True, metadata={"description": "What is wrong and the way out, in words."}
    )
    code = fields.String(
        metadata={
            "description": "The check that refused a measurement; else a fault that programs tell by it."
        }
    )


class ProblemSchema(Schema):
    """RFC 9457 problem details."""

    type = fields.String(
        required=True,
        metadata={"description": "What kind of problem; `about:blank` says no more than the title."},
    )
    title = fields.String(required=True, metadata={"description": "The kind of problem in a few words."})
    status = fields.Integer(required=True, metadata={"description": "The HTTP status."})
    detail = fields.String(metadata={"description": "This problem in words, with the way out."})
    instance = fields.String(
        metadata={"description": "For a fault of ours: the id under which it stands in the log."}
    )
    errors = fields.List(
        fields.Nested(FaultSchema), metadata={"description": "Every fault of the request, each at its place."}
    )


def problem(
    status: int, title: str, detail: str, errors: list[dict[str, Any]] | None = None, **more: Any
) -> Response:
    """A problem document as a response."""
    body = {"type": TYPE, "title": title, "status": status, "detail": detail, **more}
    if errors:
        body["errors"] = errors
    return Response(orjson.dumps(body), status=status, content_type=CONTENT_TYPE)


def handle_ledger_error(error: LedgerError) -> Response:
    """What the ledger could not do; what was wrong is counted by its code."""
    g.faults = error.faults
    response = problem(error.status, error.title, error.detail, [fault_document(f) for f in error.faults])
    if error.status == Unavailable.status:
        response.headers["Retry-After"] = str(RETRY_AFTER_S)
    return response


def fault_document(fault: Fault) -> dict[str, Any]:
    """A fault with the value that was sent at its place."""
    place = (
        {"pointer": fault.pointer, **value_at(fault.pointer)}
        if fault.parameter is None
        else asked_place(fault.parameter)
    )
    document: dict[str, Any] = {**place, "detail": fault.detail}
    if fault.code:
        document["code"] = fault.code
    return document


def handle_http_exception(error: HTTPException) -> Response:
    """Werkzeug's errors and webargs' validation errors; their headers (Allow, WWW-Authenticate) are kept."""
    status = error.code or 500
    if status == 413:
        limit = current_app.config["MAX_CONTENT_LENGTH"]
        error.description = f"the body is larger than {limit:,} bytes; send one session at a time"
    if status == 404:
        error.description = f"there is nothing at {request.path}; /v1/docs lists every address"
    if status == 405:
        error.description = (
            f"{request.method} is not possible at {request.path}; the Allow header says what is"
        )
    messages = (getattr(error, "data", None) or {}).get("messages")
    errors = [] if messages is None else list(errors_of(messages))
    kept = "" if request.method in ("GET", "HEAD") else "; nothing was kept"
    detail = f"{len(errors)} fault{'s' if len(errors) != 1 else ''} in the request{kept}" if errors else ""
    title = Refused("").title if status == Refused.status else error.name
    response = problem(status, title, detail or str(error.description or error.name), errors)
    for name, value in error.get_headers():
        if name.lower() not in ("content-type", "content-length"):
            response.headers[name] = value
    return response


def errors_of(messages: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """marshmallow's nested messages, by location, as a flat list of faults."""
    for location, tree in messages.items():
        for path, detail in leaves(tree, ()):
            if location == "json":
                pointer = "".join(f"/{escaped(step)}" for step in path if step != "_schema")
                yield {"pointer": pointer, **value_at(pointer), "detail": plain(detail, JSON_PLAIN)}
            else:
                name = str(path[0]) if path else location
                yield {**asked_place(name, location), "detail": plain(detail, ASKED_PLAIN)}


def asked_place(name: str, location: str = "query") -> dict[str, Any]:
    """A query parameter or header with what was sent in it."""
    sent = request.args.get(name) if location == "query" else request.headers.get(name)
    return {"parameter": name} if sent is None else {"parameter": name, "value": shortened(sent)}


PLAIN = {
    "Missing data for required field.": MISSING,
    "Field may not be null.": "may not be null: leave it out, or give a value",
    "Unknown field.": NO_SUCH_FIELD,
    "Not a valid number.": "not a finite number",
    "Not a valid integer.": "not a whole number",
    "Not a valid string.": "not text; put it in quotes",
    "Not a valid list.": "not a list; put it in [ ]",
    "Not a valid boolean.": "must be true or false",
    "Not a valid UUID.": "not a UUID; write 8-4-4-4-12 hexadecimal digits",
    "Not a valid date.": "not a date; write 2026-03-18",
    "Not a valid mapping type.": "must be a JSON object, in { }",
    "Invalid input type.": "must be a JSON object, in { }",
    "Special numeric values (nan or infinity) are not permitted.": "must be finite",
}


JSON_PLAIN = PLAIN | {
    "Not a valid number.": "not a finite number; send it without quotes",
    "Not a valid integer.": "not a whole number; send it without quotes",
    "Not a valid boolean.": "must be true or false, without quotes",
}
"""In a JSON body quotes make the difference; a query has none."""


ASKED_PLAIN = PLAIN | {
    NO_SUCH_FIELD: "no such parameter here; see /v1/docs for the ones there are",
    "Unknown field.": "no such parameter here; see /v1/docs for the ones there are",
}
"""In an address they are parameters."""


def plain(detail: object, words: Mapping[str, str] = PLAIN) -> str:
    """The library's words in ours, with the way out."""
    return words.get(str(detail), str(detail))


def leaves(tree: Any, path: tuple[Any, ...]) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """Every message of a nested tree with its path."""
    if isinstance(tree, Mapping):
        for key, below in tree.items():
            yield from leaves(below, (*path, key))
    elif isinstance(tree, list):
        for message in tree:
            yield from leaves(message, path)
    else:
        yield path, tree


def escaped(step: object) -> str:
    """One step of a JSON pointer (RFC 6901 section 3)."""
    return str(step).replace("~", "~0").replace("/", "~1")


def value_at(pointer: str) -> dict[str, Any]:
    """`{"value": ...}` with what the request's body holds at a pointer, shortened; {} where it holds nothing."""
    if pointer.lower() in NEVER_SHOWN:
        return {}
    value = g.get("body")
    for step in pointer.split("/")[1:]:
        step = step.replace("~1", "/").replace("~0", "~")
        if isinstance(value, Mapping) and step in value:
            value = value[step]
        elif isinstance(value, list) and step.isdigit() and int(step) < len(value):
            value = value[int(step)]
        else:
            return {}
    return {} if isinstance(value, Mapping | list) else {"value": shortened(value)}


def shortened(value: Any) -> Any:
    """A value short enough to be shown."""
    return value[:SHOWN_VALUE] + "…" if isinstance(value, str) and len(value) > SHOWN_VALUE else value


def handle_any(error: Exception) -> Response:
    """A constraint of the ledger in the user's words; anything else is our fault and stands in the log by its id."""
    known = broken_rule(error) or other_schema(error, ledger().connect)
    if known is not None:
        return handle_ledger_error(known)
    instance = f"urn:uuid:{uuid.uuid4()}"
    told = {"request_id": g.get("request_id"), "instance": instance}
    route, method = place_of(request)
    log.error("fault %s at %s %s", instance, method, route, exc_info=error, extra={"told": told})
    detail = "the fault is ours and is in the log under this instance; nothing was kept"
    return problem(500, "Internal Server Error", detail, instance=instance)


def install(app: Flask) -> None:
    """Answer every error of the app in this one shape."""
    app.register_error_handler(LedgerError, handle_ledger_error)
    app.register_error_handler(HTTPException, handle_http_exception)
    app.register_error_handler(Exception, handle_any)
