"""What a column's heading says: its channel and its unit. Plain trade words: common practice, no source."""

import numpy as np
import pytest

from service.tables.errors import Unreadable
from service.tables.learning import propose
from service.tables.units import unit_in
from tests.tables.shapes import torque_nm

RPM = np.arange(2000.0, 6001.0, 100.0)
NM = torque_nm(RPM)
KW = NM * RPM * 2.0 * np.pi / 60_000.0
PER = {
    "rpm": 1.0, "1000 * rpm": 1000.0, "newton * meter": 1.0, "foot * force_pound": 1.355818,
    "kilogram_force * meter": 9.80665, "kilowatt": 1.0, "horsepower": 0.7456999, "metric_horsepower": 0.7354988,
}  # fmt: skip
"""One of it in rpm, N.m or kW: NIST SP 811 (2008), appendix B.8."""
RPM_UNIT, NM_UNIT, FT_LB, KGF_M = "rpm", "newton * meter", "foot * force_pound", "kilogram_force * meter"
KW_UNIT, HP, PS = "kilowatt", "horsepower", "metric_horsepower"

SPEEDS = [
    "RPM", "rpm", "Rpm", "Engine RPM", "EngineRPM", "engineRpm", "Eng RPM", "Eng_RPM", "ENG RPM", "EngRPM", "Motor RPM",
    "MotorRPM", "Mot_RPM", "engine_rpm", "Engine-RPM", "RPM Engine", "Engine RPM (rpm)", "Engine RPM [1/min]",
    "Engine (rpm)", "Engine Speed", "EngineSpeed", "Eng Spd", "EngSpd_rpm", "eng_speed_rpm", "Motor Speed, rpm",
    "Speed (rpm)", "Speed RPM", "engine speed 1/min", "Engine revs", "Drehzahl [U/min]", "n_eng [1/min]", "MotorDrehzahl", "RPM 2",
]  # fmt: skip
TORQUES = [
    ("Torque (lb-ft)", FT_LB), ("Corr Torque (lb-ft)", FT_LB), ("Torque_lb_ft", FT_LB), ("Torque ft lb", FT_LB),
    ("TorqueFtLb", FT_LB), ("Tq_Nm", NM_UNIT), ("TqNm", NM_UNIT), ("Engine Torque Nm", NM_UNIT), ("EngTq [Nm]", NM_UNIT),
    ("Engine Nm", NM_UNIT), ("torque-lb-ft", FT_LB), ("Torque N m", NM_UNIT), ("Torque (Nm) SAE", NM_UNIT),
    ("Torque [Nm, corrected]", NM_UNIT), ("Mot Trq (kgf.m)", KGF_M), ("TORQUE:FT-LBS", FT_LB), ("Obs Torque ftlbs", FT_LB), ("M_eng [Nm]", NM_UNIT),
]  # fmt: skip
AT_WHEELS = [
    ("Wtq_ftlb", FT_LB), ("WTQ (lb-ft)", FT_LB), ("WhlTq_Nm", NM_UNIT), ("Wheel Nm", NM_UNIT), ("RWTQ ftlb", FT_LB),
    ("Wheel Torque (Nm)", NM_UNIT), ("Torque at the wheels [Nm]", NM_UNIT), ("Whl Torque Nm", NM_UNIT),
]  # fmt: skip
POWERS = [
    ("Whp_hp", HP), ("WHP", HP), ("Whp", HP), ("Wheel HP", HP), ("WheelHP", HP), ("RWHP", HP), ("Wheel kW", KW_UNIT),
    ("Corrected Power (hp)", HP), ("Power SAE (hp)", HP), ("Power (hp, SAE)", HP), ("Power (SAE) hp", HP), ("SAE HP", HP),
    ("HP (corrected)", HP), ("CorrectedPower_kW", KW_UNIT), ("PowerKW", KW_UNIT), ("PowerkW", KW_UNIT), ("Pwr_kW", KW_UNIT),
    ("Power DIN [PS]", PS), ("Power metric hp", PS), ("Whl Pwr (kW)", KW_UNIT), ("Engine Power HP", HP), ("Hub kW", KW_UNIT),
    ("Eng Pwr PS", PS), ("Power_hp", HP), ("HP at wheels", HP), ("kW ATW", KW_UNIT), ("P_wheel [kW]", KW_UNIT),
]  # fmt: skip
OTHERS = [
    ("Roller RPM", "roller_speed", "rpm"), ("DrumRPM", "roller_speed", "rpm"), ("Throttle Pos (%)", "throttle", "percent"),
    ("ThrottlePos_pct", "throttle", "percent"), ("TPS %", "throttle", "percent"), ("IAT_C", "inlet", "degree_Celsius"),
    ("IntakeAirTempC", "inlet", "degree_Celsius"), ("IntakeTempDegC", "inlet", "degree_Celsius"),
    ("Intake Air Temp [degF]", "inlet", "degree_Fahrenheit"), ("ManifoldPressurekPa", "map", "kilopascal"),
    ("Manifold Abs Press (kPa)", "map", "kilopascal"), ("IgnAdv_deg", "spark", "degree"), ("Ign Timing (deg)", "spark", "degree"),
    ("Time_s", "time", "second"), ("ElapsedTime (s)", "time", "second"), ("TimeMs", "time", "millisecond"),
    ("Lambda 1", "lambda", "dimensionless"),
]  # fmt: skip
NONE_OF_IT = [
    "Turbo RPM", "Turbo speed (rpm)", "Wheel speed", "Wheel speed (rpm)", "WheelRPM", "Vehicle Speed (km/h)", "Fan RPM", "Target RPM",
    "RPM target (rpm)", "RPM limit", "Max RPM", "RPM (max)", "RPM/s", "RPM min", "Oil pressure (bar)", "Engine oil temp (C)", "OilPress_kPa",
    "Power steering (bar)", "Power steering", "Engine load (%)", "Torque request (Nm)", "TorqueDemand_Nm", "Torque limit",
    "Flywheel HP", "Crank_Torque_Nm", "Power loss (kW)", "Loss HP", "Correction factor", "Corr factor", "Cam RPM",
    "Output shaft rpm", "Engine temp (F)", "Fuel pressure (psi)", "Torque converter slip (rpm)", "Gear", "Battery V", "P (bar)",
    "Moment (deg)", "Roller torque (Nm)", "Estimated_Power_hp", "P_oil (bar)", "Engine P", "Engine power (%)",
]  # fmt: skip


def file(*columns):
    """A file of columns, each its heading and its figures."""
    names, figures = zip(*columns, strict=True)
    rows = [";".join(f"{value:.4f}" for value in row) for row in zip(*figures, strict=True)]
    return "\n".join([";".join(names), *rows]).encode()


@pytest.mark.parametrize("heading", SPEEDS)
def test_a_heading_of_engine_speed(heading):
    mapping = propose(file((heading, RPM), ("Torque (Nm)", NM))).mapping
    assert mapping.columns["rpm"].places == (heading,)
    assert unit_in(mapping.columns["rpm"].unit, "speed").pint_name == RPM_UNIT


@pytest.mark.parametrize(("heading", "unit"), TORQUES)
def test_a_heading_of_torque(heading, unit):
    proposal = propose(file(("rpm", RPM), (heading, NM / PER[unit])))
    assert set(proposal.mapping.columns) == {"rpm", "torque"}
    assert proposal.read.pulls[0].channels["torque"] == pytest.approx(NM, rel=1e-4)


@pytest.mark.parametrize(("heading", "unit"), AT_WHEELS)
def test_a_heading_of_torque_at_the_wheels_is_torque_where_it_goes_with_power_and_the_axles_own_else(
    heading, unit
):
    """Power over engine speed is the one; torque times the gears the other."""
    with_power = propose(file(("rpm", RPM), (heading, NM / PER[unit]), ("Power (kW)", KW)))
    assert with_power.read.pulls[0].channels["torque"] == pytest.approx(NM, rel=1e-4)
    geared = propose(file(("rpm", RPM), (heading, 5.2 * NM / PER[unit]), ("Power (kW)", KW)))
    assert geared.read.pulls[0].channels["axle_torque"] == pytest.approx(5.2 * NM, rel=1e-4)


@pytest.mark.parametrize(("heading", "unit"), POWERS)
def test_a_heading_of_power(heading, unit):
    proposal = propose(file(("rpm", RPM), (heading, KW / PER[unit])))
    assert set(proposal.mapping.columns) == {"rpm", "power"}
    assert proposal.read.pulls[0].channels["power"] == pytest.approx(KW, rel=1e-4)


@pytest.mark.parametrize(("heading", "channel", "unit"), OTHERS)
def test_a_heading_of_another_channel(heading, channel, unit):
    steps = {"time": np.arange(RPM.size) * 0.5, "lambda": np.full(RPM.size, 0.88)}
    figures = steps.get(channel, RPM / 100.0) * (100.0 if unit == "millisecond" else 1.0)
    columns = propose(file(("rpm", RPM), ("Torque (Nm)", NM), (heading, figures))).mapping.columns
    assert set(columns) == {"rpm", "torque", channel}
    quantity = {"roller_speed": "speed", "throttle": "share", "inlet": "temperature", "map": "pressure"}
    named = quantity.get(channel) or {"spark": "angle", "time": "time", "lambda": "mixture"}[channel]
    assert unit_in(columns[channel].unit, named).pint_name == unit


@pytest.mark.parametrize("heading", NONE_OF_IT)
def test_a_heading_that_means_something_else_is_not_taken(heading):
    columns = propose(file(("rpm", RPM), ("Torque (Nm)", NM), (heading, RPM))).mapping.columns
    assert set(columns) == {"rpm", "torque"}
    with pytest.raises(Unreadable):  # nor where nothing else could be the engine speed
        propose(file((heading, RPM), ("Torque (Nm)", NM)))


def test_a_name_that_says_corrected_in_any_way_is_corrected_where_the_measured_one_stands_beside_it():
    for heading in (
        "PowerSAE_kW",
        "kW SAE J1349",
        "Corr_Power (kW)",
        "Power (kW, ISO 1585)",
        "Power STD [kW]",
    ):
        taken = propose(file(("rpm", RPM), (heading, 1.04 * KW), ("Power (kW)", KW)))
        assert taken.mapping.columns["power"].places == ("Power (kW)",)
        assert any(heading in reason and "it is corrected" in reason for reason in taken.reasons)


def test_wheel_power_is_taken_before_power_that_does_not_say_where():
    taken = propose(file(("EngineRPM", RPM), ("HP", 1.15 * KW), ("WHP", KW / PER[HP])))
    assert taken.mapping.columns["power"].places == ("WHP",)


def test_a_file_of_an_american_shop_is_learned_whole():
    """lbf.ft and hp: k is 1.8182 (9549.3 x 0.7456999 / 1.355818 / 5252.1), and 5252 rpm is where both are equal."""
    raw = file(
        ("Time_s", RPM / 1000.0), ("Engine RPM", RPM), ("Whp_hp", KW / PER[HP]), ("Wtq_ftlb", NM / PER[FT_LB])
    )
    proposal = propose(raw)
    assert set(proposal.mapping.columns) == {"time", "rpm", "power", "torque"}
    assert any("agree in hp and ftlb" in reason for reason in proposal.reasons)


def test_torque_at_the_wheels_without_a_unit_has_it_from_power_and_speed():
    proposal = propose(file(("Engine RPM", RPM), ("WHP", KW / PER[HP]), ("WTQ", NM / PER[FT_LB])))
    assert proposal.mapping.columns["torque"].unit == "lbf.ft"
