"""Whose word counts for a pull, in which units it is, and what is refused of it."""

import httpx
import pytest

from service.bay.desk import CannotTake
from service.bay.known import NotUnderstood, understood
from service.bay.names import paths_of, unknown
from service.bay.reading import reader_by
from service.bay.settings import BayNotSet, read_settings
from service.bay.sidecar import said_beside
from service.bay.weather import weather_by
from tests.bay.test_weather import ROWS, STATION, at

TOML = 'url = "http://file"\nbay = "file"\nunits = "si"\ntoken = "of-file"\n'
OUTSIDE = {"BAYLEDGER_URL": "http://environment", "BAYLEDGER_BAY_TOKEN": "of-environment"}


def test_flags_come_before_the_environment_and_that_before_the_file(tmp_path):
    (tmp_path / "bay.toml").write_text(TOML)
    flags = {"bay_dir": tmp_path, "url": "http://flag", "bay": None}
    found = read_settings(flags, OUTSIDE)
    assert (found.url, found.token, found.bay) == ("http://flag", "of-environment", "file")
    assert read_settings({"bay_dir": tmp_path}, OUTSIDE).url == "http://environment"
    assert read_settings({"bay_dir": tmp_path}, {"BAYLEDGER_BAY": ""}).bay == "file"
    assert read_settings({}, {"BAYLEDGER_BAY_DIR": str(tmp_path)}).url == "http://file"


def test_the_token_of_whoever_asks_the_ledger_is_not_the_bays(tmp_path):
    (tmp_path / "bay.toml").write_text(TOML)
    asking = {"BAYLEDGER_TOKEN": "of the one who asks"}
    assert read_settings({"bay_dir": tmp_path}, asking).token == "of-file"
    (tmp_path / "bay.toml").write_text(TOML.replace('token = "of-file"', 'token_file = "token"'))
    (tmp_path / "token").write_text("of a file of its own\n")
    assert read_settings({"bay_dir": tmp_path}, asking).token == "of a file of its own"


def test_spans_of_bay_toml_are_seconds_and_nothing_else(tmp_path):
    (tmp_path / "bay.toml").write_text(TOML + "cut_short_wait_s = 45\nmachine_clock_ahead_s = -12.5\n")
    found = read_settings({"bay_dir": tmp_path}, {})
    assert (found.cut_short_wait_s, found.machine_clock_ahead_s) == (45.0, -12.5)
    (tmp_path / "bay.toml").write_text(TOML + 'machine_clock_ahead_s = "3 min"\n')
    with pytest.raises(BayNotSet, match="machine_clock_ahead_s = '3 min' must be a number of seconds"):
        read_settings({"bay_dir": tmp_path}, {})


@pytest.mark.parametrize("said", ["obsrved", "sae-j1394:1.02", "observed:1.02", {"standard": "sae"}])
def test_a_basis_that_is_none_is_refused_when_it_is_said_with_those_there_are(tmp_path, said):
    with pytest.raises(
        NotUnderstood, match="must be observed, or the standard it was corrected to: sae-j1349"
    ):
        understood({"basis": said}, "--", "si")


def test_a_mistyped_basis_in_the_bays_settings_or_a_sidecar_is_refused_there(tmp_path):
    (tmp_path / "bay.toml").write_text(TOML + '[defaults]\nbasis = "obsrved"\n')
    with pytest.raises(BayNotSet, match=r"\[defaults\]: basis = 'obsrved' must be observed"):
        read_settings({"bay_dir": tmp_path}, {})
    (tmp_path / "a.csv.toml").write_text('basis = "obsrved"\n')
    with pytest.raises(CannotTake, match=r"a\.csv\.toml: basis = 'obsrved' must be observed"):
        said_beside(tmp_path / "a.csv", "si")


def test_a_figure_of_another_unit_has_no_dust_of_its_conversion():
    """66.2 degF is 19 degC exactly: (66.2 - 32) / 1.8."""
    assert repr(understood({"temperature": 66.2}, "--", "us")["temperature"]) == "19.0"


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"humidity": 0.4, "dew_point": 8.0}, "give humidity or dew_point, not both"),
        ({"gear": 3.5}, "gear = 3.5 must be a whole number"),
        ({"gear": True}, "gear = True must be a number"),
        ({"status": "rejected"}, "needs a reason beside it"),
        ({"car": "No Tag"}, "car = 'No Tag' must be a short name"),
        ({"parts": ""}, "must list what is fitted"),
        ({"basis": "sae-j1349:much"}, "must be a number"),
    ],
)
def test_what_cannot_be_meant_is_refused_by_its_name(said, words):
    with pytest.raises(NotUnderstood, match=words):
        understood(said, "--", "si")


def test_every_fault_is_named_at_once():
    with pytest.raises(NotUnderstood) as error:
        understood({"gear": 3.5, "humidity": 0.4, "dew_point": 8.0, "colour": "red"}, "--", "si")
    assert len(error.value.faults) == 3


def test_a_sidecar_is_read_in_the_units_of_the_bay(tmp_path):
    file = tmp_path / "a.csv"
    assert said_beside(file, "us") == {}
    (tmp_path / "a.csv.toml").write_text("temperature = 77.0\ntyre_pressure = 30.0\n")
    said = said_beside(file, "us")
    assert said["temperature"] == pytest.approx(25.0)  # (77 - 32) / 1.8
    assert said["tyre_pressure"] == pytest.approx(30 * 6.894757, rel=1e-6)  # psi in kPa, NIST SP 811, B.8


@pytest.mark.parametrize("text", ["car = stoat", 'car = "No Tag"'])
def test_a_file_waits_until_its_sidecar_is_mended(tmp_path, text):
    (tmp_path / "a.csv.toml").write_text(text)
    with pytest.raises(CannotTake, match=r"a\.csv\.toml[\s\S]*a\.csv waits until it is mended"):
        said_beside(tmp_path / "a.csv", "si")


MAPPING = """
[file]
separator = ","
decimal = "."
names_line = 4
first_row = 5
rows = "rpm"
[columns.rpm]
name = "rpm"
unit = "rpm"
[columns.torque]
name = "Nm"
unit = "Nm"
[pull]
basis = {standard = "sae-j1349", factor = 1.01}
smoothing = {method = "mean", width_rpm = 50.0}
[header]
coolant = {key = "Coolant", unit = "C"}
oil = {key = "Oil", unit = "C"}
factor = {key = "Factor", unit = "1"}
"""


def read(tmp_path, head, mapping=MAPPING):
    (tmp_path / "mapping.toml").write_text(mapping)
    raw = "\n".join([*head, "rpm,Nm", *(f"{2000 + 100 * n},{200 + n}" for n in range(9))]).encode()
    (pull,) = reader_by(tmp_path / "mapping.toml")(raw, None).pulls
    return pull.said


def test_what_a_files_header_says_comes_in_under_its_own_names_and_its_factor_before_the_mappings(tmp_path):
    said = read(tmp_path, ["Coolant: 88", "Oil: 101", "Factor: 1.034"])
    assert (said["coolant"], said["oil"]) == (88.0, 101.0)
    assert said["basis"] == {"standard": "sae-j1349", "factor": 1.034}
    assert (said["smoothing"], said["smoothing_width"]) == ("mean", 50.0)
    without = read(tmp_path, ["Coolant: 88", "", ""])
    assert (without["basis"], "oil" in without) == ({"standard": "sae-j1349", "factor": 1.01}, False)


WITH_INLET = MAPPING.replace("[pull]", '[columns.inlet]\nname = "IAT"\nunit = "C"\n[pull]', 1)


def read_with_inlet(tmp_path, inlet_head=""):
    """A rise to 2800 rpm while the inlet air warms from 24 to 32 degC, then a coast-down with hotter air still."""
    header = '\ninlet = {key = "Intake", unit = "C"}' if inlet_head else ""
    (tmp_path / "mapping.toml").write_text(WITH_INLET.replace('rows = "rpm"', 'rows = "time"') + header)
    rise = [f"{2000 + 100 * n},{200 + n},{24 + n}" for n in range(9)]
    coast = [f"{2700 - 100 * n},{-20},{33 + n}" for n in range(4)]
    raw = "\n".join([inlet_head, "", "", "rpm,Nm,IAT", *rise, *coast]).encode()
    (pull,) = reader_by(tmp_path / "mapping.toml")(raw, None).pulls
    return pull


def test_a_column_of_inlet_air_says_what_it_was_at_the_start_and_at_the_end_of_the_pull(tmp_path):
    pull = read_with_inlet(tmp_path)
    assert (pull.said["inlet"], pull.said["inlet_end"]) == (24.0, 32.0)
    assert "inlet" not in read(tmp_path, ["", "", ""])


def test_inlet_air_in_a_files_header_comes_before_its_column(tmp_path):
    pull = read_with_inlet(tmp_path, "Intake: 22")
    assert (pull.said["inlet"], pull.said["inlet_end"]) == (22.0, 32.0)


def test_a_mended_mapping_counts_for_the_next_file(tmp_path):
    head = ["", "", ""]
    assert read(tmp_path, head)["smoothing"] == "mean"
    assert "smoothing" not in read(tmp_path, head, MAPPING.replace("smoothing", "#"))


def test_of_a_long_weather_file_its_end_is_looked_at(tmp_path, monkeypatch):
    monkeypatch.setattr("service.bay.weather.LOOKED_AT", 2)
    (tmp_path / "bay.toml").write_text(TOML)
    settings = read_settings({"bay_dir": tmp_path}, {})
    (tmp_path / "weather.csv").write_text(ROWS.removesuffix("\n18.03.2026 12:2"))
    object.__setattr__(settings, "weather", STATION)
    assert weather_by(settings)(at("12:12")).said["temperature"] == pytest.approx(22.0)
    assert "has no row at or before" in weather_by(settings)(at("11:59")).why_not


def test_parts_with_a_slot_are_asked_about_by_their_own_name():
    said = {"car": "stoat-1", "parts": ["road-map", {"part": "wide-pipe", "slot": "down-pipe"}]}
    assert list(paths_of(said)) == ["/v1/vehicles/stoat-1", "/v1/parts/road-map", "/v1/parts/wide-pipe"]


@pytest.mark.parametrize(
    ("status", "kind", "words"),
    [
        (404, "application/problem+json", "no car 'stoat-1'"),
        (404, "text/html", None),
        (401, "application/problem+json", None),
    ],
)
def test_only_the_ledgers_own_word_calls_a_name_unknown(status, kind, words):
    answer = httpx.Response(
        status, json={"detail": "no car 'stoat-1'"}, headers={"Content-Type": kind},
        request=httpx.Request("GET", "http://x/v1/vehicles/stoat-1"),
    )  # fmt: skip
    assert unknown(answer) == words
