"""`bayledger bay learn`: a sample in, a mapping out, with the reasons and the curve. No server."""

from datetime import datetime

import numpy as np
import pytest

from service.cli.bay.drawing import drawn
from service.domain.correction import STANDARDS
from service.tables import mapping
from service.tables.errors import BadMapping
from service.tables.pulls import read_file
from service.tables.records import CHANNELS
from tests.tables.shapes import SHAPES, curves, written

BY_NAME = {shape.name: shape for shape in SHAPES}
FACTS = BY_NAME["header facts and footer"]


@pytest.fixture
def sample(tmp_path):
    def write(name: str) -> str:
        path = tmp_path / "sample.csv"
        path.write_bytes(written(BY_NAME[name]))
        return str(path)

    return write


def test_what_was_understood_is_printed_with_reasons_and_what_is_open(run, sample):
    ran = run("bay", "learn", sample("header facts and footer"))
    assert (ran.code, ran.err) == (0, "")
    lines = [" ".join(line.split()) for line in ran.out.splitlines()]
    assert "rpm Engine speed (rpm) rpm" in lines
    assert "- power and torque agree in kW and Nm: k = 1.0000" in lines
    assert "- line 4, barometer: '987.2 hPa' is the pressure in hPa" in lines
    assert "Pull 1: 244 rows, lines 8 to 251, 1501 to 6600 rpm" in lines
    after = lines[lines.index("To be settled") + 1]
    assert after.startswith("- the file does not say whether its figures are as observed or corrected")


def test_lines_left_out_are_listed_with_why(run, sample):
    ran = run("bay", "learn", sample("blank lines, names again, ragged rows"))
    left_out = ran.out.partition("Left out\n")[2]
    assert "- line 27: a blank line" in left_out
    assert "no figure for torque and power" in left_out
    assert "more\n" in left_out


def test_the_mapping_written_reads_the_sample_as_shown(run, sample, tmp_path):
    out = tmp_path / "bay.toml"
    ran = run("bay", "learn", sample("stacked in time"), "--out", out)
    assert ran.code == 0
    assert f"Written to {out}. Settle what is open there." in ran.out
    text = out.read_text(encoding="utf-8")
    assert "# TO BE SETTLED: the file does not say" in text
    read = read_file(written(BY_NAME["stacked in time"]), mapping.read(text))
    assert len(read.pulls) == len(curves(BY_NAME["stacked in time"])) == 3


def test_a_mapping_is_never_written_over_a_file(run, sample, tmp_path):
    out = tmp_path / "bay.toml"
    out.write_text("mine")
    ran = run("bay", "learn", sample("comma, plain"), "--out", out)
    assert (ran.code, ran.out) == (1, "")
    assert "there is such a file already" in ran.err
    assert out.read_text() == "mine"


def test_a_place_that_cannot_be_written_is_named(run, sample, tmp_path):
    (tmp_path / "a-file").write_text("no folder")
    ran = run("bay", "learn", sample("comma, plain"), "--out", tmp_path / "a-file" / "bay.toml")
    assert ran.code == 1
    assert "a-file" in ran.err
    assert "name another place" in ran.err


def test_the_folder_of_a_mapping_is_made(run, sample, tmp_path):
    out = tmp_path / "new" / "bay" / "mapping.toml"
    assert run("bay", "learn", sample("comma, plain"), "--out", out).code == 0
    assert out.is_file()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("no units, hp and N.m, noisy", "cannot be told apart"),
    ],
)
def test_what_cannot_be_learned_is_said_in_one_line(run, sample, name, words):
    ran = run("bay", "learn", sample(name))
    assert (ran.code, ran.out) == (1, "")
    assert words in ran.err
    assert len(ran.err.splitlines()) == 1


def test_a_file_without_names_whose_figures_do_not_tell_says_which_columns_a_person_must_name(run, tmp_path):
    path = tmp_path / "sample.csv"
    path.write_text("\n".join(f"{rpm};{200 - rpm / 100:.1f}" for rpm in range(2000, 6001, 100)))
    ran = run("bay", "learn", path)
    assert (ran.code, ran.out) == (1, "")
    assert "column 1, 2000 to 6000 and only rises; column 2, 140 to 180" in ran.err
    assert "write a mapping that says by number which is the engine speed" in ran.err


def test_a_file_without_names_that_is_sure_is_shown_by_numbers_with_what_to_look_at(run, sample):
    ran = run("bay", "learn", sample("without names"))
    assert (ran.code, ran.err) == (0, "")
    lines = [" ".join(line.split()) for line in ran.out.splitlines()]
    assert {"rpm 2 rpm", "torque 3 N.m", "power 4 kW", "time 1 s"} <= set(lines)
    assert any(line.startswith("- there is no line of names") for line in lines)


def test_the_example_is_a_mapping_that_reads_the_file_it_describes(run):
    ran = run("bay", "learn", "--example")
    assert (ran.code, ran.err) == (0, "")
    read = mapping.read(ran.out)
    names = "Run;Time;Engine speed;Torque;Power;AFR;Boost;Air"
    rows = [f"{n};00:0{n}:0{k},5;{2000 + 500 * k};{180 - k};70;12,6;8;70,7" for n in (1, 2) for k in range(6)]
    head = ("Date: 18/03/2026 16:20", "Barometer: 987.2 hPa")
    pulls = read_file("\n".join([*head, names, *rows]).encode(), read).pulls
    assert [pull.channels["rpm"].tolist() for pull in pulls] == [[2000 + 500 * k for k in range(6)]] * 2
    assert [pull.facts.temperature_c for pull in pulls] == [21.5, 21.5]
    assert pulls[0].facts.started_at == datetime.fromisoformat("2026-03-18 16:20")
    assert pulls[0].channels["map"][0] == pytest.approx(98.72 + 8 * 6.894757)  # NIST SP 811, appendix B.8


def test_every_word_that_the_example_offers_is_one_that_a_mapping_takes(run):
    said = run("bay", "learn", "--example").out
    listed = said[said.index("# Standards: ") :].partition(", or unknown")[0].removeprefix("# Standards: ")
    assert set(listed.split(", ")) == {*STANDARDS} - {"none"}
    also = said[said.index("# Also: axle_torque") :].partition(".")[0].removeprefix("# Also: ").split(", ")
    assert {*mapping.read(said).columns, *also} == {*CHANNELS}


def test_without_a_file_the_way_on_is_named(run):
    ran = run("bay", "learn")
    assert (ran.code, ran.out) == (2, "")
    assert "--example prints a mapping" in ran.err


def test_what_cannot_be_learned_leaves_a_draft_to_be_settled(run, sample, tmp_path):
    out = tmp_path / "bay.toml"
    ran = run("bay", "learn", sample("no units, hp and N.m, noisy"), "--out", out)
    assert (ran.code, ran.out) == (1, "")
    assert f"A draft is written to {out}: settle the lines marked TO BE SETTLED there" in ran.err
    text = out.read_text(encoding="utf-8")
    with pytest.raises(BadMapping, match="unit is missing"):
        mapping.read(text)
    chosen = text.replace('# unit = "N.m"', 'unit = "N.m"').replace('# unit = "hp"', 'unit = "hp"')
    read = read_file(written(BY_NAME["no units, hp and N.m, noisy"]), mapping.read(chosen))
    (true,) = curves(BY_NAME["no units, hp and N.m, noisy"])
    assert read.pulls[0].channels["torque"] == pytest.approx(true.torque, abs=0.006)


def test_a_draft_is_offered_where_none_was_asked_for(run, sample):
    assert "--out NEW.toml writes a draft" in run("bay", "learn", sample("no units, hp and N.m, noisy")).err


def test_a_file_without_a_table_leaves_no_draft(run, tmp_path):
    (tmp_path / "sample.csv").write_text("no table at all")
    ran = run("bay", "learn", tmp_path / "sample.csv", "--out", tmp_path / "bay.toml")
    assert ran.code == 1
    assert "no rows of figures" in ran.err
    assert not (tmp_path / "bay.toml").exists()


def test_a_moment_that_nobody_can_tell_is_listed_under_what_is_to_be_settled(run, tmp_path):
    path = tmp_path / "sample.csv"
    path.write_text(
        "\n".join(
            ["# pull 4, 03/04/2026 03:00", "rpm;Nm", *(f"{2000 + 100 * k};{180 - k}" for k in range(20))]
        )
    )
    out = run("bay", "learn", path).out
    assert (
        "- when it was recorded: line 1: '03/04/2026 03:00' is two dates"
        in out.partition("To be settled\n")[2]
    )


def test_air_and_run_numbers_are_shown_beside_the_channels(run, tmp_path):
    path = tmp_path / "sample.csv"
    rows = [f"{n};{2000 + 100 * k};{180 - k};21.5" for n in (1, 2) for k in range(20)]
    path.write_text("\n".join(["Run;rpm;Nm;Air temp (C)", *rows]))
    lines = [" ".join(line.split()) for line in run("bay", "learn", path).out.splitlines()]
    assert {"air: temperature Air temp (C) C", "number of the pull Run"} <= set(lines)


def test_units_of_the_drawing_are_chosen(run, sample):
    ran = run("bay", "learn", sample("comma, plain"), "--units", "us")
    assert "power * [hp]" in ran.out
    assert "torque o [lbf·ft]" in ran.out


RPM = np.arange(1000.0, 7001.0, 50.0)


def test_a_drawing_has_marks_where_the_values_are():
    """Power rises in a straight line from nought at 1000 to 120 at 7000 rpm; torque is 100 throughout."""
    power, torque = (RPM - 1000.0) / 50.0, np.full(RPM.size, 100.0)
    lines = drawn(RPM.tolist(), power.tolist(), torque.tolist(), ("kW", "N·m"), width=61, height=17)
    assert all(len(line) <= 61 + 20 for line in lines)
    field = [line[9:70] for line in lines[1:18]]
    assert lines[1].split()[0] == "150"
    assert lines[1].split()[-1] == "100"
    assert set(field[0]) == {"o"}
    for column in (0, 10, 30, 60):
        rows = [y for y, line in enumerate(field) if line[column] in "*@"]
        assert abs(16 - rows[0] - column * 2.0 / 150.0 * 16) <= 1.0
    assert lines[-1].split() == ["1000", "2500", "4000", "5500", "7000", "rpm"]


def test_a_drawing_shows_the_pull_and_not_its_coast_down():
    rpm, power = np.concatenate([RPM, RPM[::-1]]), np.concatenate([RPM / 60.0, np.full(RPM.size, -5.0)])
    pull, rising = RPM.tolist(), (RPM / 60.0).tolist()
    whole = drawn(rpm.tolist(), power.tolist(), power.tolist(), ("kW", "N·m"))
    assert whole == drawn(pull, rising, rising, ("kW", "N·m"))
