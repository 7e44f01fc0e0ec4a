"""How a view answers: JSON or CSV, ETags, pages, and the first answer again for a repeated post."""

import csv
import hashlib
import hmac
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

import orjson
from flask import Response, request
from werkzeug.exceptions import NotAcceptable

from service.api.context import caller, conn, ledger
from service.domain.errors import Conflict, Fault, PreconditionMissing, Refused, Stale
from service.store import kept_answers
from service.store.db import Connection, transaction_together

JSON = "application/json"
CSV = "text/csv"
READING = ("GET", "HEAD")
CREATED = 201
ORJSON = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What a spreadsheet may take for the beginning of a formula (OWASP, "CSV Injection")."""


def json_response(body: Any, status: int = 200, etag: str | None = None, **headers: str) -> Response:
    """A JSON answer."""
    raw = orjson.dumps(body, option=ORJSON)
    response = Response(raw, status=status, content_type=JSON)
    if etag is not None:
        response.set_etag(content_etag(etag, raw))
    response.headers.update({name.replace("_", "-"): value for name, value in headers.items()})
    return response


def wants_csv() -> bool:
    """Whether the client asks for CSV rather than JSON; 406 where it takes neither."""
    if not request.accept_mimetypes:
        return False
    best = request.accept_mimetypes.best_match([JSON, CSV, "application/problem+json"])
    if best is None:
        raise NotAcceptable("this answers application/json or text/csv; ask for one of them with Accept")
    return best == CSV


def csv_response(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> Response:
    """A CSV answer (RFC 4180), one header row. Cells that a spreadsheet would run as a formula are quoted by a tick."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(header)
    writer.writerows([harmless(cell) for cell in row] for row in rows)
    response = Response(text.getvalue(), content_type="text/csv; charset=utf-8; header=present")
    response.vary.add("Accept")
    return response


def harmless(cell: Any) -> Any:
    """Text that begins like a formula is shown as text in a spreadsheet."""
    return "'" + cell if isinstance(cell, str) and cell[:1] in RISKY else cell


def listed(
    items: Sequence[Mapping[str, Any]],
    *,
    last_key: str | None,
    units: str | None = None,
    columns: Sequence[str] = (),
) -> Response:
    """A page of a list as JSON or CSV. `last_key` is the key of the last item where more may follow."""
    if wants_csv():
        names = list(columns) or (list(items[0]) if items else [])
        response = csv_response(names, [[flat(item.get(name)) for name in names] for item in items])
    else:
        body: dict[str, Any] = {"items": items}
        if units is not None:
            body["units"] = units
        response = json_response(body)
        response.vary.add("Accept")
    if last_key is not None:
        link_next(response, last_key)
    response.add_etag()
    return response


def link_next(response: Response, after: str | int) -> None:
    """Give an answer the address of the page after it (RFC 8288)."""
    query = urlencode({**request.args.to_dict(), "after": after})
    response.headers["Link"] = f'<{request.path}?{query}>; rel="next"'


def unless_known(response: Response) -> Response:
    """After a request: 304 where the client has already what it reads. If-Match is of changes: here it is let be."""
    etag, _ = response.get_etag()
    read = request.method in READING and response.status_code == 200
    if etag is not None and read and is_known(etag):
        response.status_code = 304
    return response


def is_known(etag: str) -> bool:
    """Whether the client has the answer of this ETag, by the weak comparison (RFC 9110 section 13.1.2): a proxy that
    compresses an answer weakens its ETag."""
    return request.if_none_match.contains_weak(etag)


def flat(value: Any) -> Any:
    """A value as one CSV cell."""
    if isinstance(value, list | tuple):
        return " ".join(str(flat(v)) for v in value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return orjson.dumps(value, option=ORJSON).decode()
    return "" if value is None else value


def version_etag(version: int) -> str:
    """The part of a record's ETag that a change is held against."""
    return f"v{version}"


def content_etag(version: str, raw: bytes) -> str:
    """A record's whole ETag: its version, and what is shown of it, which units, settings and other records move too."""
    return f"{version}.{hashlib.sha256(raw).hexdigest()[:16]}"


WEAKENED = (
    'this If-Match names a weak ETag (W/"..."), by which no change can be held: a proxy that compresses answers has made '
    "it of the ledger's own. Let the proxy leave /v1/ as it is, the ledger compresses by itself; or read the record with "
    "Accept-Encoding: identity, then change it"
)


def check_if_match(version: int) -> None:
    """A change must name the version it changes, by the strong comparison (RFC 9110 section 13.1.1): 428 without a
    strong ETag, 412 when it is not the newest."""
    sent = request.if_match
    if not sent:
        raise PreconditionMissing(
            "send If-Match with the ETag of the record you read, so that nobody's change is lost"
        )
    named = {tag.partition(".")[0] for tag in sent.as_set() if tag}  # a lone quote is read as no tag
    if not named and any(sent.as_set(include_weak=True)):
        raise PreconditionMissing(WEAKENED)
    if version_etag(version) not in named and not sent.star_tag:
        raise Stale(f'the record is at "{version_etag(version)}" now; read it again, then change it')


Created = tuple[Any, str, str | None]
"""(body, location, etag) of something just made."""


def created_once(create: Callable[[Connection], Created]) -> Response:
    """Run a creating POST in one transaction; with an Idempotency-Key, its first answer is kept in the same one.

    Same key and same body: the first answer again. Same key, other body: 422. Same key still at work: 409.
    A refused post keeps nothing, so it can be mended and sent again under its key.
    """
    key = request.headers.get("Idempotency-Key")
    connection = conn()
    with transaction_together(connection):
        if key is None:
            body, location, etag = create(connection)
            return created(orjson.dumps(body, option=ORJSON), CREATED, location, etag)
        return first_answer(connection, key, create)


def first_answer(connection: Connection, key: str, create: Callable[[Connection], Created]) -> Response:
    """The kept answer of this key, or the new one, kept."""
    check_key(key)
    who, hashed = str(caller().token_id), request_hash()
    held = kept_answers.hold_key(connection, who, key)
    found = kept_answers.find_answer(connection, who, key)
    if not held():
        words = (
            "a post with this Idempotency-Key is being worked on at this moment; send it again in a second"
        )
        raise Conflict(words)
    kept = found()
    if kept is not None:
        if kept.request_hash != hashed:
            words = "this Idempotency-Key was used with another body; make a new key for a new post"
            raise Refused(words, [Fault("", words, "idempotency-key-reused", "Idempotency-Key")])
        return created(kept.body, kept.status, kept.location, kept.etag, replayed=True)
    body, location, etag = create(connection)
    raw = orjson.dumps(body, option=ORJSON)
    kept_answers.keep_answer(connection, who, key, hashed, CREATED, location, etag, raw)
    return created(raw, CREATED, location, etag)


def no_such_page() -> Refused:
    """What is said of an `after` that no page gave."""
    words = "`after` is not from a `next` link; begin at the first page"
    return Refused(words, [Fault("", words, parameter="after")])


LONGEST_KEY = 255


def check_key(key: str) -> None:
    """A key a header can carry and the ledger can keep."""
    if not 1 <= len(key) <= LONGEST_KEY:
        words = f"Idempotency-Key has {len(key)} characters; between 1 and {LONGEST_KEY}"
        raise Refused(words, [Fault("", words, parameter="Idempotency-Key")])


def request_hash() -> bytes:
    """What makes two requests the same: method, address and body. Keyed, because a body may hold a VIN."""
    head = f"{request.method} {request.full_path}\n".encode()
    return hmac.new(ledger().vin_key, head + request.get_data(cache=True), hashlib.sha256).digest()


def created(
    raw: bytes, status: int, location: str | None, etag: str | None, replayed: bool = False
) -> Response:
    """The response to something made."""
    response = Response(raw, status=status, content_type=JSON)
    if location:
        response.headers["Location"] = location
    if etag:
        response.set_etag(content_etag(etag, raw))
    if replayed:
        response.headers["Idempotency-Replayed"] = "true"
    return response
