"""Bytes to text: which encoding a file was written in, and why we think so."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import Final

from service.tables.errors import Unreadable

MAX_BYTES: Final = 64 * 1024 * 1024  # our choice: a pull of an hour at 100 Hz and 16 columns is half of it
SAMPLE_BYTES: Final = 4096
NUL_SHARE: Final = 0.3  # our choice: plain text in UTF-16 has a zero in nearly every second byte

_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True)
class Decoded:
    """A file's text, the encoding it was read in, and why that one."""

    text: str
    encoding: str
    reason: str


def decode(raw: bytes, encoding: str | None = None) -> Decoded:
    """The text of a file, in the stated encoding or in the one its bytes show.

    A byte-order mark is taken off. Without one: UTF-16 where every second byte is zero, UTF-8 where the bytes are
    valid UTF-8, else Windows-1252 (Latin-1 where that has no such byte). Raises Unreadable.
    """
    if len(raw) > MAX_BYTES:
        raise Unreadable(
            f"the file has {len(raw)} bytes; at most {MAX_BYTES} are read: cut it into single pulls"
        )
    if encoding is not None:
        return _stated(raw, encoding)
    for mark, name in _MARKS:
        if raw.startswith(mark):
            return Decoded(_text(raw[len(mark) :], name), name, f"the file begins with the mark of {name}")
    wide = _wide(raw[:SAMPLE_BYTES])
    if wide:
        return Decoded(_text(raw, wide), wide, f"every second byte is zero, as in {wide}")
    return _narrow(raw)


def _stated(raw: bytes, encoding: str) -> Decoded:
    name = encoding_named(encoding)
    for mark, marked in _MARKS:
        if marked == name and raw.startswith(mark):
            raw = raw[len(mark) :]
    return Decoded(_text(raw, name), name, f"{name} is stated")


def encoding_named(encoding: str) -> str:
    """The usual name of a text encoding; raises Unreadable where there is no such one."""
    try:
        found = codecs.lookup(encoding)
    except (LookupError, ValueError):
        found = None
    if found is None or not getattr(found, "_is_text_encoding", False) or not _decodes(found):
        raise Unreadable(
            f"encoding: {encoding!r} is not known; use utf-8, utf-16-le, utf-16-be, cp1252 or latin-1"
        )
    return {"iso8859-1": "latin-1"}.get(found.name, found.name)


def _decodes(codec: codecs.CodecInfo) -> bool:
    """Whether a codec turns bytes into text here; some are of another system, others turn text into text."""
    try:
        codec.decode(b"")
    except (LookupError, ValueError, TypeError):
        return False
    return True


def _text(raw: bytes, encoding: str) -> str:
    try:
        text = raw.decode(encoding)
    except UnicodeError as error:
        place = getattr(error, "start", 0)
        raise Unreadable(
            f"encoding: {encoding} does not fit the file (byte {place + 1}); leave the encoding out to have it found"
        ) from None
    return text


def _wide(sample: bytes) -> str | None:
    """UTF-16 without a mark: zeros stand at every second place, and on one side only."""
    half = len(sample) // 2
    if half == 0:
        return None
    even, odd = sample[0::2].count(0) / half, sample[1::2].count(0) / half
    if odd > NUL_SHARE and even < NUL_SHARE / 10:
        return "utf-16-le"
    if even > NUL_SHARE and odd < NUL_SHARE / 10:
        return "utf-16-be"
    return None


def _narrow(raw: bytes) -> Decoded:
    if raw.isascii():
        return Decoded(raw.decode("ascii"), "utf-8", "every byte is plain ASCII, which is UTF-8 too")
    for name, reason in (
        ("utf-8", "its bytes are valid UTF-8"),
        ("cp1252", "its bytes are not UTF-8; Windows-1252 is the usual other one"),
    ):
        try:
            return Decoded(raw.decode(name), name, reason)
        except UnicodeDecodeError:
            continue
    return Decoded(
        raw.decode("latin-1"),
        "latin-1",
        "its bytes are neither UTF-8 nor Windows-1252; Latin-1 has every byte",
    )
