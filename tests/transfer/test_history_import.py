"""Old records from spreadsheets: what is kept of them, and what becomes of every row (TRADE: old paper records)."""

import csv
import json
import re
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from service.tables.errors import BadMapping
from service.transfer.errors import TransferError
from service.transfer.example_mapping import EXAMPLE
from service.transfer.history_mapping import COLUMNS, read_mapping
from tests.transfer.old_files import COMMA, MAPPING, NAMES, import_file, row, write_csv

pytestmark = pytest.mark.usefixtures("stoats")


@pytest.fixture
def stoats(stoats_url):
    """The shop of two bays, twelve cars and three parts."""
    return stoats_url


def sessions_of(admin, tag="stoat-1"):
    """Every session of a car, whole, oldest first."""
    listed = admin.get(f"/v1/sessions?vehicle={tag}").json["items"]
    return [admin.get(f"/v1/sessions/{one['id']}").json for one in reversed(listed)]


def test_rows_of_one_car_bay_and_day_are_one_session_with_setups_in_their_order(admin, connection, tmp_path):
    rows = [
        row(fitted="stock"),
        row(car="stoat-2"),
        row(fitted="wide one", kw="156,5"),
        row(date="05.05.2019"),
    ]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows))
    assert [one.fate for one in done.fates] == ["accepted"] * 4
    first, next_day = sessions_of(admin)
    assert [setup["parts"] for setup in first["setups"]] == [[], ["wide-pipe"]]
    assert [setup["label"] for setup in first["setups"]] == ["stock", "wide one"]
    assert done.by_row[2].session == done.by_row[4].session == first["id"] != next_day["id"]
    assert first["started_at"] == "2019-05-04T11:00:00+00:00"  # noon in London in May is 11:00 UTC


def test_what_was_not_written_stays_unknown(admin, connection, tmp_path):
    import_file(connection, write_csv(tmp_path / "old.csv", [row(fitted="", rpm="", nm="", best_of="")]))
    (session,) = sessions_of(admin)
    setup = session["setups"][0]
    pull = setup["pulls"][0]
    assert (setup["parts"], setup["parts_known"], setup["stock_checked"]) == ([], "unknown", "unknown")
    assert pull["best_of"] is None
    assert pull["basis"] == {"standard": "unknown", "factor": None}
    assert pull["as_posted"] == {
        "peak_power": 150.5,
        "peak_power_rpm": None,
        "peak_torque": None,
        "peak_torque_rpm": None,
    }
    assert {session[name] for name in ("operator", "gear", "ratio", "tyre_size", "sequence")} == {None}
    assert pull["started_at"] is None


def test_how_many_pulls_a_record_is_the_best_of_is_taken_from_its_column_or_from_the_mapping(
    admin, connection, tmp_path
):
    rows = [row(best_of="4"), row(best_of="", car="stoat-2")]
    asked = COMMA + MAPPING.replace("[every]", "[every]\nbest_of = 2")
    import_file(connection, write_csv(tmp_path / "old.csv", rows), asked)
    best = [sessions_of(admin, tag)[0]["setups"][0]["pulls"][0]["best_of"] for tag in ("stoat-1", "stoat-2")]
    assert best == [4, 2]


def test_a_same_day_pair_on_paper_is_a_pair_of_peaks_only(admin, connection, tmp_path):
    rows = [row(kw="150,0"), row(fitted="wide one", kw="156,0")]
    import_file(connection, write_csv(tmp_path / "old.csv", rows))
    (pair,) = sessions_of(admin)[0]["pairs"]
    assert (pair["part"], pair["match"]) == ("wide-pipe", "peaks-only")


def test_figures_come_in_by_the_unit_that_the_mapping_says(admin, connection, tmp_path):
    in_horsepower = COMMA + MAPPING.replace('unit = "kW"', 'unit = "hp"')
    import_file(
        connection,
        write_csv(tmp_path / "old.csv", [row(kw="1.000,5".replace(".", ""), nm="")]),
        in_horsepower,
    )
    kept = connection.execute("SELECT posted_power_kw FROM pull ORDER BY pull_id DESC LIMIT 1").fetchone()[0]
    # one horsepower is 550 ft.lbf/s = 0.745 699 871 582 270 22 kW (NIST SP 811, B.8)
    assert kept == pytest.approx(1000.5 * 0.74569987158227022, rel=1e-12)


def test_an_unknown_part_is_refused_with_the_nearest_and_holds_its_session_back(admin, connection, tmp_path):
    rows = [row(), row(fitted="wide pip"), row(car="stoat-2")]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows))
    assert (done.fate(2), done.fate(3), done.fate(4)) == ("refused", "refused", "accepted")
    assert "'wide pip' is not in [parts]" in done.words(3)
    assert "wide-pipe" in done.words(3)
    assert done.words(2) == "held back with row 3, which is of the same car, bay and day and was refused"


def test_one_refused_row_holds_back_the_others_of_its_strap_down(admin, connection, tmp_path):
    rows = [row(), row(fitted="wide one", kw="9999,0"), row(car="stoat-2")]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows))
    assert (done.fate(2), done.fate(3), done.fate(4)) == ("refused", "refused", "accepted")
    assert done.words(2) == "held back with row 3, which is of the same car, bay and day and was refused"
    assert done.words(3).startswith("power: ")
    assert sessions_of(admin) == []


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"car": "stoat-99"}, "stoat-9"),
        ({"bay": "nroth"}, "north"),
        ({"kw": "150.5"}, "power: '150.5' is no figure written with ','"),
        ({"kw": "", "nm": ""}, "neither power nor torque"),
        ({"date": "2019-31-12"}, "date: '2019-31-12' is not written as %d.%m.%Y"),
        ({"date": ""}, "date: nothing is there"),
        ({"car": ""}, "no car is named"),
        ({"best_of": "2,5"}, "best_of: 2.5 must be a whole number"),
        ({"best_of": "99"}, "best_of: must lie between 1 and 20"),
        ({"date": "04.05.2049"}, "2049"),
    ],
)
def test_a_row_that_cannot_be_taken_says_what_is_wrong_and_the_way_out(connection, tmp_path, changed, words):
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(**changed)]))
    assert done.fate(2) == "refused"
    assert words in done.words(2)


def test_rows_that_contradict_each_other_about_one_strap_down_are_refused(connection, tmp_path):
    mapping = COMMA + MAPPING + '[columns.gear]\nname = "Notes"\n'
    mapping = mapping.replace('[columns.notes]\nname = "Notes"\n', "")
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(notes="4"), row(notes="5")]), mapping)
    assert done.fate(2) == done.fate(3) == "refused"
    assert (
        "gear: rows of one car, bay and day are one strap-down, but it is 4 in row 2, 5 in row 3"
        in done.words(2)
    )


def test_a_doubtful_row_is_kept_and_questioned_with_the_words_of_the_check(admin, connection, tmp_path):
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(), row(bay="hub", kw="149,5")]))
    assert (done.fate(2), done.fate(3)) == ("accepted", "questioned")
    assert done.words(3).startswith("car-in-two-bays: stoat-1 also starts in bay north")
    session = admin.get(f"/v1/sessions/{done.by_row[3].session}").json
    assert next(one["message"] for one in session["checks"] if one["level"] == "doubtful") in done.words(3)


def test_a_dry_run_says_the_same_fates_and_keeps_nothing(admin, connection, tmp_path):
    rows = [row(), row(car="stoat-99"), row(fitted="wide one", kw="156,5"), row(car="stoat-2", kw="x")]
    path = write_csv(tmp_path / "old.csv", rows)
    before = connection.execute("SELECT count(*), (SELECT count(*) FROM history) FROM session").fetchone()
    tried = import_file(connection, path, dry_run=True)
    assert (
        connection.execute("SELECT count(*), (SELECT count(*) FROM history) FROM session").fetchone()
        == before
    )
    assert tried.fates == import_file(connection, path).fates
    assert [one.fate for one in tried.fates] == ["accepted", "refused", "accepted", "refused"]


def test_the_same_file_again_doubles_nothing(admin, connection, tmp_path):
    path = write_csv(tmp_path / "old.csv", [row(), row(car="stoat-2")])
    first, again = import_file(connection, path), import_file(connection, path)
    assert [one.fate for one in again.fates] == ["kept before"] * 2
    assert [one.session for one in again.fates] == [one.session for one in first.fates]
    assert len(sessions_of(admin)) == 1


def test_refused_rows_come_out_in_the_shape_of_the_file_and_can_be_mended_and_fed_again(
    admin, connection, tmp_path
):
    rows = [row(car="stoat-3"), row(kw="15O,5", notes="-2 of oil"), row(fitted="wide one", kw="156,5")]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows))
    text = done.errors.read_text(encoding="utf-8")
    listed = list(csv.reader(text.splitlines(), delimiter=";"))
    assert listed[0] == [*NAMES, "reason it was not taken"]
    assert [line[5] for line in listed[1:]] == ["15O,5", "156,5"]
    assert listed[1][-1].startswith("power: '15O,5' is no figure")
    assert listed[2][-1].startswith("held back with row 3")
    done.errors.write_text(text.replace("15O,5", "150,5"), encoding="utf-8")
    fed = import_file(connection, done.errors)
    assert [one.fate for one in fed.fates] == ["accepted", "accepted"]
    words = connection.execute(
        "SELECT after -> 'label' ->> 'notes' FROM history WHERE after ->> 'file' = %s", (done.errors.name,)
    )
    assert words.fetchall() == [("-2 of oil",), (None,)]


def test_a_file_mended_in_its_place_and_fed_again_whole_doubles_nothing(admin, connection, tmp_path):
    rows = [row(), row(date="04.O5.2019", fitted="wide one", kw="156,5"), row(date="06.05.2019")]
    path = write_csv(tmp_path / "old.csv", rows)
    assert [one.fate for one in import_file(connection, path).fates] == ["accepted", "refused", "accepted"]
    path.write_text(path.read_text().replace("O5", "05"))
    again = import_file(connection, path)
    assert [one.fate for one in again.fates] == ["refused", "refused", "kept before"]
    assert "of import old already: feed the refused rows alone, or strike that session first" in again.words(
        2
    )
    assert again.words(3).startswith("held back with row 2")
    assert len(sessions_of(admin)) == 2


def test_a_file_without_refused_rows_leaves_no_file_of_them(connection, tmp_path):
    assert not import_file(connection, write_csv(tmp_path / "old.csv", [row()])).errors.exists()


def test_every_row_stands_in_the_list_of_fates(connection, tmp_path):
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(), row(car="=1+1")]))
    with done.listed.open(newline="", encoding="utf-8") as file:
        first, second = csv.DictReader(file)
    assert (first["row"], first["fate"], first["vehicle"], first["day"]) == (
        "2",
        "accepted",
        "stoat-1",
        "2019-05-04",
    )
    assert second["vehicle"] == "'=1+1"  # not run by a spreadsheet
    assert second["fate"] == "refused"


def test_a_spreadsheet_gives_the_same_sessions_as_the_same_rows_in_text(admin, connection, tmp_path):
    rows = [row(), row(fitted="wide one", kw="156,5", best_of="")]
    in_text = import_file(connection, write_csv(tmp_path / "old.csv", rows))
    book = openpyxl.Workbook()
    book.active.append(NAMES)
    for one in rows:
        cells = list(one)
        cells[0] = datetime(2019, 5, 4)  # noqa: DTZ001 - a spreadsheet's dates have no zone
        cells[5:8] = [float(str(cell).replace(",", ".")) for cell in cells[5:8]]
        cells[8] = int(cells[8]) if cells[8] else None
        book.active.append(cells)
    book.save(tmp_path / "old.xlsx")
    from_sheet = import_file(connection, tmp_path / "old.xlsx")
    assert [one.fate for one in from_sheet.fates] == ["kept before"] * 2
    assert [one.session for one in from_sheet.fates] == [one.session for one in in_text.fates]


@pytest.mark.parametrize("sheet", ["2", '"old ones"'])
def test_a_sheet_is_named_or_counted_from_one(admin, connection, tmp_path, sheet):
    book = openpyxl.Workbook()
    book.active.append(["what this book is"])
    old = book.create_sheet("old ones")
    for cells in (NAMES, row()):
        old.append(cells)
    book.create_sheet("later").append(["nothing yet"])
    book.save(tmp_path / "old.xlsx")
    mapping = COMMA.replace("[file]\n", f"[file]\nsheet = {sheet}\n", 1) + MAPPING
    assert f"sheet = {sheet}" in mapping
    done = import_file(connection, tmp_path / "old.xlsx", mapping)
    assert [one.fate for one in done.fates] == ["accepted"]


def test_a_day_written_with_a_time_of_twelve_hours_keeps_that_time(admin, connection, tmp_path):
    mapping = COMMA + MAPPING.replace('"%d.%m.%Y"', '"%d.%m.%Y %I:%M %p"')
    done = import_file(
        connection, write_csv(tmp_path / "old.csv", [row(date="04.05.2019 03:30 PM")]), mapping
    )
    kept = admin.get(f"/v1/sessions/{done.fates[0].session}").json
    assert kept["started_at"] == "2019-05-04T14:30:00+00:00"  # in London's summer


def test_a_row_is_kept_as_it_was_typed_but_for_columns_that_nobody_named(admin, connection, tmp_path):
    done = import_file(
        connection, write_csv(tmp_path / "old.csv", [row(fitted="Wide ONE", notes="felt strong")])
    )
    entries = admin.get(f"/v1/history?about=sessions/{done.by_row[2].session}/setups/1").json["items"]
    (after,) = [one["after"] for one in entries if one["action"] == "imported"]
    assert (after["file"], after["row"]) == ("old.csv", 2)
    assert after["label"]["parts"] == "Wide ONE"
    assert after["label"]["notes"] == "felt strong"
    assert "A Name" not in json.dumps(after)


def test_what_was_typed_goes_with_the_identity_of_an_erased_car(connection, tmp_path):
    done = import_file(connection, write_csv(tmp_path / "old.csv", [row(notes="of a friend")]))
    about = f"sessions/{done.by_row[2].session}/setups/1"
    connection.execute(
        "SELECT erase_vehicle(vehicle_id, 'erased-0123456789ab') FROM vehicle WHERE tag = 'stoat-1'"
    )
    after = connection.execute("SELECT after FROM history WHERE about = %s", (about,)).fetchone()[0]
    assert after == {"file": "old.csv", "row": 2}


def test_rows_that_follow_each_other_in_one_state_can_be_the_pulls_of_one_setup(admin, connection, tmp_path):
    rows = [row(kw="150,5"), row(kw="151,5"), row(fitted="wide one"), row(kw="150,9")]
    import_file(connection, write_csv(tmp_path / "old.csv", rows), COMMA + 'rows = "pulls"\n' + MAPPING)
    (session,) = sessions_of(admin)
    assert [len(setup["pulls"]) for setup in session["setups"]] == [2, 1, 1]


def test_a_row_may_name_the_file_of_its_curve(admin, connection, tmp_path):
    speeds = range(2000, 6501, 25)
    lines = "\n".join(f"{n},{260 - 12 * ((n - 4200) / 1000) ** 2:.3f}" for n in speeds)
    (tmp_path / "pulls").mkdir()
    (tmp_path / "pulls" / "one.csv").write_text(f"rpm,Nm\n{lines}\n")
    (tmp_path / "bay.toml").write_text(
        '[file]\nencoding = "utf-8"\nseparator = ","\ndecimal = "."\nnames_line = 1\nfirst_row = 2\nrows = "rpm"\n'
        '[columns.rpm]\nname = "rpm"\nunit = "rpm"\n[columns.torque]\nname = "Nm"\nunit = "Nm"\n'
    )
    mapping = COMMA + MAPPING.replace("[columns.notes]", "[columns.curve]")
    mapping += '[curves]\nfolder = "pulls"\nmapping = "bay.toml"\n'
    rows = [
        row(notes="one.csv"),
        row(car="stoat-2"),
        row(car="stoat-3", notes="two.csv"),
        row(car="stoat-4", notes="../bay.toml"),
    ]
    done = import_file(connection, write_csv(tmp_path / "old.csv", rows), mapping)
    assert [one.fate for one in done.fates if one.line != 2] == ["accepted", "refused", "refused"]
    assert "'two.csv' cannot be read" in done.words(4)
    assert "leads out of" in done.words(5)
    (session,) = sessions_of(admin)
    assert session["setups"][0]["summary"]["peak_torque"]["mean"] == pytest.approx(260.0, rel=1e-3)


def test_legacy_text_with_a_mark_or_in_an_old_code_page_is_read(admin, connection, tmp_path):
    for encoding in ("utf-8-sig", "cp1252", "utf-16"):
        path = write_csv(tmp_path / "plain.csv", [row(notes="Prüfstand", fitted="größer", car="stoat-5")])
        text = path.read_text(encoding="utf-8")
        path.write_bytes(text.encode(encoding))
        done = import_file(connection, path, COMMA + MAPPING + '"größer" = "wide-pipe"\n')
        assert done.fate(2) in ("accepted", "kept before"), (encoding, done.words(2))
    assert sessions_of(admin, "stoat-5")[0]["setups"][0]["parts"] == ["wide-pipe"]


def test_a_column_that_is_not_there_is_named_with_those_there_are(connection, tmp_path):
    path = write_csv(tmp_path / "old.csv", [row()])
    with pytest.raises(
        TransferError, match=r"columns\.notes\.name = 'Remarks' is not among the names.*'Notes'"
    ):
        import_file(connection, path, COMMA + MAPPING.replace('"Notes"', '"Remarks"'))


def test_every_mistake_in_a_mapping_is_said_at_once():
    with pytest.raises(BadMapping) as told:
        read_mapping(
            '[columns.power]\nname = "kW"\nunit = "furlong"\n[every]\nparts_known = "maybe"\ncolour = 1\n'
        )
    said = "\n".join(told.value.faults)
    for words in (
        "columns.power.unit = 'furlong': is no unit of power",
        "columns.vehicle is missing",
        "columns.date is missing",
        "every.zone is missing",
        "every.clock is missing",
        "every.bay is missing",
        "every.parts_known = 'maybe': must be one of",
        "every.colour = 1: no such key",
    ):
        assert words in said


def test_the_example_is_a_mapping_and_names_every_column():
    assert read_mapping(EXAMPLE).parts["pipe and map"] == ("wide-pipe", "road-map")
    assert [name for name in COLUMNS if not re.search(rf"\b{name}\b", EXAMPLE)] == []


def test_a_file_that_is_no_spreadsheet_is_refused_in_words(connection, tmp_path):
    path: Path = tmp_path / "old.xlsx"
    path.write_bytes(b"no archive")
    with pytest.raises(TransferError, match="no spreadsheet that can be read"):
        import_file(connection, path)


def test_what_is_said_of_the_strap_down_and_the_conditions_comes_in_by_its_unit(admin, connection, tmp_path):
    names = (*NAMES, "gear", "tyres", "air", "baro", "rh", "std", "factor", "fuel")
    mapping = COMMA + MAPPING.replace("[every]", '[every]\noperator = "ab"')
    for column, name, unit in (
        ("gear", "gear", ""), ("tyre_pressure", "tyres", "psi"), ("temperature", "air", "°F"), ("pressure", "baro", "hPa"),
        ("humidity", "rh", "%"), ("standard", "std", ""), ("factor", "factor", ""), ("ethanol", "fuel", "%"),
    ):  # fmt: skip
        mapping += f'[columns.{column}]\nname = "{name}"\n' + (f'unit = "{unit}"\n' if unit else "")
    mapping += '[standards]\n"DIN" = "din-70020"\n'
    full = (*row(), "4", "30", "77", "1000", "40", "DIN", "1,02", "10")
    done = import_file(connection, write_csv(tmp_path / "old.csv", [full], names), mapping)
    assert done.fate(2) == "accepted", done.words(2)
    (session,) = sessions_of(admin)
    setup = session["setups"][0]
    pull = setup["pulls"][0]
    assert (session["gear"], session["operator"]) == (4, "ab")
    assert session["tyre_pressure"] == pytest.approx(30 * 6.894757, rel=1e-6)  # psi in kPa, NIST SP 811, B.8
    assert pull["ambient"]["temperature"] == pytest.approx(25.0)  # (77 - 32) / 1.8
    assert (pull["ambient"]["pressure"], pull["ambient"]["humidity"]) == (
        pytest.approx(100.0),
        pytest.approx(0.4),
    )
    assert pull["basis"] == {"standard": "din-70020", "factor": 1.02}
    assert setup["fuel"]["ethanol"] == pytest.approx(0.1)
