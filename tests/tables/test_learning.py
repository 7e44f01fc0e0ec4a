"""What a sample tells, and what only a person can settle."""

import numpy as np
import pytest

from service.tables.errors import Unreadable
from service.tables.learning import propose
from service.tables.records import Basis
from tests.tables.shapes import POWER_KW, TORQUE_NM, torque_nm

RPM = np.arange(2000.0, 6001.0, 100.0)
KW = torque_nm(RPM) * RPM * 2.0 * np.pi / 60_000.0


def sample(*names: str, head: tuple[str, ...] = (), **columns: np.ndarray) -> bytes:
    """A file with semicolons; engine speed first, then the columns given."""
    rows = zip(*[RPM, *columns.values()], strict=True)
    table = [";".join(f"{value:.4f}" for value in row) for row in rows]
    return "\n".join([*head, ";".join(names), *table]).encode()


def torque_file(*head: str) -> bytes:
    return sample("rpm", "Torque (Nm)", head=head, a=torque_nm(RPM))


def said(lines: tuple[str, ...], *words: str) -> bool:
    return any(all(word in line for word in words) for line in lines)


@pytest.mark.parametrize("power", ["kW", "hp", "PS"])
@pytest.mark.parametrize("torque", ["Nm", "lbf.ft", "kgf.m"])
def test_units_that_are_not_written_follow_from_power_over_torque_and_speed(power, torque):
    raw = sample("rpm", "Torque", "Power", a=torque_nm(RPM) / TORQUE_NM[torque], b=KW / POWER_KW[power])
    proposal = propose(raw)
    assert proposal.read.pulls[0].channels["power"] == pytest.approx(KW, rel=3e-5)
    assert said(proposal.reasons, f"power in {power}", "k = 9549.3")


def test_units_that_k_cannot_tell_apart_are_never_chosen():
    """hp and N.m is 1.341, kW and lbf.ft 1.356, PS and N.m 1.360: scatter of 8 % hides which."""
    scatter = 1.0 + 0.08 * np.random.default_rng(1).standard_normal(RPM.size)
    with pytest.raises(Unreadable, match="cannot be told apart") as refused:
        propose(sample("rpm", "Torque", "Power", a=torque_nm(RPM), b=KW * scatter / 0.7456999))
    assert "PS and N.m" in str(refused.value)
    assert "hp and N.m" in str(refused.value)


def test_one_corrected_column_gives_k_of_no_pair_and_no_unit():
    with pytest.raises(Unreadable, match="no pair's known here"):
        propose(sample("rpm", "Torque", "Power", a=torque_nm(RPM), b=KW * 1.05))


def test_hp_whose_figures_are_ps_is_a_doubt_and_not_mended():
    proposal = propose(sample("rpm", "Torque (Nm)", "Power (hp)", a=torque_nm(RPM), b=KW / 0.7354988))
    assert said(proposal.doubts, "as if they were PS and N.m")
    assert proposal.mapping.columns["power"].unit == "hp"


def test_hp_alone_is_a_doubt_and_hp_that_goes_with_torque_is_a_reason():
    alone = propose(sample("rpm", "Power (hp)", a=KW / 0.7456999))
    assert said(alone.doubts, "550 ft.lbf/s", "75 kgf.m/s")
    both = propose(sample("rpm", "Torque (Nm)", "Power (hp)", a=torque_nm(RPM), b=KW / 0.7456999))
    assert not said(both.doubts, "550 ft.lbf/s")
    assert said(both.reasons, "agree in hp and Nm", "k = 1.0000")


def test_corrected_or_observed_is_a_doubt_unless_the_header_says():
    assert said(propose(torque_file()).doubts, "as observed or corrected")
    assert propose(torque_file()).mapping.pull.basis is None
    assert propose(torque_file("Correction: none")).mapping.pull.basis == Basis(None)
    assert propose(torque_file("Correction: SAE J1349")).mapping.pull.basis == Basis("sae-j1349")
    assert propose(torque_file("Korrektur: DIN 70020")).mapping.pull.basis == Basis("din-70020")


def test_what_was_measured_is_taken_before_what_was_corrected():
    proposal = propose(
        sample("rpm", "Corrected torque (Nm)", "Torque (Nm)", a=1.04 * torque_nm(RPM), b=torque_nm(RPM))
    )
    assert proposal.read.pulls[0].channels["torque"] == pytest.approx(torque_nm(RPM), abs=1e-4)
    assert proposal.mapping.pull.basis == Basis(None)


def test_power_at_the_wheels_is_taken_and_at_the_flywheel_left_out():
    proposal = propose(sample("rpm", "Flywheel power (kW)", "Wheel power (kW)", a=1.15 * KW, b=KW))
    assert proposal.read.pulls[0].channels["power"] == pytest.approx(KW, abs=1e-4)
    assert said(proposal.reasons, "Flywheel power", "left out")


def test_wheel_torque_that_does_not_go_with_power_is_the_axles_own():
    axle = propose(sample("rpm", "Wheel torque (Nm)", "Power (kW)", a=5.2 * torque_nm(RPM), b=KW))
    assert set(axle.mapping.columns) == {"rpm", "power", "axle_torque"}
    engine = propose(sample("rpm", "Wheel torque (Nm)", "Power (kW)", a=torque_nm(RPM), b=KW))
    assert set(engine.mapping.columns) == {"rpm", "power", "torque"}


@pytest.mark.parametrize(
    ("text", "form"),
    [("18/03/2026", "%d/%m/%Y"), ("03/18/2026 16:20", "%m/%d/%Y %H:%M"), ("2026-03-04", "%Y-%m-%d"), ("18.3.2026 9:05:07", "%d.%m.%Y %H:%M:%S")],
)  # fmt: skip
def test_a_date_that_reads_one_way_is_taken(text, form):
    assert propose(torque_file(f"Date: {text}")).mapping.header["started_at"].format == form


def test_a_date_that_reads_two_ways_is_a_doubt_and_left_out():
    proposal = propose(torque_file("Date: 03/04/2026"))
    assert "started_at" not in proposal.mapping.header
    assert said(proposal.doubts, "is two dates", "%d/%m/%Y or %m/%d/%Y")


def test_facts_are_found_with_units_written_or_told_by_their_range():
    proposal = propose(
        torque_file("Lufttemperatur: 21.5 °C", "Luftdruck: 987", "Luftfeuchte (%): 41", "Oil temperature: 90")
    )
    assert proposal.read.facts.temperature_c == 21.5
    assert proposal.read.facts.pressure_kpa == pytest.approx(98.7)
    assert proposal.read.facts.humidity == pytest.approx(0.41)
    assert proposal.read.facts.oil_c is None
    assert said(proposal.reasons, "oil temperature", "unit is not written")


def test_a_speed_over_ground_is_left_out_with_the_reason():
    proposal = propose(sample("rpm", "Torque (Nm)", "Roller speed (km/h)", a=torque_nm(RPM), b=RPM / 40.0))
    assert "roller_speed" not in proposal.mapping.columns
    assert said(proposal.reasons, "Roller speed (km/h)", "roller's girth")


def test_an_air_fuel_ratio_is_taken_on_the_scale_it_states_and_a_doubt_without():
    stated = propose(sample("rpm", "Torque (Nm)", "AFR (14.70)", a=torque_nm(RPM), b=np.full(RPM.size, 12.6)))
    assert stated.read.pulls[0].channels["lambda"] == pytest.approx(12.6 / 14.7)
    silent = propose(sample("rpm", "Torque (Nm)", "AFR", a=torque_nm(RPM), b=np.full(RPM.size, 12.6)))
    assert "lambda" not in silent.mapping.columns
    assert said(silent.doubts, "stoichiometric = 14.7")


def test_boost_is_taken_as_gauge_with_a_doubt_and_manifold_pressure_as_absolute():
    boost = propose(sample("rpm", "Torque (Nm)", "Boost (bar)", a=torque_nm(RPM), b=RPM / 6000.0))
    assert boost.mapping.columns["map"].gauge
    assert said(boost.doubts, "above the barometer")
    assert "map" not in boost.read.pulls[0].channels
    absolute = propose(sample("rpm", "Torque (Nm)", "MAP (kPa)", a=torque_nm(RPM), b=RPM / 50.0))
    assert absolute.read.pulls[0].channels["map"] == pytest.approx(RPM / 50.0)


@pytest.mark.parametrize(("digits", "decimal"), [("2.150", "."), ("2,150", ",")])
def test_a_mark_that_may_be_either_is_settled_by_what_an_engine_speed_can_be(digits, decimal):
    mark = digits[1]
    rows = [
        f"{n // 1000}{mark}{n % 1000:03d};{int(torque_nm(np.array(float(n))))}" for n in range(2000, 6001, 50)
    ]
    proposal = propose("\n".join(["Drehzahl (1/min);Drehmoment (Nm)", *rows]).encode())
    rpm = proposal.read.pulls[0].channels["rpm"]
    assert (rpm[0], rpm[-1]) == (2000.0, 6000.0)


def test_decimal_commas_in_a_file_cut_by_commas_are_refused_never_read_as_columns():
    rows = [
        f"{n},0,{t:.1f}".replace(".", ",")
        for n, t in zip(range(2000, 6001, 100), torque_nm(RPM), strict=True)
    ]
    with pytest.raises(Unreadable, match="has 4 cells where the rows have 2"):
        propose("\n".join(["rpm,Nm", *rows]).encode())


def test_a_unit_nobody_knows_is_a_doubt_even_where_the_figures_tell_it():
    proposal = propose(sample("rpm", "Torque (foo)", "Power (kW)", a=torque_nm(RPM), b=KW))
    assert said(proposal.doubts, "'foo' is no unit known here", "kW and N.m")
    with pytest.raises(Unreadable, match="its unit 'foo' is not known here"):
        propose(sample("rpm", "Torque (foo)", a=torque_nm(RPM)))


def test_names_that_say_observed_are_believed_and_so_is_corrected_in_brackets():
    assert propose(sample("rpm", "Observed torque (Nm)", a=torque_nm(RPM))).mapping.pull.basis == Basis(None)
    both = propose(
        sample("rpm", "Torque (Nm, corrected)", "Torque (Nm)", a=1.04 * torque_nm(RPM), b=torque_nm(RPM))
    )
    assert both.mapping.columns["torque"].places == ("Torque (Nm)",)


@pytest.mark.parametrize(
    "names",
    [("engine_speed_rpm", "torque_nm"), ("rpm", "Nm"), ("REVS (RPM)", "TORQUE (NM)"), ("Drehzahl in 1/min", "Drehmoment in Nm"),
     ("Régime / tr/min", "Couple / N.m"), ("Revoluciones [rpm]", "Par [Nm]"), ("#giri (giri/min)", "coppia {Nm}"), ("Speed, rpm", "Tq, Nm")],
)  # fmt: skip
def test_names_and_units_are_found_however_they_are_put_together(names):
    assert propose(sample(*names, a=torque_nm(RPM))).read.pulls[0].channels["torque"] == pytest.approx(
        torque_nm(RPM), abs=1e-4
    )


def test_one_engine_speed_may_stand_beside_the_power_of_several_pulls():
    proposal = propose(sample("rpm", "Power 1 (kW)", "Power 2 (kW)", a=KW, b=1.1 * KW))
    assert proposal.mapping.file.pulls == "side-by-side"
    for times, pull in zip((1.0, 1.1), proposal.read.pulls, strict=True):
        assert pull.channels["rpm"].tolist() == RPM.tolist()
        assert pull.channels["power"] == pytest.approx(times * KW, abs=1e-4)


def test_a_column_without_figures_and_one_with_the_wrong_sign_are_left_out_with_words():
    rows = [f"--;{r:.0f};{t:.2f};-1.5" for n, (r, t) in enumerate(zip(RPM, torque_nm(RPM), strict=True))]
    proposal = propose("\n".join(["Time;rpm;Nm;Knock retard", *rows]).encode())
    assert set(proposal.mapping.columns) == {"rpm", "torque"}
    assert said(proposal.reasons, "column 1, 'Time', left out: no figure stands under it")
    assert said(proposal.doubts, "Knock retard", "counts as positive")


def test_mixture_richness_is_never_taken_for_lambda():
    """Richness is the reciprocal of lambda."""
    proposal = propose(sample("rpm", "Couple (Nm)", "Richesse", a=torque_nm(RPM), b=np.full(RPM.size, 1.14)))
    assert "lambda" not in proposal.mapping.columns
