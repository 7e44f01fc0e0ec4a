"""The machine's new files: shown with what could be read of them, ticked, marked, taken."""

import random
import re

import pytest

from tests.bay.computer import RPM, table
from tests.bay_page.conftest import NOWHERE, made


def test_new_files_are_offered_with_time_size_rows_and_peaks(alone):
    alone.choose()
    height, flat = 200.0, [f"{rpm};200,00" for rpm in RPM]
    (alone.computer.export / "flat.csv").write_text("\n".join(["Engine speed (rpm);Torque (Nm)", *flat, ""]))
    alone.station.look()
    page = alone.get("/files")
    assert 'value="flat.csv"' in page
    assert "30 rows, as in the file" in page
    assert "<strong>200 N·m</strong> at 2000 rpm" in page
    # power [kW] = torque [N.m] x speed [rad/s] / 1000, highest at the last row: 6350 rpm
    assert f"<strong>{height * RPM[-1] * 2 * 3.14159265 / 60 / 1000:.0f} kW</strong> at 6350 rpm" in page
    assert re.search(r"\d\d:\d\d, \d+ s ago · 391 bytes", page)
    assert page.count("<polyline") == 1


def test_what_lay_in_the_folder_before_is_left_alone(tmp_path):
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "old.csv").write_text(table(random.Random(1)))
    bay = made(tmp_path, NOWHERE, watch=str(tmp_path / "old"))
    bay.station.look()
    assert "old.csv" not in bay.get("/files")
    (tmp_path / "old" / "new.csv").write_text(table(random.Random(2)))
    bay.station.look()
    assert "new.csv" in bay.get("/files")


def test_a_file_that_is_still_being_written_is_not_offered(tmp_path):
    bay = made(tmp_path, NOWHERE, settled_s=60.0)
    bay.machine_writes("a.csv")
    bay.station.look()
    assert "a.csv" not in bay.get("/files")


def test_ticked_files_become_pulls_of_the_car_and_the_others_stay(alone):
    alone.choose()
    alone.machine_writes("a.csv", "b.csv", "c.csv")
    page = alone.attach("a.csv", "c.csv").text
    assert [run.file for run in alone.station.desk.work().runs] == ["a.csv", "c.csv"]
    assert '<dd class="big">2</dd>' in page
    assert [offer.name for offer in alone.station.offers.all()] == ["b.csv"]
    alone.station.look()
    assert [offer.name for offer in alone.station.offers.all()] == ["b.csv"]


def test_a_pull_can_be_marked_settling_or_rejected_with_a_reason(alone):
    alone.choose()
    alone.machine_writes("a.csv", "b.csv", "c.csv", "d.csv")
    alone.attach("a.csv", "b.csv", "c.csv", "d.csv", **{
        "status:a.csv": "accepted", "status:b.csv": "settling",
        "status:c.csv": "rejected", "reason:c.csv": "Wheel slip",
        "status:d.csv": "rejected", "reason:d.csv": "Wheel slip", "words:d.csv": "tyre came off the bead",
    })  # fmt: skip
    marks = {
        run.file: (run.document.get("status"), run.document.get("reason"))
        for run in alone.station.desk.work().runs
    }
    assert marks == {
        "a.csv": (None, None),
        "b.csv": ("settling", None),
        "c.csv": ("rejected", "Wheel slip"),
        "d.csv": ("rejected", "tyre came off the bead"),
    }
    assert "rejected: Wheel slip" in alone.get("/")


def test_rejected_without_a_reason_is_not_taken_and_stays_as_it_was_pressed(alone):
    alone.choose()
    alone.machine_writes("a.csv", "b.csv")
    answer = alone.attach("a.csv", "b.csv", **{"status:b.csv": "rejected", "coolant:b.csv": "88"})
    assert answer.status_code == 422
    assert "b.csv: rejected, and no reason chosen; choose one, or write it" in answer.text
    assert re.search(r'name="status:b.csv"\s+value="rejected" checked', answer.text)
    assert re.search(r'name="file" value="b.csv" checked', answer.text)
    assert re.search(r'name="coolant:b.csv" value="88"', answer.text)
    assert [run.file for run in alone.station.desk.work().runs] == ["a.csv"]


def test_temperatures_are_of_the_file_they_stand_at(alone):
    alone.choose()
    alone.machine_writes("a.csv", "b.csv")
    alone.attach("a.csv", "b.csv", **{"coolant:a.csv": "88", "oil:a.csv": "95,5"})
    first, second = alone.station.desk.work().runs
    assert first.document["engine"] == {"coolant": 88.0, "oil": 95.5}
    assert "engine" not in second.document


def test_a_temperature_out_of_reach_names_the_file_the_field_and_the_value(alone):
    alone.choose()
    alone.machine_writes("a.csv")
    answer = alone.attach("a.csv", **{"coolant:a.csv": "888"})
    assert answer.status_code == 422
    assert "a.csv: Coolant at the start: 888 lies outside -60 to 250 °C" in answer.text


def test_one_press_of_plus_at_a_file_keeps_its_tick_and_takes_nothing(alone):
    alone.choose()
    alone.machine_writes("a.csv")
    page = alone.press("/files", step="coolant:a.csv+", file="a.csv", **{"coolant:a.csv": "88"}).text
    assert 'name="coolant:a.csv" value="88.5"' in page
    assert 'value="a.csv" checked' in page
    assert alone.station.desk.work().runs == []


@pytest.mark.parametrize(
    ("car", "files", "words"),
    [
        (False, ["a.csv"], "No car is on the rollers yet: choose the car, then attach"),
        (True, [], "No file is ticked: tick the pulls of this car"),
        (True, ["../../bay.toml"], "../../bay.toml: is not offered any more"),
    ],
)
def test_what_cannot_be_attached_is_said_in_words(alone, car, files, words):
    if car:
        alone.choose()
    alone.machine_writes("a.csv")
    answer = alone.attach(*files)
    assert answer.status_code == 422
    assert words in answer.text


def test_a_file_that_is_no_table_is_shown_with_why_and_cannot_be_ticked(alone):
    alone.choose()
    (alone.computer.export / "letter.csv").write_text("Dear customer\n")
    alone.station.look()
    page = alone.get("/files")
    assert re.search(r'value="letter.csv" disabled', page)
    assert re.search(r'<p class="fault">letter.csv: \S', page)


def test_a_file_that_could_not_be_read_is_offered_once_the_mapping_was_mended(alone):
    alone.choose()
    mapping = alone.computer.bay_dir / "mapping.toml"
    right = mapping.read_text()
    mapping.write_text(right.replace("Torque (Nm)", "Torque (N.m)"))
    alone.machine_writes("a.csv")
    assert re.search(r'value="a.csv" disabled', alone.get("/files"))
    mapping.write_text(right)
    alone.station.look()
    page = alone.get("/files")
    assert 'value="a.csv"' in page
    assert not re.search(r'value="a.csv" disabled', page)


def test_the_sidecar_of_a_file_counts_before_the_page(alone):
    alone.choose()
    alone.computer.machine_writes("a.csv", random.Random(1), sidecar="coolant = 91\nstatus = 'settling'\n")
    alone.computer.machine_writes("b.csv", random.Random(2), sidecar="car = 'wren-002'\n")
    alone.station.look()
    answer = alone.attach("a.csv", "b.csv", **{"coolant:a.csv": "88"})
    assert "b.csv: its sidecar says that it is of wren-002, not of stoat-014" in answer.text
    (run,) = alone.station.desk.work().runs
    assert (run.document["engine"], run.document["status"]) == ({"coolant": 91.0}, "settling")


def test_a_file_that_was_taken_elsewhere_is_offered_no_more(alone):
    alone.choose()
    alone.machine_writes("a.csv")
    alone.station.desk.take(alone.computer.export / "a.csv", {})
    again = alone.computer.export / "copy.csv"
    again.write_bytes((alone.computer.export / "a.csv").read_bytes())
    alone.station.look()
    assert "copy.csv" not in alone.get("/files")


def test_a_file_taken_by_another_program_since_it_was_offered_is_not_taken_twice(alone):
    alone.choose()
    alone.machine_writes("a.csv")
    alone.station.desk.take(alone.computer.export / "a.csv", {})
    assert "a.csv was taken before; it is left out." in alone.attach("a.csv").text
    assert len(alone.station.desk.work().runs) == 1


def test_a_folder_that_is_gone_is_said_on_the_page_until_it_is_back(alone):
    gone = alone.computer.export.rename(alone.computer.export.with_name("gone"))
    alone.station.look()
    assert "No such file or directory" in alone.get("/")
    gone.rename(alone.computer.export)
    alone.station.look()
    assert "No such file or directory" not in alone.get("/")


def test_a_name_with_markup_in_it_is_shown_as_a_name(alone):
    alone.choose()
    alone.machine_writes("<b>&.csv")
    assert "<b>&" not in alone.get("/files")
    assert "&lt;b&gt;&amp;.csv" in alone.get("/files")
    alone.attach("<b>&.csv")
    assert [run.file for run in alone.station.desk.work().runs] == ["<b>&.csv"]


def test_without_a_folder_the_page_says_what_to_set(tmp_path):
    from service.bay.page.offers import Offers

    bay = made(tmp_path, NOWHERE)
    object.__setattr__(bay.station.settings, "watch", None)
    bay.station.offers = Offers(None, bay.station.desk, lambda *_: pytest.fail("nothing to read"))
    bay.station.look()
    assert 'write <code>watch = "FOLDER"</code>' in bay.get("/files").replace("&#34;", '"')
