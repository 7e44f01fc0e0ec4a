"""Spreadsheets made to do harm when old history is imported: packed bombs, entities, torn files."""

import io
import os
import subprocess
import sys
import tracemalloc
import zipfile
from pathlib import Path
from resource import RLIMIT_AS, setrlimit

import openpyxl
import pytest

from service.transfer.errors import TransferError
from service.transfer.history_mapping import OldFile
from service.transfer.sheets import MOST_PACKED, SMALL, _all_rows
from tests.setup.check import ROOT

SHEET = "xl/worksheets/sheet1.xml"
STRINGS = "xl/sharedStrings.xml"
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
TYPES = "[Content_Types].xml"
OF_STRINGS = (
    b'<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.openxmlformats-officedocument.'
    b'spreadsheetml.sharedStrings+xml"/>'
)


@pytest.fixture
def good(tmp_path: Path) -> Path:
    """A small spreadsheet as a person saves it."""
    book = openpyxl.Workbook()
    for row in (["car", "power"], ["car-a", 120.5], ["car-b", 131.0]):
        book.active.append(row)
    path = tmp_path / "good.xlsx"
    book.save(path)
    return path


def rows_of(path: Path) -> list[tuple[object, ...]]:
    with _all_rows(path, OldFile()) as rows:
        return list(rows)


def read_or_refused(path: Path) -> bool:
    """Whether a file is read as what little it holds, or refused in our words."""
    try:
        return len(rows_of(path)) <= 3
    except TransferError as error:
        return "save it anew as .xlsx" in str(error) or "file.sheet" in str(error)


def with_part(good: Path, name: str, content: bytes) -> Path:
    """The same file with one part of it changed."""
    made = good.with_name("made.xlsx")
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.namelist():
            if entry != name:
                new.writestr(entry, old.read(entry))
        new.writestr(name, content)
    return made


def sheet(rows: str, before: str = "") -> bytes:
    return f'<?xml version="1.0"?>{before}<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData></worksheet>'.encode()


def test_a_good_one_is_read(good):
    assert rows_of(good) == [("car", "power"), ("car-a", 120.5), ("car-b", 131)]


@pytest.mark.parametrize("part", [SHEET, STRINGS])
def test_a_part_that_unpacks_a_thousandfold_is_refused_before_it_is_unpacked(good, part):
    bomb = with_part(good, part, b"<a>" + b" " * (SMALL * 2) + b"</a>")
    tracemalloc.start()
    with pytest.raises(TransferError, match=r"unpacks to 33,554,439 bytes from [\d,]+, which rows do not"):
        rows_of(bomb)
    assert tracemalloc.get_traced_memory()[1] < SMALL
    tracemalloc.stop()


def test_a_file_that_unpacks_to_more_than_any_shops_is_refused(good, monkeypatch):
    monkeypatch.setattr("service.transfer.sheets.MOST_UNPACKED", 2_000)
    with pytest.raises(TransferError, match="at most 2,000: split it, or save it as"):
        rows_of(good)


def test_a_part_that_lies_about_its_size_is_not_unpacked_further(good):
    """Both headers of the part say 64 bytes; the stream behind them holds millions."""
    bomb = with_part(good, SHEET, sheet("<row><c><v>1</v></c></row>" * 100_000))
    raw = bytearray(bomb.read_bytes())
    size = len(sheet("<row><c><v>1</v></c></row>" * 100_000)).to_bytes(4, "little")
    assert raw.count(size) == 2
    bomb.write_bytes(raw.replace(size, (64).to_bytes(4, "little")))
    with pytest.raises(TransferError, match="no spreadsheet that can be read"):
        rows_of(bomb)


READ_PLAIN = """
import sys
from openpyxl.xml import DEFUSEDXML
from service.transfer.errors import TransferError
from service.transfer.history_mapping import OldFile
from service.transfer.sheets import _all_rows
from pathlib import Path
assert not DEFUSEDXML
for path in sys.argv[1:]:
    try:
        with _all_rows(Path(path), OldFile()) as rows:
            print("read", len(repr(list(rows))))
    except TransferError as error:
        print("refused", error)
"""
"""As a shop has it: defusedxml comes with the tools of who changes this program, and openpyxl uses it where it is there."""


def with_shared_strings(good: Path, content: bytes) -> Path:
    """The same file, its texts kept aside in a part of their own."""
    with zipfile.ZipFile(good) as zipped:
        types = zipped.read(TYPES)
    named = with_part(good, TYPES, types.replace(b"</Types>", OF_STRINGS + b"</Types>"))
    return with_part(named.rename(good.with_name("named.xlsx")), STRINGS, content)


def test_entities_that_multiply_are_refused_at_once(good, tmp_path):
    """Ten levels of ten, "billion laughs" (CWE-776); a process that unfolded them would need gigabytes."""
    levels = ['<!ENTITY a0 "ha">'] + [f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10)]
    dtd = f"<!DOCTYPE worksheet [{''.join(levels)}]>"
    rows = sheet('<row r="1"><c t="inlineStr"><is><t>&a9;</t></is></c></row>', dtd)
    texts = f'<?xml version="1.0"?>{dtd}<sst xmlns="{MAIN}"><si><t>&a9;</t></si></sst>'.encode()
    bombs = [
        with_part(good, SHEET, rows).rename(tmp_path / "rows.xlsx"),
        with_shared_strings(good, texts).rename(tmp_path / "texts.xlsx"),
    ]
    for bomb in bombs:
        with pytest.raises(TransferError, match="no spreadsheet that can be read"):
            rows_of(bomb)
    plain = {**os.environ, "OPENPYXL_DEFUSEDXML": "False", "PYTHONPATH": str(ROOT)}
    words = [sys.executable, "-c", READ_PLAIN, *map(str, bombs)]
    ran = subprocess.run(
        words,
        env=plain,
        capture_output=True,
        text=True,
        timeout=60,
        preexec_fn=lambda: setrlimit(RLIMIT_AS, (4 << 30,) * 2),
    )
    assert [line.split()[0] for line in ran.stdout.splitlines()] == ["refused", "refused"], (
        ran.stderr + ran.stdout
    )


def test_texts_kept_aside_are_read(good):
    texts = f'<?xml version="1.0"?><sst xmlns="{MAIN}"><si><t>aside</t></si></sst>'.encode()
    made = with_shared_strings(good, texts)
    row = sheet('<row r="1"><c r="A1" t="s"><v>0</v></c></row>')
    assert rows_of(with_part(made.rename(good.with_name("aside.xlsx")), SHEET, row)) == [("aside",)]


def test_an_entity_from_a_file_is_not_fetched(good, tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("the-shops-secret")
    dtd = f'<!DOCTYPE worksheet [<!ENTITY x SYSTEM "{secret.as_uri()}">]>'
    made = with_part(good, SHEET, sheet('<row r="1"><c t="inlineStr"><is><t>&x;</t></is></c></row>', dtd))
    try:
        said = repr(rows_of(made))
    except TransferError as error:
        said = str(error)
    assert "the-shops-secret" not in said


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_a_torn_file_is_refused_in_words(good, share):
    whole = good.read_bytes()
    good.write_bytes(whole[: int(len(whole) * share)])
    with pytest.raises(TransferError, match="no spreadsheet that can be read"):
        rows_of(good)


@pytest.mark.parametrize("part", [SHEET, STRINGS, "xl/workbook.xml", "[Content_Types].xml"])
@pytest.mark.parametrize("content", [b"", b"<", b"<a/>", b"\xff\xfe", b"\x00" * 100])
def test_a_part_that_is_something_else_is_refused_or_read_as_empty(good, part, content):
    assert read_or_refused(with_part(good, part, content))


def test_rows_as_a_shop_has_them_are_far_from_the_limit(tmp_path):
    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet()
    for n in range(5_000):
        page.append([f"car-{n % 90}", "2026-03-18", "north", 120.0 + n % 7, 4_500, "stock", None])
    packed = io.BytesIO()
    book.save(packed)
    with zipfile.ZipFile(packed) as zipped:
        parts = zipped.infolist()
    assert max(part.file_size / part.compress_size for part in parts) < MOST_PACKED / 4
