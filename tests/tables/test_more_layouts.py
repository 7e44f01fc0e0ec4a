"""Files that say less, or say it in another place: no names, clock times, a column of run numbers, the air as a column."""

import numpy as np
import pytest

from service.tables import mapping as mappings
from service.tables.errors import BadMapping, Unreadable
from service.tables.learning import propose
from service.tables.pulls import read_file
from tests.tables.shapes import POWER_KW, TORQUE_NM, torque_nm

RPM = np.arange(2000.0, 6001.0, 50.0)
NM = torque_nm(RPM)
KW = NM * RPM * 2.0 * np.pi / 60_000.0
SECONDS = np.arange(RPM.size) / 20.0


def file(names, *columns, head=()):
    """Semicolons and points; a column is figures, or cells as they stand."""
    rows = zip(*columns, strict=True)
    lines = [";".join(c if isinstance(c, str) else f"{c:.4f}" for c in row) for row in rows]
    return "\n".join([*head, *([names] if names else []), *lines]).encode()


def clock(seconds, mark="."):
    """12:31:05.250, as a clock shows it."""
    whole = int(seconds)
    fraction = f"{seconds - whole:.3f}"[2:]
    return f"{whole // 3600 % 24:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}{mark}{fraction}"


def said(lines, *words):
    return any(all(word in line for word in words) for line in lines)


# Without names


@pytest.mark.parametrize("power", ["kW", "hp", "PS"])
@pytest.mark.parametrize("torque", ["Nm", "lbf.ft", "kgf.m"])
def test_columns_without_names_are_told_where_power_is_torque_times_speed_in_one_pair_of_units(power, torque):
    proposal = propose(file("", KW / POWER_KW[power], SECONDS, NM / TORQUE_NM[torque], RPM))
    columns = proposal.mapping.columns
    assert {name: column.places for name, column in columns.items()} == {
        "power": (1,), "time": (2,), "torque": (3,), "rpm": (4,),
    }  # fmt: skip
    (pull,) = proposal.read.pulls
    assert pull.channels["power"] == pytest.approx(KW, rel=1e-4)
    assert pull.channels["torque"] == pytest.approx(NM, rel=1e-4)
    assert said(proposal.reasons, "column 4", "9549.3")
    assert said(proposal.doubts, "no line of names")


def test_a_column_of_numbers_that_could_be_much_is_left_out_and_named():
    proposal = propose(file("", RPM, NM, KW, np.full(RPM.size, 0.88), np.arange(1.0, RPM.size + 1.0)))
    assert set(proposal.mapping.columns) == {"rpm", "torque", "power"}
    assert said(proposal.reasons, "column 4, 0.88 to 0.88, left out")
    assert said(proposal.reasons, "column 5, 1 to 81 and only rises, left out")


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ((RPM, NM), "no three of them are power, torque and engine speed"),
        ((RPM, KW), "no three of them are power, torque and engine speed"),
        ((RPM, NM, 1.05 * KW), "no three of them are power, torque and engine speed"),
        ((RPM, NM, KW, 1.04 * NM, 1.04 * KW), "columns 1, 2, 3 or 1, 4, 5"),
    ],
)
def test_columns_without_names_that_their_figures_do_not_tell_are_refused_and_what_must_be_named_is_said(
    columns, why
):
    with pytest.raises(Unreadable) as refused:
        propose(file("", *columns))
    assert why in str(refused.value)
    assert "column 1, 2000 to 6000" in str(refused.value)
    assert "write a mapping that says by number which is the engine speed, and which torque or power" in str(
        refused.value
    )


def test_units_that_scatter_hides_are_not_chosen_without_names_either():
    """hp and N.m is 1.341, kW and lbf.ft 1.356, PS and N.m 1.360."""
    scatter = 1.0 + 0.08 * np.random.default_rng(1).standard_normal(RPM.size)
    with pytest.raises(Unreadable, match="without names"):
        propose(file("", RPM, NM, KW * scatter / POWER_KW["hp"]))


# Clock times


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("name", ["Time", "Uhrzeit", "Time (hh:mm:ss)", "Zeit (s)"])
def test_a_column_of_clock_times_is_time_from_its_first_row(name, mark):
    raw = file(f"{name};rpm;Nm", [clock(45_065.25 + t, mark) for t in SECONDS], RPM, NM)
    proposal = propose(raw)
    assert proposal.mapping.columns["time"].unit == "h:mm:ss"
    assert proposal.read.pulls[0].channels["time"] == pytest.approx(SECONDS, abs=1e-6)
    again = mappings.read(mappings.written(proposal.mapping))
    assert again == proposal.mapping


def test_minutes_and_seconds_are_a_clock_too_where_a_fraction_stands_behind_them():
    cells = [f"{int(t) // 60}:{t % 60:05.2f}" for t in SECONDS + 57.0]
    assert propose(file("Time;rpm;Nm", cells, RPM, NM)).read.pulls[0].channels["time"] == pytest.approx(
        SECONDS
    )
    whole = propose(file("Time;rpm;Nm", ["12:31"] * RPM.size, RPM, NM))
    assert "time" not in whole.mapping.columns
    assert said(whole.reasons, "12:31", "hours and minutes or minutes and seconds")


def test_a_pull_over_midnight_goes_on():
    raw = file("Time;rpm;Nm", [clock(86_398.0 + t) for t in SECONDS], RPM, NM)
    (pull,) = propose(raw).read.pulls
    assert pull.channels["time"] == pytest.approx(SECONDS, abs=1e-6)


def test_a_clock_without_a_time_in_a_row_loses_that_row_and_says_so():
    cells = [clock(45_065.25 + t) for t in SECONDS]
    cells[10] = "12:61:00"
    proposal = propose(file("Time;rpm;Nm", cells, RPM, NM))
    assert said([fault.why for fault in proposal.read.faults], "no figure for time")
    assert proposal.read.pulls[0].channels["rpm"].size == RPM.size - 1


def test_pulls_below_each_other_are_told_apart_by_the_pause_on_the_clock():
    times = [clock(45_065.25 + t) for t in (*SECONDS, *(SECONDS + 90.0))]
    proposal = propose(file("Time;rpm;Nm", times, [*RPM, *RPM], [*NM, *(NM * 1.02)]))
    assert [pull.channels["time"][0] for pull in proposal.read.pulls] == [0.0, 0.0]


# Run numbers


@pytest.mark.parametrize("labels", [("1", "2", "3"), ("7", "8", "12"), ("A", "B", "C")])
def test_a_column_of_run_numbers_tells_pulls_apart_that_nothing_else_would(labels):
    """Without time, a pull that begins where the one before ended does not fall in engine speed."""
    up, down = RPM, RPM[::-1]
    rpm = [*up, *down, *up]
    nm = [*NM, *NM[::-1] * 1.01, *NM * 1.02]
    proposal = propose(file("Run;rpm;Nm", [label for label in labels for _ in RPM], rpm, nm))
    assert (proposal.mapping.file.pulls, proposal.mapping.file.pull_column) == ("stacked", "Run")
    assert [pull.channels["torque"].max() for pull in proposal.read.pulls] == pytest.approx(
        [NM.max(), 1.01 * NM.max(), 1.02 * NM.max()], rel=1e-4
    )
    again = mappings.read(mappings.written(proposal.mapping))
    assert again == proposal.mapping


def test_a_file_of_one_run_keeps_its_column_for_the_next_file_that_holds_more():
    one = propose(file("Run no.;rpm;Nm", ["4"] * RPM.size, RPM, NM))
    two = file("Run no.;rpm;Nm", ["4"] * RPM.size + ["5"] * RPM.size, [*RPM, *RPM[::-1]], [*NM, *NM[::-1]])
    assert len(read_file(two, one.mapping).pulls) == 2


def test_a_column_that_counts_rows_is_no_run_number():
    proposal = propose(file("Run;rpm;Nm", np.arange(1.0, RPM.size + 1.0), RPM, NM))
    assert proposal.mapping.file.pull_column is None
    assert said(proposal.reasons, "'Run', left out")
    assert len(proposal.read.pulls) == 1


def test_rows_without_a_run_number_belong_to_no_pull_and_are_said():
    cells = ["1"] * RPM.size + ["2"] * RPM.size
    proposal = propose(file("Run;rpm;Nm", cells, [*RPM, *RPM], [*NM, *NM]))
    cells[5] = ""
    read = read_file(file("Run;rpm;Nm", cells, [*RPM, *RPM], [*NM, *NM]), proposal.mapping)
    assert [pull.channels["rpm"].size for pull in read.pulls] == [RPM.size - 1, RPM.size]
    assert said([fault.why for fault in read.faults], "no run number")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ('pull_column = 1\npulls = "one"', 'pull_column = 1: needs pulls = "stacked"'),
        ("pull_column = 0", "must be a column's number counted from 1, or its name"),
        ('pull_column = "Run"\npulls = "stacked"', "has no line of names (names_line = 0); use its number"),
    ],
)
def test_a_run_column_that_cannot_be_meant_is_named_with_the_way_out(words, says):
    text = f'[file]\nseparator = ";"\nfirst_row = 1\n{words}\n[columns.rpm]\nnumber = 2\nunit = "rpm"\n[columns.torque]\nnumber = 3\nunit = "Nm"\n'
    with pytest.raises(BadMapping) as wrong:
        mappings.read(text)
    assert says in str(wrong.value)


# Air as a column

AIR = "Air temperature (°F);Barometer (hPa);Relative humidity (%)"


def test_air_that_stands_still_in_columns_along_the_pull_is_the_pulls_air():
    """70.7 degF is 21.5 degC (NIST SP 811, appendix B.8: (F - 32) / 1.8)."""
    one = [np.full(RPM.size, value) for value in (70.7, 987.2, 41.0)]
    proposal = propose(file(f"rpm;Nm;{AIR}", RPM, NM, *one))
    facts = proposal.read.pulls[0].facts
    assert (facts.temperature_c, facts.pressure_kpa, facts.humidity) == pytest.approx((21.5, 98.72, 0.41))
    assert said(proposal.reasons, "Air temperature", "the air of each pull")
    again = mappings.read(mappings.written(proposal.mapping))
    assert again == proposal.mapping


def test_each_pull_of_a_stacked_file_has_its_own_air_and_a_columns_before_the_headers():
    both = lambda a, b: [a] * RPM.size + [b] * RPM.size  # noqa: E731
    raw = file("Run;rpm;Nm;Air temp (C)", both("1", "2"), [*RPM, *RPM], [*NM, *NM], both(21.0, 23.0), head=("Air temp: 15 °C",))  # fmt: skip
    assert [pull.facts.temperature_c for pull in propose(raw).read.pulls] == [21.0, 23.0]


def test_a_dew_point_in_a_column_takes_the_place_of_the_headers_humidity():
    dew_point = np.full(RPM.size, 9.0)
    raw = file("rpm;Nm;Dew point (C)", RPM, NM, dew_point, head=("Relative humidity: 40 %",))
    (pull,) = propose(raw).read.pulls
    assert (pull.facts.dew_point_c, pull.facts.humidity) == (9.0, None)
    (pull,) = propose(file("rpm;Nm", RPM, NM, head=("Relative humidity: 40 %",))).read.pulls
    assert (pull.facts.dew_point_c, pull.facts.humidity) == (None, 0.4)


def test_an_instrument_that_flickers_gives_its_median_and_one_that_runs_away_nothing_and_is_said():
    flicker = 21.0 + 0.1 * (np.arange(RPM.size) % 2)
    assert propose(file("rpm;Nm;Air temp (C)", RPM, NM, flicker)).read.pulls[0].facts.temperature_c == pytest.approx(21.05, abs=0.051)  # fmt: skip
    away = propose(file("rpm;Nm;Air temp (C)", RPM, NM, np.linspace(21.0, 38.0, RPM.size)))
    assert away.read.pulls[0].facts.temperature_c is None
    assert said([fault.why for fault in away.read.faults], "temperature", "21 to 38 °C", "left out")


@pytest.mark.parametrize("name", ["Temperature (C)", "Pressure (kPa)", "Air temp"])
def test_a_column_that_may_be_another_temperature_or_has_no_unit_is_left_out_and_said(name):
    proposal = propose(file(f"rpm;Nm;{name}", RPM, NM, np.full(RPM.size, 98.0)))
    assert proposal.mapping.air == {}
    assert said(proposal.reasons, name, "left out", "[air.")


def test_the_air_of_the_mapping_is_checked_like_its_channels():
    text = '[file]\nnames_line = 1\nfirst_row = 2\n[columns.rpm]\nname = "rpm"\nunit = "rpm"\n[columns.torque]\nname = "Nm"\nunit = "Nm"\n[air.temperature]\nname = "T"\nunit = "bar"\n[air.wind]\nnumber = 3\nunit = "C"\n'
    with pytest.raises(BadMapping) as wrong:
        mappings.read(text)
    assert "air.temperature.unit = 'bar': is no unit of temperature known here" in str(wrong.value)
    assert "air.wind" in str(wrong.value)


# A name


def test_ansaugluft_alone_is_the_inlet_air():
    proposal = propose(file("Drehzahl (1/min);Drehmoment (Nm);Ansaugluft (°C)", RPM, NM, 24.0 + RPM / 1000.0))
    assert proposal.read.pulls[0].channels["inlet"] == pytest.approx(24.0 + RPM / 1000.0)
