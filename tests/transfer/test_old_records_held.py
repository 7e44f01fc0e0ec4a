"""What an old record is taken for at the edges: who is its double, what it says twice, what stands in the files beside it."""

import csv
from datetime import datetime

import openpyxl
import pytest

from service.tables.errors import BadMapping
from service.transfer.history_mapping import read_mapping
from tests.transfer.old_files import COMMA, MAPPING, NAMES, import_file, row, write_csv

AT = "2019-05-04T11:00:00+00:00"
"""Noon in London in May, the time that stands for those not written down."""


@pytest.fixture(autouse=True)
def stoats(stoats_url):
    """The shop of two bays, twelve cars and three parts."""
    return stoats_url


def sessions_of(admin, tag="stoat-1"):
    """Every session of a car, whole, oldest first."""
    listed = admin.get(f"/v1/sessions?vehicle={tag}").json["items"]
    return [admin.get(f"/v1/sessions/{one['id']}").json for one in reversed(listed)]


def fates(done):
    return [one.fate for one in done.fates]


def fed_again_mended(admin, connection, tmp_path, between):
    """Two rows of one strap-down, one of them not readable until it was mended, and what happened meanwhile."""
    path = write_csv(
        tmp_path / "old.csv", [row(), row(date="04.O5.2019", fitted="wide one", kw="156,5", nm="270,5")]
    )
    assert fates(import_file(connection, path)) == ["accepted", "refused"]
    between(sessions_of(admin)[0]["id"])
    path.write_text(path.read_text().replace("O5", "05"))
    return import_file(connection, path)


def test_rows_whose_earlier_import_was_struck_are_no_doubles(admin, connection, tmp_path):
    strike = lambda id: admin.post(f"/v1/sessions/{id}/strike", {"reason": "half of it"})  # noqa: E731
    done = fed_again_mended(admin, connection, tmp_path, strike)
    assert fates(done) == ["accepted", "accepted"], done.words(3)


def test_rows_of_a_car_that_was_merged_since_are_doubles_still(admin, connection, tmp_path):
    merge = lambda _: admin.post("/v1/vehicles/stoat-1/merge", {"into": "stoat-2", "reason": "one car"})  # noqa: E731
    done = fed_again_mended(admin, connection, tmp_path, merge)
    assert fates(done) == ["refused", "refused"]
    assert "of import old already" in done.words(2)


def test_a_record_that_a_bay_posted_itself_is_no_earlier_import(admin, connection, tmp_path):
    peaks = {"power": 150.5, "power_rpm": 5600.0, "torque": 290.5}
    one = {"parts": [], "pulls": [{"peaks": peaks, "basis": "observed"}]}
    body = {"units": "si", "vehicle": "stoat-1", "bay": "north", "started_at": AT, "setups": [one]}
    assert admin.post("/v1/sessions", body).status_code == 201
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row()]))
    assert done.fate(2) in ("accepted", "questioned"), done.words(2)


def test_rows_are_held_back_with_the_first_that_was_refused(connection, tmp_path):
    rows = [row(), row(fitted="wide one", kw="9999,0"), row(fitted="road map", kw="9998,0")]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows))
    assert done.words(2).startswith("held back with row 3,")
    assert done.words(4).startswith("power: ")


def test_a_part_that_is_written_twice_is_fitted_once(admin, connection, tmp_path):
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(fitted="wide one + Wide One")]))
    assert done.fate(2) == "accepted", done.words(2)
    assert sessions_of(admin)[0]["setups"][0]["parts"] == ["wide-pipe"]


def test_the_factor_of_a_row_counts_before_that_of_the_whole_file(admin, connection, tmp_path):
    mapping = COMMA + MAPPING.replace("[every]", '[every]\nbasis = {standard = "din-70020", factor = 1.01}')
    mapping += '[columns.factor]\nname = "factor"\n'
    rows = [(*row(), "1,03"), (*row(car="stoat-2"), "")]
    import_file(connection, write_csv(tmp_path / "old.csv", rows, (*NAMES, "factor")), mapping)
    bases = [sessions_of(admin, tag)[0]["setups"][0]["pulls"][0]["basis"] for tag in ("stoat-1", "stoat-2")]
    assert [one["factor"] for one in bases] == [1.03, 1.01]


def test_a_day_with_an_offset_of_its_own_is_refused_for_the_zone_is_the_mappings(connection, tmp_path):
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(date="2019-05-04T09:00:00+02:00")]))
    assert done.fate(2) == "refused"
    assert "has an offset of its own" in done.words(2)


def test_words_longer_than_a_label_stay_whole_in_the_history(admin, connection, tmp_path):
    mapping = COMMA + MAPPING + '[columns.label]\nname = "Label"\n'
    for length, label in ((200, "x" * 200), (201, None)):
        rows = [(*row(car=f"stoat-{length - 199}"), "x" * length)]
        done = import_file(connection, write_csv(tmp_path / "old.csv", rows, (*NAMES, "Label")), mapping)
        assert done.fate(2) == "accepted", done.words(2)
        session = done.by_row[2].session
        assert admin.get(f"/v1/sessions/{session}").json["setups"][0]["label"] == label
        noted = admin.get(f"/v1/history?about=sessions/{session}/setups/1").json["items"][0]
        assert noted["after"]["label"]["label"] == "x" * length


def test_a_strap_down_began_with_its_earliest_row_wherever_that_stands(admin, connection, tmp_path):
    mapping = COMMA + MAPPING + '[columns.clock]\nname = "Clock"\nformat = "%H:%M"\n'
    rows = [(*row(), "15:30"), (*row(fitted="wide one", kw="156,5"), "14:00"), (*row(kw="150,9"), "16:10")]
    import_file(connection, write_csv(tmp_path / "old.csv", rows, (*NAMES, "Clock")), mapping)
    (session,) = sessions_of(admin)
    assert session["started_at"] == "2019-05-04T13:00:00+00:00"  # 14:00 in London in May
    began = [setup["pulls"][0]["started_at"] for setup in session["setups"]]
    assert began == [f"2019-05-04T{clock}:00+00:00" for clock in ("14:30", "13:00", "15:10")]


def test_what_a_row_says_of_the_air_counts_before_the_header_of_its_curve(admin, connection, tmp_path):
    lines = "\n".join(f"{n},{260 - 12 * ((n - 4200) / 1000) ** 2:.3f}" for n in range(2000, 6501, 25))
    (tmp_path / "one.csv").write_text(f"Air: 31 C,\nBaro: 99.5 kPa,\nrpm,Nm\n{lines}\n")
    (tmp_path / "bay.toml").write_text(
        '[file]\nencoding = "utf-8"\nseparator = ","\ndecimal = "."\nnames_line = 3\nfirst_row = 4\nrows = "rpm"\n'
        '[columns.rpm]\nname = "rpm"\nunit = "rpm"\n[columns.torque]\nname = "Nm"\nunit = "Nm"\n'
        '[header]\ntemperature = {key = "Air", unit = "C"}\npressure = {key = "Baro", unit = "kPa"}\n'
    )
    mapping = COMMA + MAPPING.replace("[columns.notes]", "[columns.curve]")
    mapping += (
        '[columns.temperature]\nname = "air"\nunit = "°C"\n[curves]\nfolder = "."\nmapping = "bay.toml"\n'
    )
    rows = [(*row(notes="one.csv"), "25")]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows, (*NAMES, "air")), mapping)
    assert done.fate(2) in ("accepted", "questioned"), done.words(2)
    ambient = sessions_of(admin)[0]["setups"][0]["pulls"][0]["ambient"]
    assert (ambient["temperature"], ambient["pressure"]) == (25.0, 99.5)


def test_the_names_standing_again_between_the_rows_are_no_row(connection, tmp_path):
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(), NAMES, row(car="stoat-2")]))
    assert [(one.line, one.fate) for one in done.fates] == [(2, "accepted"), (4, "accepted")]


def test_the_encoding_is_that_of_the_whole_file_not_of_its_beginning(admin, connection, tmp_path):
    rows = [row(car=f"stoat-{n}", notes="plain words " * 60) for n in range(1, 9)] + [
        row(car="stoat-9", notes="größer")
    ]
    path = write_csv(tmp_path / "old.csv", rows)
    path.write_bytes(path.read_text(encoding="utf-8").encode("cp1252"))
    assert path.read_bytes()[:4096].isascii()
    done = import_file(connection, path)
    assert fates(done) == ["accepted"] * 9
    noted = admin.get(f"/v1/history?about=sessions/{done.by_row[10].session}/setups/1").json["items"][0]
    assert noted["after"]["label"]["notes"] == "größer"


def test_refused_rows_of_a_spreadsheet_are_written_with_the_marks_of_the_mapping(connection, tmp_path):
    book = openpyxl.Workbook()
    book.active.append(NAMES)
    day = datetime(2019, 5, 4)  # noqa: DTZ001 - a spreadsheet's dates have no zone
    book.active.append([day, "", "stoat-99", "north", "stock", 150.5, 5600, 260.25, 3, ""])
    book.save(tmp_path / "old.xlsx")
    done = import_file(connection, tmp_path / "old.xlsx")
    text = done.errors.read_text(encoding="utf-8")
    cells = list(csv.reader(text.splitlines(), delimiter=";"))[1]
    assert (cells[5:9], cells[0]) == (["150,5", "5600", "260,25", "3"], "2019-05-04")
    done.errors.write_text(text.replace("stoat-99", "stoat-1"), encoding="utf-8")
    assert fates(import_file(connection, done.errors)) == ["accepted"]


def test_the_oldest_day_is_posted_first_whatever_the_order_of_the_rows(connection, tmp_path):
    rows = [
        row(date="06.05.2019"),
        row(date="04.05.2018", car="stoat-2"),
        row(date="05.05.2019", car="stoat-3"),
    ]
    import_file(connection, write_csv(tmp_path / "old.csv", rows))
    kept = connection.execute(
        "SELECT extract(year FROM started_at)::integer, extract(day FROM started_at)::integer FROM session "
        "WHERE posted_by = 'import old' ORDER BY session_id"
    ).fetchall()
    assert kept == [(2018, 4), (2019, 5), (2019, 6)]


def test_no_refused_row_is_run_by_a_spreadsheet_and_what_it_said_is_read_again(admin, connection, tmp_path):
    rows = [row(kw="15O,5", notes="=1+1", customer="+44 20 7946 0000")]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows))
    text = done.errors.read_text(encoding="utf-8")
    cells = list(csv.reader(text.splitlines(), delimiter=";"))[1]
    assert (cells[9], cells[1]) == ("'=1+1", "'+44 20 7946 0000")
    done.errors.write_text(text.replace("15O,5", "150,5"), encoding="utf-8")
    fed = import_file(connection, done.errors)
    noted = admin.get(f"/v1/history?about=sessions/{fed.by_row[2].session}/setups/1").json["items"][0]
    assert noted["after"]["label"]["notes"] == "=1+1"


@pytest.mark.parametrize(
    ("left_out", "words"),
    [
        ('unit = "kW"\n', "columns.power.unit is missing: one of"),
        ('parts_known = "complete"\n', "every.parts_known is missing: how much the old lists tell"),
        ('clock = "12:00"\n', "every.clock is missing"),
    ],
)
def test_what_only_a_person_can_say_is_asked_for(left_out, words):
    with pytest.raises(BadMapping) as told:
        read_mapping((COMMA + MAPPING).replace(left_out, ""))
    assert words in "\n".join(told.value.faults)
