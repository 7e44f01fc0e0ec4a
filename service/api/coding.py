"""Large answers go out compressed to those who take gzip (RFC 9110 section 8.4).

A compressed answer is another representation, so its strong ETag is another too (section 8.8.3): the plain one's with
CODED behind it. On its way back, in If-None-Match or If-Match, it stands for the plain one, so that no view need know of
either.
"""

import gzip
from typing import Final

from flask import Flask, Response, g, request

from service.answers.cache import bytes_of
from service.api.context import ledger

CODED: Final = "-gzip"
SMALLEST: Final = 4_096
"""Answers shorter than this go out as they are [bytes]: they fit in a few packets (our choice)."""
LEVEL: Final = 1
"""Of zlib: 6 takes more than twice as long for a sixth less (our choice)."""
KINDS: Final = ("application/json", "application/problem+json", "text/csv")
CONDITIONS: Final = ("HTTP_IF_NONE_MATCH", "HTTP_IF_MATCH")


def install(app: Flask) -> None:
    """Read and send coded answers in every view of an app."""
    app.before_request(read_plain)
    app.after_request(send_coded)


def read_plain() -> None:
    """Before a request: a compressed answer's ETag is read as the plain one's."""
    for name in CONDITIONS:
        sent = request.environ.get(name, "")
        if CODED in sent:
            g.knows_coded = True
            request.environ[name] = sent.replace(f'{CODED}"', '"')


def send_coded(response: Response) -> Response:
    """After a request: the answer compressed, where it is large and the client takes that."""
    if response.status_code == 304:
        # As with 200, or a cache would forget it (RFC 9110 section 15.4.5).
        response.vary.add("Accept-Encoding")
        if "knows_coded" in g:
            mark_coded(response)
    if response.status_code != 200 or response.is_streamed or response.mimetype not in KINDS:
        return response
    raw = response.get_data()
    if len(raw) < SMALLEST:
        return response
    response.vary.add("Accept-Encoding")
    if request.accept_encodings["gzip"] <= 0:
        return response
    response.set_data(compressed(raw, response.get_etag()[0]))
    response.headers["Content-Encoding"] = "gzip"
    mark_coded(response)
    return response


def compressed(raw: bytes, etag: str | None) -> bytes:
    """An answer compressed; kept under its ETag, which no other content has."""
    if etag is None:
        return gzip.compress(raw, LEVEL, mtime=0)
    return ledger().answers.coded.get_or_make(etag, lambda: gzip.compress(raw, LEVEL, mtime=0), bytes_of)


def mark_coded(response: Response) -> None:
    """Give a response the ETag of the compressed answer."""
    etag, weak = response.get_etag()
    if etag is not None:
        response.set_etag(f"{etag}{CODED}", weak=bool(weak))
