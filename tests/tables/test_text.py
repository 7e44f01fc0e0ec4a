"""Which encoding a file is in."""

import codecs

import pytest

from service.tables.errors import Unreadable
from service.tables.text import MAX_BYTES, decode

WORDS = "Drehzahl (1/min);Kühlmittel (°C)\r\n2000;81,5\r\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be", "cp1252"])
def test_an_encoding_is_found_from_the_bytes_alone(encoding):
    decoded = decode(WORDS.encode(encoding))
    assert (decoded.text, decoded.encoding) == (WORDS, encoding)


@pytest.mark.parametrize(
    ("mark", "encoding"),
    [(codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")],
)
def test_a_mark_is_believed_and_taken_off_also_where_the_encoding_is_stated(mark, encoding):
    raw = mark + WORDS.encode(encoding)
    assert decode(raw).text == decode(raw, encoding).text == WORDS
    assert decode(raw).encoding == encoding


def test_bytes_that_windows_1252_does_not_have_are_latin_1():
    assert decode(b"caf\xe9 \x81").encoding == "latin-1"


def test_a_stated_encoding_that_does_not_fit_is_refused_with_the_place():
    with pytest.raises(Unreadable, match=r"utf-8 does not fit the file \(byte 11\)"):
        decode(b"Kuehlmitte\xfc", "utf-8")


@pytest.mark.parametrize("encoding", ["klingon", "base64", "", "x\0"])
def test_an_unknown_encoding_is_refused_with_those_there_are(encoding):
    with pytest.raises(Unreadable, match="use utf-8, utf-16-le"):
        decode(b"1", encoding)


def test_a_file_beyond_all_measure_is_refused_before_it_is_decoded():
    with pytest.raises(Unreadable, match="cut it into single pulls"):
        decode(b" " * (MAX_BYTES + 1))
