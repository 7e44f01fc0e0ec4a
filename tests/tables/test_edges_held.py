"""A table's figures, lines and units at their edges: what would pass for a row, a pull or a unit and is none."""

import numpy as np
import pytest

from service.tables import mapping
from service.tables.cells import separation_of
from service.tables.learning import propose
from service.tables.pulls import read_file
from service.tables.ratio import ratio
from service.tables.text import decode
from tests.tables.shapes import torque_nm

RPM = np.arange(2000.0, 6001.0, 100.0)
FILE = '[file]\nseparator = ";"\ndecimal = "."\nnames_line = {names}\nfirst_row = {first}\nrows = "{rows}"\npulls = "{pulls}"\n'


def made(columns, names=1, first=2, rows="time", pulls="one"):
    """A mapping of `channel=name,unit` words."""
    text = FILE.format(names=names, first=first, rows=rows, pulls=pulls)
    for column in columns.split():
        channel, _, rest = column.partition("=")
        name, _, unit = rest.partition(",")
        text += f'[columns.{channel}]\nname = "{name}"\nunit = "{unit}"\n'
    return mapping.read(text)


def lines(*rows):
    return "\n".join(rows).encode()


def torque_file(*head, name="Torque (Nm)"):
    """A curve by engine speed below some lines."""
    return lines(
        *head, f"rpm;{name}", *(f"{rpm:.0f};{nm:.2f}" for rpm, nm in zip(RPM, torque_nm(RPM), strict=True))
    )


# Text, separators, lines


def test_zeros_at_every_place_are_no_utf_16():
    assert decode(b"\0" * 200).encoding == "utf-8"
    assert decode(b"\0a" * 100).encoding == "utf-16-be"


def test_decimal_commas_between_blanks_are_no_separator():
    rows = [
        f"{100 + n},5 {200 + n},5 {300 + n},5" for n in range(20)
    ]  # cut at commas `5 200` would be a figure too
    assert separation_of(rows).separator == "blanks"


def test_lines_above_names_that_moved_are_no_rows_though_they_hold_figures():
    raw = lines("Bay: 2", "7;8", "7;8", "M;n", "100;2000", "101;2100")
    read = read_file(raw, made("rpm=n,rpm torque=M,Nm", names=2, first=3))
    assert read.pulls[0].channels["rpm"].tolist() == [2000.0, 2100.0]
    assert read.faults == ()


# Pulls


@pytest.mark.parametrize(("missing", "kept"), [(5, True), (6, False)])
def test_a_channel_may_lack_one_row_in_twenty_and_no_more(missing, kept):
    rows = [f"{2000 + 10 * n};{100 + n};{'' if n < missing else 0.88}" for n in range(100)]
    read = read_file(lines("n;M;L", *rows), made("rpm=n,rpm torque=M,Nm lambda=L,lambda"))
    pull = read.pulls[0].channels
    assert ("lambda" in pull, pull["rpm"].size) == (kept, 95 if kept else 100)


def stacked(*times):
    """How many pulls a file is cut into by its clock [s]."""
    rows = [f"{at:.2f};{2000 + 10 * n};{100 + n}" for n, at in enumerate(times)]
    raw = lines("t;n;M", *rows)
    return len(read_file(raw, made("time=t,s rpm=n,rpm torque=M,Nm", pulls="stacked")).pulls)


def test_a_clock_that_jitters_back_by_less_than_a_row_begins_no_pull_and_one_that_starts_again_does():
    steady = [0.1 * n for n in range(20)]
    assert stacked(*steady) == 1
    assert stacked(*steady[:10], steady[9] - 0.12, *steady[10:]) == 1
    assert stacked(*steady, *steady) == 2


def test_a_pause_is_long_beside_the_files_own_steps():
    """Rows every 0.1 s: 2 s and more begin the next pull. Rows every half second: only 10 s and more."""
    for step, pause, pulls in ((0.1, 1.9, 1), (0.1, 2.2, 2), (0.5, 9.0, 1), (0.5, 10.5, 2)):
        first = [step * n for n in range(10)]
        assert stacked(*first, *(first[-1] + pause + at for at in first)) == pulls, (step, pause)


# What a sample tells


@pytest.mark.parametrize(
    ("head", "fact", "unit"),
    [
        ("Humidity: 45", "humidity", "%"),
        ("Humidity: 0.45", "humidity", "1"),
        ("Barometer: 99.5", "pressure", "kPa"),
        ("Barometer: 995", "pressure", "hPa"),
        ("Barometer: 29.4", "pressure", "inHg"),
        ("Barometer: 746", "pressure", "mmHg"),
    ],
)
def test_a_figure_without_a_unit_is_of_the_unit_in_whose_range_it_lies(head, fact, unit):
    assert propose(torque_file(head)).mapping.header[fact].unit == unit


def test_a_mark_that_reads_two_ways_is_a_doubt():
    """`2.000` is two thousand or two: engine speeds make sense as the one, air/fuel ratios alike as both."""
    rows = [f"{2000 + 100 * n};{200 + n}.125" for n in range(20)]
    proposal = propose(lines("rpm;Torque (Nm)", *rows))
    assert proposal.doubts[0].endswith("which can be read in two ways; taken: decimal '.', thousands ''")


def test_a_few_rows_behind_a_fall_are_no_second_pull():
    rows = [f"{rpm:.0f};{nm:.2f}" for rpm, nm in zip(RPM, torque_nm(RPM), strict=True)]
    assert propose(lines("rpm;Torque (Nm)", *rows, *rows[:4])).mapping.file.pulls == "one"
    assert propose(lines("rpm;Torque (Nm)", *rows, *rows[:5])).mapping.file.pulls == "stacked"


@pytest.mark.parametrize(("falling", "rows"), [(0, "rpm"), (2, "time"), (8, "time")])
def test_a_table_by_engine_speed_does_not_fall_from_row_to_row(falling, rows):
    """Of forty steps; one in fifty may, for a pull that stands below another."""
    speeds = RPM.copy()
    for n in range(falling):
        speeds[4 * n + 2] = speeds[4 * n + 1] - 30.0
    text = [f"{rpm:.0f};{nm:.2f}" for rpm, nm in zip(speeds, torque_nm(speeds), strict=True)]
    assert propose(lines("rpm;Torque (Nm)", *text)).mapping.file.rows == rows


def test_the_units_follow_from_the_figures_at_load_for_rounding_rules_those_below_it():
    """Below 30 % of the load power is written to the kilowatt as everywhere, where 0.63 kW are written as 1."""
    torque = np.concatenate([np.full(60, 6.0), torque_nm(RPM)])
    rpm = np.concatenate([np.linspace(1000.0, 1200.0, 60), RPM])
    power = np.round(torque * rpm * np.pi / 30_000.0)
    found = ratio(power, torque, rpm)
    assert found.k == pytest.approx(1.0, abs=0.01)
    assert found.spread < 0.01
