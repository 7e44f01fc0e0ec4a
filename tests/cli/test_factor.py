"""`bayledger factor`: factors worked out here, without a server."""

import json

import pytest

from service.domain.correction import STANDARDS
from tests.checks import rows

AIR = ("--temperature", 35, "--pressure", 98, "--humidity", 0.35)
DIESEL = (
    "--ignition", "compression", "--aspiration", "turbo", "--fuel-per-cycle", 100, "--boost-ratio", 2,
)  # fmt: skip


def test_without_a_standard_every_one_stands_in_the_table(run):
    ran = run("factor", *AIR, "--ignition", "spark")
    assert (ran.code, ran.err) == (0, "")
    lines = {line.split()[0]: line.split() for line in ran.out.splitlines()[2:]}
    assert list(lines) == list(STANDARDS)
    assert all(float(cells[1]) > 0.9 for cells in lines.values())
    assert lines["none"][1] == "1.0000"


@pytest.mark.parametrize(
    "row", [r for r in rows("t01_correction_factors.csv") if r["RH"]], ids=lambda r: r["case"]
)
def test_the_figures_are_the_published_formulas(run, row):
    """tests/checks/SOURCES.md: computed from the published formulas, apart from our code."""
    air = ("--temperature", row["t_C"], "--pressure", row["p_total_kPa"], "--humidity", row["RH"])
    printed = run("factor", *air, "--ignition", "spark", "--json")
    factors = {sheet["standard"]: sheet["factor"] for sheet in json.loads(printed.out)}
    assert factors["sae-j1349"] == pytest.approx(float(row["CF_J1349_1p18_minus_0p18"]), rel=1e-6)
    assert factors["iso-1585"] == pytest.approx(float(row["CF_powerlaw_1p2_0p6_SI"]), rel=1e-6)
    assert factors["sae-j607"] == pytest.approx(float(row["CF_J607_29p92_519p67"]), rel=1e-6)


def test_what_a_standard_needs_of_the_engine_is_said_in_its_line(run):
    ran = run("factor", *AIR, "--ignition", "compression", "--aspiration", "turbo")
    needs = {line.split()[0]: line.partition("needs ")[2].strip() for line in ran.out.splitlines()}
    assert needs["un-r85"] == "--fuel-per-cycle, --boost-ratio"
    assert needs["iso-1585"] == "--fuel-per-cycle, --boost-ratio, --charge-cooling"
    assert needs["din-70020"] == ""


def test_one_standard_is_shown_with_what_it_is_made_of_its_limits_and_its_source(run):
    ran = run("factor", *AIR, "--standard", "un-r85", *DIESEL)
    assert ran.code == 0
    words = " ".join(ran.out.split())
    for shown in (
        "fm 0.66",
        "q_c 50",
        "theta 1.03356",
        "inside 0.9..1.1",
        "temperature 35 °C: inside 10..40 °C",
    ):
        assert shown in words
    assert "second-hand" in words


def test_limits_are_shown_in_the_units_given(run):
    ran = run("factor", "--temperature", 97, "--pressure", 28.9, "--humidity", 0.35, "--units", "us", "--standard",
              "sae-j1349")  # fmt: skip
    assert "temperature 97 °F: OUTSIDE 59..95 °F" in ran.out
    assert "Caution: the air temperature" in ran.out


def test_a_sea_level_figure_is_recognised_by_the_altitude(run):
    ran = run("factor", "--temperature", 25, "--pressure", 101.3, "--humidity", 0.3, "--altitude-m", 1000)
    assert "looks like the weather report's figure" in " ".join(ran.out.split())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--temperature", 35, "--pressure", 98), "give --humidity (0..1) or --dew-point"),
        ((*AIR, "--dew-point", 10), "--dew-point 10: --humidity is given too"),
        (
            ("--temperature", 35, "--pressure", 980, "--humidity", 0.3),
            "--pressure 980: must lie between 40 and 115 kPa",
        ),
        (
            ("--temperature", 35, "--pressure", 98, "--humidity", 45),
            "--humidity 45: must lie between 0 and 1: write percent as a share: 45 % is 0.45",
        ),
        ((*AIR, "--standard", "sae"), "--standard sae: must be one of sae-j1349"),
        ((*AIR, "--standard", "un-r85"), "--ignition: missing: un-r85 needs it"),
        ((*AIR, "--standard", "un-r85", "--ignition", "compression"), "if it is charged, also --boost-ratio"),
        ((*AIR, "--boost-ratio", 0.5), "--boost-ratio 0.5: must lie between 1 and 10"),
        (("--pressure", 98, "--humidity", 0.3), "--temperature"),
    ],
)
def test_wrong_use_names_the_flag_and_the_way_out(run, arguments, words):
    ran = run("factor", *arguments)
    assert (ran.code, ran.out) == (2, "")
    assert words in " ".join(ran.err.split())


def test_all_faults_are_said_at_once_each_at_its_flag(run):
    ran = run("factor", "--temperature", 350, "--pressure", 980, "--humidity", 45, "--boost-ratio", 0.5,
              "--standard", "un-r85", "--ignition", "compression")  # fmt: skip
    for flag in ("--temperature 350", "--pressure 980", "--humidity 45", "--boost-ratio 0.5", "--aspiration",
                 "--fuel-per-cycle"):  # fmt: skip
        assert f"{flag}: " in ran.err


def test_a_dew_point_above_the_air_is_said_in_the_units_given(run):
    ran = run("factor", "--units", "us", "--temperature", 60, "--pressure", 29.29, "--dew-point", 82)
    said = " ".join(ran.err.split())
    assert "--dew-point 82: 82 °F is above the air temperature 60 °F" in said
    assert "degC" not in said


def test_a_dash_under_allowed_is_explained(run):
    ran = run("factor", *AIR)
    lines = {line.split()[0]: line for line in ran.out.splitlines()[2:]}
    assert lines["din-70020"].split()[2:] == ["–", "no", "limits", "known"]


def test_a_station_that_fits_its_altitude_says_so_beside_one_standard_too(run):
    # ISO 2533: 954.608 mbar at 500 m
    ran = run("factor", "--temperature", 25, "--pressure", 95.5, "--humidity", 0.3, "--altitude-m", 500,
              "--standard", "sae-j1349")  # fmt: skip
    assert "Station pressure: fits: 95.46 kPa is usual at 500 m." in ran.out
