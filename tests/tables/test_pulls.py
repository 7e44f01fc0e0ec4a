"""A file by its mapping: what comes out, and what is left out and why."""

from datetime import datetime

import numpy as np
import pytest

from service.tables import mapping
from service.tables.errors import Unreadable
from service.tables.pulls import read_file

FILE = '[file]\nseparator = ";"\ndecimal = "."\nnames_line = {names}\nfirst_row = {first}\nfooter_lines = {footer}\nrows = "{rows}"\npulls = "{pulls}"\n'


def made(columns: str, names=1, first=2, footer=0, rows="time", pulls="one", more=""):
    """A mapping of `channel=name,unit` words."""
    text = FILE.format(names=names, first=first, footer=footer, rows=rows, pulls=pulls)
    for column in columns.split():
        channel, _, rest = column.partition("=")
        name, _, unit = rest.partition(",")
        text += f'[columns.{channel}]\nname = "{name}"\nunit = "{unit}"\n'
    return mapping.read(text + more)


PLAIN = made("rpm=n,rpm torque=M,Nm")


def lines(*rows: str) -> bytes:
    return "\n".join(rows).encode()


def test_a_line_that_is_no_whole_row_is_left_out_with_its_number_and_why():
    raw = lines("n;M", "2000;100", "", "n;M", "2100;", "abc;def", "2200;102;7", "0;0", "2300;103")
    read = read_file(raw, PLAIN)
    assert read.pulls[0].channels["rpm"].tolist() == [2000.0, 2300.0]
    assert read.pulls[0].lines == (2, 9)
    assert {fault.line: fault.why for fault in read.faults} == {
        3: "a blank line",
        4: "the columns' names again",
        5: "no figure for torque",
        6: "no figure where the columns stand: 'abc;def'",
        7: "has 3 cells where the rows have 2",
        8: "engine speed 0: a pull takes only speeds above 0",
    }


def test_footer_lines_are_not_rows_even_where_they_hold_figures():
    read = read_file(
        lines("n;M", "2000;100", "2100;101", "4000;150"), made("rpm=n,rpm torque=M,Nm", footer=1)
    )
    assert read.pulls[0].channels["torque"].tolist() == [100.0, 101.0]
    assert [(fault.line, fault.why) for fault in read.faults] == [
        (4, "one of the mapping's footer lines, though it could be a row")
    ]


def test_a_column_is_found_by_its_name_wherever_it_stands_and_however_its_header_grew():
    raw = lines("Bay: 2", "A remark more", "M; N ", "100;2000", "101;2100")
    read = read_file(raw, made("rpm=n,rpm torque=M,Nm", names=2, first=3))
    assert read.pulls[0].channels["rpm"].tolist() == [2000.0, 2100.0]


def test_a_column_that_is_not_there_is_refused_with_those_that_are():
    with pytest.raises(Unreadable, match=r"no column is named 'n' in line 1, which has 'rev', 'M'"):
        read_file(lines("rev;M", "2000;100"), PLAIN)


def test_a_name_that_stands_twice_is_refused_with_the_numbers():
    with pytest.raises(Unreadable, match="stands over columns 1 and 3; use number"):
        read_file(lines("n;M;n", "2000;100;2000"), PLAIN)


def test_a_file_of_which_nothing_can_be_read_is_refused_with_words():
    for raw in (b"", b"\n\n", lines("n;M"), lines("n;M", "a;b"), lines("n;M", "2000;100")):
        with pytest.raises(Unreadable, match=r"is empty|no pull could be read"):
            read_file(raw, PLAIN)


def test_a_channel_recorded_in_some_rows_only_is_left_out_and_the_curve_kept():
    rows = [f"{2000 + 10 * n};{100 + n};{0.88 if n % 3 == 0 else ''}" for n in range(60)]
    read = read_file(lines("n;M;L", *rows), made("rpm=n,rpm torque=M,Nm lambda=L,lambda"))
    assert set(read.pulls[0].channels) == {"rpm", "torque"}
    assert read.pulls[0].channels["rpm"].size == 60
    assert [fault.why for fault in read.faults] == [
        "lambda stands in 20 of 60 rows; a channel needs a figure in every one: left out"
    ]


def test_a_table_by_rpm_comes_out_rising_and_a_trace_as_it_was():
    raw = lines("n;M", "3000;120", "2000;100", "2500;110")
    assert read_file(raw, PLAIN).pulls[0].channels["rpm"].tolist() == [3000.0, 2000.0, 2500.0]
    by_rpm = read_file(raw, made("rpm=n,rpm torque=M,Nm", rows="rpm")).pulls[0].channels
    assert by_rpm["rpm"].tolist() == [2000.0, 2500.0, 3000.0]
    assert by_rpm["torque"].tolist() == [100.0, 110.0, 120.0]


def test_a_recorded_lag_moves_the_channel_and_leaves_out_the_rows_it_no_longer_reaches():
    """Lambda recorded 0.2 s late: what stands at 0.2 s was so at 0.0 s."""
    rows = [f"{0.1 * n:.1f};{2000 + 30 * n};{100 + n};{0.80 + 0.01 * n:.2f}" for n in range(10)]
    lagging = made("time=t,s rpm=n,rpm torque=M,Nm lambda=L,lambda")
    text = mapping.written(lagging).replace('unit = "lambda"', 'unit = "lambda"\nshift_s = 0.2')
    read = read_file(lines("t;n;M;L", *rows), mapping.read(text))
    assert read.pulls[0].channels["lambda"] == pytest.approx([0.82 + 0.01 * n for n in range(8)], abs=1e-9)
    assert read.pulls[0].channels["torque"].tolist() == [100.0 + n for n in range(8)]
    assert [fault.line for fault in read.faults] == [10, 11]


GAUGE = "rpm=n,rpm torque=M,Nm map=p,psig"


def test_a_gauge_pressure_gets_the_barometer_of_the_header_or_the_one_given():
    """NIST SP 811: 1 psi = 6.894757 kPa."""
    raw = lines("n;M;p", "2000;100;10", "2100;101;10")
    given = read_file(raw, made(GAUGE), barometer_kpa=98.0)
    assert given.pulls[0].channels["map"] == pytest.approx([166.94757] * 2, rel=1e-7)
    head = '[header]\npressure = {key = "Baro", unit = "hPa"}\n'
    stated = read_file(
        lines("Baro: 990", *raw.decode().split("\n")), made(GAUGE, 2, 3, more=head), barometer_kpa=98.0
    )
    assert stated.pulls[0].channels["map"] == pytest.approx([167.94757] * 2, rel=1e-7)


def test_a_gauge_pressure_without_a_barometer_is_left_out_never_guessed():
    read = read_file(lines("n;M;p", "2000;100;10", "2100;101;10"), made(GAUGE))
    assert "map" not in read.pulls[0].channels
    assert read.faults[0].why.startswith("map is a gauge's and the barometer is not known")


def test_time_counts_from_the_start_of_each_stacked_pull():
    rows = [f"{t};{2000 + 100 * t};{100 + t}" for t in [0, 1, 2, 0, 1, 2, 60, 61, 62]]
    read = read_file(lines("t;n;M", *rows), made("time=t,s rpm=n,rpm torque=M,Nm", pulls="stacked"))
    assert [pull.channels["time"].tolist() for pull in read.pulls] == [[0.0, 1.0, 2.0]] * 3
    assert [pull.lines for pull in read.pulls] == [(2, 4), (5, 7), (8, 10)]


FACTS = """[header]
started_at = {key = ["Date", "Time"], format = "%d/%m/%Y %H:%M"}
temperature = {key = "Air temp", unit = "°F"}
pressure = {key = "Barometer", unit = "inHg"}
humidity = {key = "Humidity", unit = "%"}
"""


def test_facts_of_the_header_come_out_in_si_and_the_start_without_an_offset():
    """NIST SP 811: 29.53 inHg x 3.386389 = 100.00007 kPa; (77 - 32)/1.8 = 25 degC."""
    head = ["Date;18/03/2026", "Time: 14:05", "Air temp: 77 °F", "Barometer = 29.53", "Humidity;41 %"]
    read = read_file(
        lines(*head, "n;M", "2000;100", "2100;101"), made("rpm=n,rpm torque=M,Nm", 6, 7, more=FACTS)
    )
    assert read.facts.started_at == datetime(2026, 3, 18, 14, 5)  # noqa: DTZ001
    assert read.facts.temperature_c == pytest.approx(25.0)
    assert read.facts.pressure_kpa == pytest.approx(29.53 * 3.386389, rel=5e-7)
    assert read.facts.humidity == pytest.approx(0.41)
    assert read.facts.oil_c is None
    assert read.pulls[0].facts == read.facts


def test_a_fact_that_cannot_be_read_or_has_another_unit_is_a_fault_and_stays_unknown():
    head = ["Air temp: warm", "Barometer: 990 hPa", "n;M", "2000;100", "2100;101"]
    read = read_file(lines(*head), made("rpm=n,rpm torque=M,Nm", 3, 4, more=FACTS))
    assert (read.facts.temperature_c, read.facts.pressure_kpa) == (None, None)
    assert [fault.line for fault in read.faults] == [1, 2]
    assert "the line says 'hPa', the mapping 'inHg'" in read.faults[1].why


def test_stacked_pulls_have_the_facts_of_the_lines_above_each():
    rows = ["Air temp: 68", "n;M", "2000;100", "5000;120", "Air temp: 86", "n;M", "2000;100", "5000;120"]
    more = '[header]\ntemperature = {key = "Air temp", unit = "°F"}\n'
    read = read_file(lines(*rows), made("rpm=n,rpm torque=M,Nm", 2, 3, pulls="stacked", more=more))
    assert [pull.facts.temperature_c for pull in read.pulls] == pytest.approx([20.0, 30.0])


def test_a_fact_above_the_second_pull_is_not_the_firsts():
    rows = ["n;M", "2000;100", "5000;120", "Air temp: 86", "n;M", "2000;100", "5000;120"]
    more = '[header]\ntemperature = {key = "Air temp", unit = "°F"}\n'
    read = read_file(lines(*rows), made("rpm=n,rpm torque=M,Nm", pulls="stacked", more=more))
    assert [pull.facts.temperature_c for pull in read.pulls] == [None, pytest.approx(30.0)]


def test_a_row_alone_between_two_pulls_is_left_out_with_its_line():
    rows = [f"{t};{2000 + 100 * t};{100 + t}" for t in [0, 1, 2, 30, 60, 61]]
    read = read_file(lines("t;n;M", *rows), made("time=t,s rpm=n,rpm torque=M,Nm", pulls="stacked"))
    assert [pull.lines for pull in read.pulls] == [(2, 4), (6, 7)]
    assert [(fault.line, fault.why) for fault in read.faults] == [(5, "one row alone makes no pull")]


def test_every_channel_of_a_pull_has_the_same_length_and_only_finite_figures():
    rows = [f"{2000 + n};{1e300 if n == 3 else 100}" for n in range(80)]
    channels = read_file(lines("n;M", *rows), PLAIN).pulls[0].channels
    assert {values.size for values in channels.values()} == {79}
    assert all(np.isfinite(values).all() for values in channels.values())
