"""Whatever a file of the bay or of an old history holds: a result, or a refusal in our words, never a fault of ours."""

import io
import string
import zipfile
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from service.bay.handed import CannotTake
from service.bay.known import KEYS, NotUnderstood, understood
from service.bay.settings import BayNotSet, read_settings
from service.bay.sidecar import said_beside
from service.domain.errors import Refused
from service.domain.sheet_number import SheetNumber, read_number
from service.domain.vin import LENGTH, check_digit, plain_vin, vin_hash, vin_notes
from service.tables import mapping as mappings
from service.tables.dates import (
    CLOCK_FORMATS,
    DATE_FORMATS,
    dates_like,
    moment_formats,
    moment_in,
    moment_within,
)
from service.tables.errors import BadMapping, TableError
from service.tables.example_mapping import EXAMPLE
from service.tables.pulls import read_file
from service.tables.records import Mapping
from service.tables.text import decode
from service.transfer.errors import TransferError
from service.transfer.history_mapping import read_mapping
from service.transfer.old_records import OldRecord, Reader, Unread
from service.transfer.sheets import opened
from tests.tables.shapes import SHAPES, written
from tests.transfer.old_files import MAPPING, NAMES, row

QUIET = settings(
    max_examples=25, derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck)
)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=80)
DEEP, GREAT, LATE = "[" * 3000, "9" * 5000, "9999-12-31T23:59:59-14:00"
"""Deeper than Python's stack, longer than a number it reads, and past the last day of its calendar."""
TOML = st.one_of(
    TEXTS,
    st.sampled_from([f"a = {DEEP}", f"car = {GREAT}", f"gear = {'1' * 400}", f"started_at = {LATE}", "started_at = 0001-01-01T00:00:00+14:00",
                     "started_at = 0001-01-01", "\ufeffcar = 'a'", "a.b.c = 1\na.b = 2", "gear = inf", "gear = nan", "gear = 1e999"]),
    st.tuples(st.sampled_from(sorted(KEYS)), st.sampled_from(["''", "1", "-1e300", "true", "[]", "[1]", "{}", "{part = 1}", "nan", "2026-03-18",
                                                            "07:30:00", f"{'8' * 400}", "'observed:'", "'sae-j1349:x'", "['a:b:c']"]))
    .map(" = ".join),
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("files")


@QUIET
@given(text=TOML)
@example(f"a = {DEEP}")
@example(f"gear = {GREAT}")
@example(f"gear = {'1' * 400}")
def test_any_sidecar_is_understood_or_refused(folder, text):
    file = folder / "pull.csv"
    (folder / "pull.csv.toml").write_text(text, encoding="utf-8")
    with suppress(CannotTake):
        said = said_beside(file, "us")
        assert set(said) <= set(KEYS)


@QUIET
@given(
    text=TOML.map(lambda text: f'url = "http://a:1"\nbay = "north"\nunits = "si"\n[defaults]\n{text}') | TOML
)
@example(f"cut_short_wait_s = {'1' * 400}")
@example('url = "http://[a"\nbay = "north"\nunits = "si"')
def test_any_settings_of_a_bay_are_read_or_refused(folder, text):
    (folder / "bay.toml").write_text(text, encoding="utf-8")
    with suppress(BayNotSet):
        assert read_settings({"bay_dir": folder}, {}).folder == folder


SAID = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXTS | st.datetimes() | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["part", "slot", "standard", "factor"]), inner, max_size=3),
    max_leaves=5,
)  # fmt: skip


@QUIET
@given(
    said=st.dictionaries(st.sampled_from(sorted(KEYS)), SAID, max_size=4),
    units=st.sampled_from(["si", "us", "ps"]),
)
@example(said={"gear": 10**400}, units="si")
@example(said={"started_at": datetime(1, 1, 1)}, units="si")  # noqa: DTZ001
@example(said={"temperature": 1.7e308}, units="ps")
def test_anything_said_of_a_pull_is_understood_or_refused(said, units):
    with suppress(NotUnderstood):
        assert set(understood(said, "flags", units)) <= set(said)


def read_or_faults(text: str) -> Mapping | tuple[str, ...]:
    """A mapping, or every mistake in it."""
    try:
        return mappings.read(text)
    except BadMapping as error:
        return error.faults


MAPPINGS = st.tuples(
    st.sampled_from(EXAMPLE.splitlines()), TEXTS | st.sampled_from([f"x = {DEEP}", f"first_row = {GREAT}", "first_row = 10000001"])
).map(lambda both: EXAMPLE.replace(*both, 1))  # fmt: skip


@QUIET
@given(text=MAPPINGS | TOML)
@example(EXAMPLE.replace("%d/%m/%Y %H:%M", "%d/%d/%m/%Y"))
@example(EXAMPLE.replace("%d/%m/%Y %H:%M", "%d/%m/%Y %"))
def test_any_mapping_is_read_or_every_mistake_in_it_named(text):
    mapping = read_or_faults(text)
    if isinstance(mapping, tuple):
        assert mapping
        assert all(mapping)
        return
    with suppress(TableError):
        read_file(b"Date: 18/03/2026 14:05\nBarometer: 990\nTime;Engine speed;Torque;Power\n" * 2, mapping)
    assert mappings.read(mappings.written(mapping)) == mapping


FORMS = st.lists(
    st.sampled_from(["%d", "%m", "%b", "%B", "%Y", "%y", "%H", "%M", "%S", "%f", "%p", "%j", "%%", "%", "%Q", ".", " ", "(", "["]), max_size=8
).map("".join)  # fmt: skip


@QUIET
@given(form=FORMS)
@example("%d.%d.%m.%Y")
def test_any_way_to_write_a_date_is_taken_or_refused_in_a_mapping(form):
    with suppress(BadMapping):
        mapping = mappings.read(EXAMPLE.replace("%d/%m/%Y %H:%M", form.replace('"', "")))
        with suppress(TableError):
            read_file(b"Date: 18/03/2026 14:05\n" + written(SHAPES[0]), mapping)


@QUIET
@given(
    at=st.datetimes(datetime(1950, 1, 1), datetime(2068, 12, 31)),  # noqa: DTZ001
    day=st.sampled_from(DATE_FORMATS),
    clock=st.sampled_from(CLOCK_FORMATS),
)
def test_a_moment_written_in_any_known_form_is_read_back_in_it(at, day, clock):
    form = f"{day} {clock}"
    text = at.strftime(form)
    read = moment_in(text, form)
    assert read is not None
    assert read.strftime(form) == text
    assert moment_within(f"Run of {text} in the bay", form) == read


@QUIET
@given(line=TEXTS | st.text(string.digits + ":./- TZapm+", max_size=40))
def test_any_line_holds_dates_or_none(line):
    for one in dates_like(line):
        for form in moment_formats(one):
            assert moment_in(one, form) is not None


@QUIET
@given(raw=st.binary(max_size=60), encoding=st.sampled_from([None, "utf-8", "utf-16", "utf-16-le", "utf-7", "utf-32", "cp1252", "idna", "punycode", "rot13", "hex", "unicode_escape"]))  # fmt: skip
def test_any_bytes_are_text_in_some_encoding_or_refused(raw, encoding):
    with suppress(TableError):
        decode(raw, encoding)


def rows_of(path: Path, text: str) -> Iterator[OldRecord | Unread]:
    """Every row of an old file as its reader takes it."""
    mapping = read_mapping(text)
    with opened(path, mapping) as source:
        reader = Reader(mapping, source.places, lambda slug: None)
        yield from map(reader.read, source.rows)


CELLS = st.one_of(
    TEXTS,
    st.sampled_from(["1e400", "-0", "1.234,5", "30.02.2019", "01.01.0001", "31.12.9999", "24:00", "=1+1", '"', "\n", "\x00", "1" * 400, "nan", "٣"]),
)  # fmt: skip


@QUIET
@given(place=st.integers(0, len(NAMES) - 1), cell=CELLS, mark=st.sampled_from(",;\t"))
def test_an_old_row_spoilt_anywhere_is_a_record_or_says_why_not(folder, place, cell, mark):
    cells = [str(one) for one in row()]
    cells[place] = cell
    path = folder / "old.csv"
    path.write_text(f"{mark.join(NAMES)}\n{mark.join(cells)}\n", encoding="utf-8", newline="")
    typed = {"\t": "\\t"}.get(mark, mark)
    text = MAPPING + f'[file]\nseparator = "{typed}"\ndecimal = ","\n'
    with suppress(TransferError):
        for one in rows_of(path, text):
            assert isinstance(one, OldRecord) or one.faults


@QUIET
@given(
    raw=st.binary(max_size=300),
    encoding=st.sampled_from(["", "utf-16", "utf-8", "utf-7", "utf-16-be", "punycode", "idna"]),
)
@example(raw=b"ab", encoding="utf-16")
def test_any_bytes_are_an_old_file_or_refused(folder, raw, encoding):
    path = folder / "old.csv"
    path.write_bytes(raw)
    said = f'[file]\nencoding = "{encoding}"\n' if encoding else ""
    with suppress(TransferError, BadMapping):
        list(rows_of(path, MAPPING + said))


def workbook() -> bytes:
    """An old spreadsheet as it should be."""
    book, raw = openpyxl.Workbook(), io.BytesIO()
    for cells in (NAMES, row(kw=150.5, nm=290.5), row(date="05.05.2019", kw=151.0)):
        book.active.append(cells)
    book.save(raw)
    return raw.getvalue()


BOOK = workbook()
INSIDE = sorted(zipfile.ZipFile(io.BytesIO(BOOK)).namelist())


def with_member(name: str, start: int, junk: bytes) -> bytes:
    """The spreadsheet with some bytes of one of its members replaced, whole as an archive."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(BOOK)) as old, zipfile.ZipFile(made, "w") as new:
        for each in old.namelist():
            held = old.read(each)
            at = start % max(1, len(held))
            new.writestr(each, held[:at] + junk + held[at + len(junk) :] if each == name else held)
    return made.getvalue()


SPOILT_BOOKS = st.one_of(
    st.binary(max_size=200),
    st.tuples(st.integers(0, len(BOOK)), st.binary(max_size=8)).map(lambda at: BOOK[: at[0]] + at[1] + BOOK[at[0] + len(at[1]) :]),
    st.builds(with_member, st.sampled_from(INSIDE), st.integers(0, 5000), st.sampled_from([b"", b"<", b"&x;", b'"', b"\x00", b"9" * 30, b"/>"])),
)  # fmt: skip


@QUIET
@given(raw=SPOILT_BOOKS)
@example(raw=BOOK)
def test_any_bytes_are_a_spreadsheet_or_refused(folder, raw):
    path = folder / "old.xlsx"
    path.write_bytes(raw)
    with suppress(TransferError):
        for one in rows_of(path, MAPPING):
            assert isinstance(one, OldRecord) or one.faults


@QUIET
@given(text=TOML | MAPPINGS)
@example(f"a = {DEEP}")
@example(f"a = {GREAT}")
@example(MAPPING.replace("%d.%m.%Y", "%d.%d.%m.%Y"))
def test_any_mapping_of_an_old_history_is_read_or_its_mistakes_named(folder, text):
    path = folder / "good.csv"
    path.write_text(f"{','.join(NAMES)}\n" + ",".join(f'"{one}"' for one in row()) + "\n", encoding="utf-8")
    with suppress(BadMapping, TransferError):
        list(rows_of(path, text))


@QUIET
@given(typed=st.text(string.hexdigits + "-oil ", max_size=50) | TEXTS)
def test_any_number_of_a_sheet_is_read_and_written_alike_or_refused(typed):
    with suppress(Refused):
        number = read_number(typed)
        assert read_number(str(number)) == number
        assert isinstance(number, SheetNumber)


@QUIET
@given(vin=TEXTS, blanks=st.lists(st.integers(0, 80), max_size=4))
def test_a_vin_is_the_same_however_it_is_spaced(vin, blanks):
    spaced = vin
    for at in blanks:
        spaced = spaced[:at] + " " + spaced[at:]
    assert vin_hash(spaced, b"key") == vin_hash(vin.lower() if vin.isascii() else vin, b"key")
    assert list(vin_notes(spaced)) == list(vin_notes(plain_vin(vin)))


@QUIET
@given(
    body=st.text("ABCDEFGHJKLMNPRSTUVWXYZ0123456789", min_size=LENGTH, max_size=LENGTH),
    at=st.integers(0, LENGTH - 1),
)
def test_a_vin_with_its_check_digit_is_noted_only_once_a_character_is_another(body, at):
    """49 CFR 565.15(c): the sum is taken modulo 11, so one changed value is always seen where its weight is not 0."""
    body = "1" + body[1:]
    vin = body[:8] + check_digit(body) + body[9:]
    assert list(vin_notes(vin)) == []
    if at not in (0, 8):
        other = vin[:at] + ("1" if vin[at] not in "1AJ" else "2") + vin[at + 1 :]
        assert [note.code for note in vin_notes(other)] == ["vin-check-digit"]
