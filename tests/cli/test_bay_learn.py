"""`bayledger bay learn`: a sample in, a mapping out, with the reasons and the curve. No server."""

import numpy as np
import pytest

from service.cli.bay.drawing import drawn
from service.tables import mapping
from service.tables.pulls import read_file
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
        ("without names", "its columns are without names"),
        ("no units, hp and N.m, noisy", "cannot be told apart"),
    ],
)
def test_what_cannot_be_learned_is_said_in_one_line(run, sample, name, words):
    ran = run("bay", "learn", sample(name))
    assert (ran.code, ran.out) == (1, "")
    assert words in ran.err
    assert len(ran.err.splitlines()) == 1


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
