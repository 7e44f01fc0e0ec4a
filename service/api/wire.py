"""flask-smorest fitted to this service: strict JSON in, problem documents out, names that no Python version changes."""

from collections.abc import Callable
from functools import cache
from http import HTTPStatus
from typing import Any, TypeVar

import orjson
from apispec.ext.marshmallow.common import resolve_schema_cls
from flask import Request, g
from flask_smorest import Api as SmorestApi
from flask_smorest import Blueprint as SmorestBlueprint
from marshmallow import EXCLUDE, RAISE, Schema
from webargs.flaskparser import FlaskParser
from werkzeug.exceptions import BadRequest, LengthRequired, UnsupportedMediaType

from service.answers.cache import Kept
from service.api.problems import ProblemSchema
from service.schemas.base import page_of

View = TypeVar("View", bound=Callable[..., Any])

BYTE_ORDER_MARK = b"\xef\xbb\xbf"
"""Some editors put it before a text; it says nothing about JSON."""
JSON_TYPES = ("application/json", "application/merge-patch+json")
QUERIES_KEPT = 512
"""Query strings kept as they were read (our choice; about 1 kB each)."""


@cache
def schema_made(kind: type[Schema]) -> Schema:
    """One schema of a class for all requests: making it costs more than reading a document with it."""
    return kind()


class Parser(FlaskParser):
    """Reads JSON with orjson, which refuses NaN; refuses what it does not know in bodies and queries."""

    DEFAULT_VALIDATION_STATUS = 422
    DEFAULT_UNKNOWN_BY_LOCATION = {  # noqa: RUF012  (webargs' own way)
        "json": RAISE,
        "query": RAISE,
        "headers": EXCLUDE,
    }

    def __init__(self) -> None:
        super().__init__()
        self._read = Kept(QUERIES_KEPT)

    def parse(
        self, argmap: Any, req: Request | None = None, *, location: str | None = None, **how: Any
    ) -> Any:
        """What was sent, read. A query string that was read before says the same again, and is not read again."""
        asked = self.get_default_request() if req is None else req

        def read() -> Any:
            return super(Parser, self).parse(argmap, asked, location=location, **how)

        if location != "query" or not isinstance(argmap, type):
            return read()
        return dict(self._read.get_or_make((argmap, asked.query_string), read))

    def load_querystring(self, req: Request, schema: Schema) -> Any:
        """The parameters that were sent; those that were not need not be looked for one by one."""
        sent = super().load_querystring(req, schema)
        return {name: sent[name] for name in req.args}

    def load_json(self, req: Request, schema: Any) -> Any:
        """The parsed body, kept for the words of an error and for the idempotency of a repeat."""
        if getattr(schema, "may_be_left_out", False) and not req.get_data(cache=True):
            g.body = {}
            return g.body
        return json_body(req)

    def _get_schema(self, argmap: Any, req: Request) -> Schema:
        """A class's one schema; reading leaves nothing behind in it, so threads may share it."""
        schema: Schema = super()._get_schema(schema_made(argmap) if isinstance(argmap, type) else argmap, req)
        return schema


def json_body(req: Request) -> Any:
    """The body as JSON; 415 for another content type, 400 for what is no JSON."""
    if req.mimetype not in JSON_TYPES:
        sent = req.mimetype or "none"
        raise UnsupportedMediaType(f"the content type is {sent}; send application/json")
    if req.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise UnsupportedMediaType("the body is compressed; send it plain, without Content-Encoding")
    if "Transfer-Encoding" in req.headers:
        raise LengthRequired(
            "send the body with a Content-Length; a body in chunks could be cut off unnoticed"
        )
    raw = req.get_data(cache=True).removeprefix(BYTE_ORDER_MARK)
    if not raw:
        raise BadRequest("the body is empty; send a JSON document")
    try:
        g.body = orjson.loads(raw)
    except orjson.JSONDecodeError as error:
        words = "; NaN and Infinity are not JSON" if b"NaN" in raw or b"Infinity" in raw else ""
        raise BadRequest(f"the body is not JSON: {error}{words}") from None
    return g.body


class Blueprint(SmorestBlueprint):
    """A blueprint that reads through our parser."""

    ARGUMENTS_PARSER = Parser()

    def csv(self, description: str | None = None) -> Callable[[View], View]:
        """The view answers CSV too, where the client asks for it."""
        decorate: Callable[[View], View] = self.alt_response(
            200, schema={"type": "string"}, content_type="text/csv", success=True, description=description
        )
        return decorate

    def page(
        self, document: type[Schema], description: str, *, units: bool = False
    ) -> Callable[[View], View]:
        """The view answers a page of a list: JSON, or CSV where the client asks for it."""

        def decorate(view: View) -> View:
            page: View = self.response(200, page_of(document, units=units), description=description)(
                self.csv(description)(view)
            )
            return page

        return decorate


class Api(SmorestApi):
    """The API document and its errors. Error handlers are ours (`problems.install`), so smorest registers none."""

    ERROR_SCHEMA = ProblemSchema

    def _register_error_handlers(self) -> None:
        """Left to `problems.install`, which also covers paths that no blueprint owns."""

    def _register_responses(self) -> None:
        """Every status by its name, errors as problem documents."""
        content = {"application/problem+json": {"schema": ProblemSchema}}
        for status in HTTPStatus:
            response: dict[str, Any] = {"description": status.phrase}
            if status.value >= 400:
                response["content"] = content
            self.spec.components.response(status.name, response, lazy=True)
        self.spec.components.response(
            "DEFAULT_ERROR", {"description": "What went wrong", "content": content}, lazy=True
        )


def schema_name(schema: Any) -> str:
    """A schema's name in the API document: a document read to be changed is a `...Change`."""
    given = resolve_schema_cls(schema)
    name = (given[0] if isinstance(given, list) else given).__name__
    partial = getattr(schema, "partial", None)
    return name.removesuffix("Document") + "Change" if partial else name.removesuffix("Document")


RENAMED = {"UNPROCESSABLE_ENTITY": "UNPROCESSABLE_CONTENT", "REQUEST_ENTITY_TOO_LARGE": "CONTENT_TOO_LARGE"}
"""Names of statuses that Python 3.13 changed: the document carries the newer ones everywhere."""


HEADERS = {
    "post": (
        "Idempotency-Key",
        False,
        "A key of yours: the same post under it is answered with the first answer.",
    ),
    "patch": (
        "If-Match",
        True,
        "The ETag of the record as you read it; 428 without, or with a weak one, 412 when it is not the newest.",
    ),
    "get": ("If-None-Match", False, "An ETag you have: 304 where nothing has changed."),
}
COMMON_ERRORS = {
    "get": (401, 403, 404, 429),
    "post": (401, 403, 404, 409, 413, 415, 422, 429),
    "patch": (401, 403, 404, 412, 428, 429),
}


def say_headers(method: str, operation: dict[str, Any]) -> None:
    """Write the headers and the common errors of every operation into the document: they are the same everywhere."""
    if method not in HEADERS:
        return
    name, required, words = HEADERS[method]
    header = {
        "in": "header",
        "name": name,
        "required": required,
        "description": words,
        "schema": {"type": "string"},
    }
    operation.setdefault("parameters", []).append(header)
    content = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/ProblemSchema"}}}
    for status in COMMON_ERRORS[method]:
        said = {"description": HTTPStatus(status).phrase, "content": content}
        operation["responses"].setdefault(str(status), said)
    if method == "get":
        operation["responses"].setdefault("304", {"description": HTTPStatus.NOT_MODIFIED.phrase})


def api_document(api: SmorestApi) -> bytes:
    """The OpenAPI document as JSON, the same from every Python version."""
    document = api.spec.to_dict()
    for path in document["paths"].values():
        for method, operation in path.items():
            if isinstance(operation, dict):
                say_headers(method, operation)
    text = orjson.dumps(document, option=orjson.OPT_NON_STR_KEYS | orjson.OPT_INDENT_2).decode()
    for old, new in RENAMED.items():
        text = text.replace(old, new)
    for old, new in (
        ("Unprocessable Entity", "Unprocessable Content"),
        ("Request Entity Too Large", "Content Too Large"),
    ):
        text = text.replace(old, new)
    return text.encode()
