"""What is answered where no request could be read, in the form and with the headers of every other answer.

Gunicorn reads heads itself, so that the app never sees one that is none; its own answer is a page without our headers.
"""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from gunicorn.http.errors import (
    ExpectationFailed,
    InvalidResponseHeader,
    InvalidResponseHeaderName,
    LimitRequestHeaders,
    LimitRequestLine,
    ParseException,
    UnsupportedTransferCoding,
)
from gunicorn.util import http_date

from service.bay.addresses import HTTPS_ONLY


class Told(NamedTuple):
    """A problem document's members. The titles are RFC 9110's and RFC 6585's own."""

    status: int
    title: str
    detail: str
    code: str | None = None


OURS: Final = Told(
    500, "Internal Server Error", "the fault is ours and is in the log under this X-Request-Id"
)
NO_REQUEST: Final = Told(
    400, "Bad Request", "the first line or a header is not as HTTP/1.1 wants it (RFC 9112)"
)
NO_TLS: Final = Told(
    403,
    "Forbidden",
    "this ledger is reached over https:// only; a token that was sent here in the clear should be revoked",
    HTTPS_ONLY,
)
TOLD: Final[Mapping[type[BaseException], Told]] = {
    LimitRequestLine: Told(414, "URI Too Long", "the address is too long; send less in it"),
    LimitRequestHeaders: Told(
        431, "Request Header Fields Too Large", "there are too many headers, or one is too long; send less"
    ),
    ExpectationFailed: Told(417, "Expectation Failed", "nothing but 100-continue is met; leave Expect out"),
    UnsupportedTransferCoding: Told(
        501, "Not Implemented", "this transfer coding is not known; leave it out"
    ),
    ParseException: NO_REQUEST,
    ssl.SSLError: NO_REQUEST,  # and it reaches nobody: no TLS was agreed upon
    InvalidResponseHeader: OURS,
    InvalidResponseHeaderName: OURS,
    BaseException: OURS,
}
"""What is said of what gunicorn raises: the nearest kind of error holds."""


def told_of(error: BaseException) -> Told:
    """What to say of an error."""
    if isinstance(error, ssl.SSLError) and error.reason == "HTTP_REQUEST":
        return NO_TLS
    return next(TOLD[kind] for kind in type(error).__mro__ if kind in TOLD)


def answer_of(told: Told, request_id: str) -> bytes:
    """The whole answer, after which the line is closed."""
    from service.api.problems import problem
    from service.api.request_log import ID
    from service.app import add_security_headers

    errors: list[dict[str, Any]] = [{"detail": "asked over http://", "code": told.code}]
    answer = problem(told.status, told.title, told.detail, errors if told.code else None)
    add_security_headers(answer).headers.update({"Date": http_date(), "Connection": "close", ID: request_id})
    return f"HTTP/1.1 {told.status} {told.title}\r\n{answer.headers}".encode("latin-1") + answer.get_data()
