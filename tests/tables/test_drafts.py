"""Where learning stops: a draft with all that was understood, whose open lines are choices that then read the file."""

import itertools

import numpy as np
import pytest

from service.tables import mapping as mappings
from service.tables.draft import NotLearned
from service.tables.errors import BadMapping
from service.tables.learning import propose
from service.tables.pulls import read_file
from service.tables.records import Basis
from tests.tables.shapes import POWER_KW, TORQUE_NM, torque_nm

RPM = np.arange(2000.0, 6001.0, 100.0)
NM = torque_nm(RPM)
KW = NM * RPM * 2.0 * np.pi / 60_000.0


def file(names, *columns, head=()):
    rows = [";".join(f"{value:.4f}" for value in row) for row in zip(*columns, strict=True)]
    return "\n".join([*head, *([names] if names else []), *rows]).encode()


def drafted(raw):
    with pytest.raises(NotLearned) as refused:
        propose(raw)
    draft = refused.value.draft
    return mappings.written(draft.mapping, [*draft.reasons, *draft.doubts], draft.open)


def proposed(raw):
    proposal = propose(raw)
    return mappings.written(proposal.mapping, proposal.reasons, proposal.open)


def settled(text, *lines):
    """The draft with the # taken off these lines, the first of each that stands below the one before."""
    out, left = [], list(lines)
    for line in text.splitlines():
        if left and line == f"# {left[0]}":
            out.append(left.pop(0))
        else:
            out.append(line)
    assert not left, f"not offered: {left} in\n{text}"
    return mappings.read("\n".join(out))


def test_a_draft_that_nobody_settled_is_refused_with_what_is_missing():
    with pytest.raises(BadMapping, match=r"columns\.torque\.unit is missing: one of"):
        mappings.read(drafted(file("RPM;Torque", RPM, NM)))


@pytest.mark.parametrize("unit", ["N.m", "lbf.ft", "kgf.m"])
def test_torque_alone_without_a_unit_is_read_once_its_unit_is_chosen(unit):
    raw = file("Engine RPM;Torque", RPM, NM / TORQUE_NM[unit])
    mapping = settled(drafted(raw), f'unit = "{unit}"', 'basis = {standard = "sae-j607"}')
    assert (mapping.pull.basis, mapping.file.rows) == (Basis("sae-j607"), "rpm")
    assert read_file(raw, mapping).pulls[0].channels["torque"] == pytest.approx(NM, rel=1e-4)


@pytest.mark.parametrize(("power", "torque"), [("hp", "N.m"), ("PS", "N.m"), ("kW", "lbf.ft")])
def test_units_that_cannot_be_told_apart_are_both_offered(power, torque):
    scatter = 1.0 + 0.08 * np.random.default_rng(1).standard_normal(RPM.size)
    raw = file("rpm;Torque;Power", RPM, NM / TORQUE_NM[torque], KW * scatter / POWER_KW[power])
    pull = read_file(raw, settled(drafted(raw), f'unit = "{torque}"', f'unit = "{power}"')).pulls[0]
    assert pull.channels["torque"] == pytest.approx(NM, rel=1e-4)
    assert pull.channels["power"] == pytest.approx(KW * scatter, rel=1e-4)


def test_where_no_name_is_known_each_column_is_offered_with_what_it_holds():
    raw = file("A;B;C", RPM, NM, KW)
    text = drafted(raw)
    assert "# TO BE SETTLED: rpm: is it column 1, 'A', 2000 to 6000 and only rises" in text
    names = ("[columns.rpm]", 'name = "A"', 'unit = "rpm"', "[columns.torque]", 'name = "B"', 'unit = "N.m"')
    mapping = settled(text, *names)
    assert read_file(raw, mapping).pulls[0].channels["torque"] == pytest.approx(NM, abs=1e-4)


def test_columns_without_names_are_offered_by_number():
    raw = file("", RPM, KW)
    lines = ("[columns.rpm]", "number = 1", 'unit = "rpm"', "[columns.power]", "number = 2", 'unit = "PS"')
    pull = read_file(raw, settled(drafted(raw), *lines)).pulls[0]
    assert pull.channels["power"] == pytest.approx(KW * 0.7354988, rel=1e-4)  # NIST SP 811, appendix B.8


def test_what_was_understood_stands_in_the_draft_where_engine_speed_is_lacking():
    text = drafted(file("Time (s);Foo;Torque (Nm);IAT (C)", RPM / 1000.0, RPM, NM, NM / 10.0))
    mapping = settled(text, "[columns.rpm]", 'name = "Foo"', 'unit = "rpm"')
    assert set(mapping.columns) == {"rpm", "torque", "time", "inlet"}
    assert mapping.file.rows == "time"


def test_lines_that_wait_are_only_comments_in_a_mapping_that_reads_as_it_stands():
    raw = file("rpm;Torque (Nm);AFR", RPM, NM, np.full(RPM.size, 12.6))
    text = proposed(raw)
    assert mappings.read(text) == propose(raw).mapping
    lines = ("[columns.lambda]", 'name = "AFR"', 'unit = "AFR"', "stoichiometric = 14.7")
    assert read_file(raw, settled(text, *lines)).pulls[0].channels["lambda"] == pytest.approx(12.6 / 14.7)


def test_a_power_left_out_for_its_unit_beside_a_torque_that_has_one_is_offered_too():
    raw = file("rpm;Torque (Nm);Power", RPM, NM, 1.07 * KW)
    lines = ("[columns.power]", 'name = "Power"', 'unit = "kW"')
    assert set(settled(proposed(raw), *lines).columns) == {"rpm", "torque", "power"}


def test_what_is_lacking_is_said_once_with_what_to_write():
    proposal = propose(file("rpm;Torque (Nm);AFR", RPM, NM, np.full(RPM.size, 12.6)))
    said = [line for line in (*proposal.reasons, *proposal.doubts) if "'AFR'" in line]
    assert len(said) == 1
    assert said[0] in proposal.doubts
    for words in (
        "stoichiometric = 14.7",
        "petrol",
        "whoever set the gauge",
        "[columns.lambda]",
        'unit = "AFR"',
    ):
        assert words in said[0]


def test_the_choices_of_pull_basis_are_named_and_each_is_one_that_a_mapping_takes():
    proposal = propose(file("rpm;Torque (Nm)", RPM, NM))
    doubt = next(line for line in proposal.doubts if "corrected" in line)
    assert 'basis = "observed"' in doubt
    assert 'basis = {standard = "sae-j1349"}' in doubt
    text = proposed(file("rpm;Torque (Nm)", RPM, NM))
    offered = [line.removeprefix("# ") for line in text.splitlines() if line.startswith("# basis")]
    assert len(offered) == 8
    bases = [settled(text, line).pull.basis for line in offered]
    assert bases[:2] == [Basis(None), Basis("sae-j1349")]
    assert all(one != other for one, other in itertools.combinations(bases, 2))


def test_a_name_that_says_corrected_is_quoted_beside_the_question():
    proposal = propose(file("rpm;Power SAE (kW)", RPM, KW))
    assert any("'Power SAE (kW)', says corrected" in doubt for doubt in proposal.doubts)
