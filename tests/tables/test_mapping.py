"""A mapping as TOML: read and written."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.correction import STANDARDS
from service.tables import mapping
from service.tables.errors import BadMapping
from service.tables.records import (
    FACTS,
    Basis,
    Column,
    FileShape,
    HeaderFact,
    Mapping,
    PullWords,
    Smoothing,
)

WHOLE = """
[file]
separator = ";"
decimal = ","
names_line = 3
first_row = 5
rows = "time"
[columns.rpm]
name = "Drehzahl"
unit = "1/min"
[columns.torque]
name = "Drehmoment"
unit = "Nm"
"""
names = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=20).filter(
    str.strip
)
places = st.one_of(st.tuples(names), st.tuples(st.integers(1, 99)))
UNITS = {
    "rpm": "rpm",
    "torque": "lb-ft",
    "power": "PS",
    "time": "ms",
    "lambda": "lambda",
    "map": "psi",
    "inlet": "°C",
}


@st.composite
def mappings(draw: st.DrawFn) -> Mapping:
    decimal = draw(st.sampled_from(".,"))
    shape = FileShape(
        draw(st.sampled_from(["", "utf-8", "cp1252"])), draw(st.sampled_from([";", "\t", "blanks"])), decimal,
        draw(st.sampled_from(["", " ", "'"])), 2, draw(st.sampled_from([0, 3])), 4, draw(st.integers(0, 9)),
        draw(st.sampled_from(mapping.ROWS)), draw(st.sampled_from(["one", "stacked"])),
    )  # fmt: skip
    chosen = ["rpm", "torque", *draw(st.sets(st.sampled_from(["power", "time", "lambda", "map", "inlet"])))]
    columns = {c: Column(draw(places), UNITS[c], gauge=c == "map") for c in chosen}
    basis = draw(st.sampled_from([None, Basis(None), Basis("unknown"), *(Basis(s, 1.02) for s in STANDARDS)]))
    smoothing = draw(st.sampled_from([None, Smoothing("mean"), Smoothing("median", 50.0)]))
    header = {f: HeaderFact((draw(names),), unit={"share": "%", "factor": "1", "pressure": "hPa"}.get(FACTS[f], "°F"))
              for f in draw(st.sets(st.sampled_from(list(FACTS))))}  # fmt: skip
    if draw(st.booleans()):
        header["started_at"] = HeaderFact((draw(names), draw(names)), format="%d.%m.%Y %H:%M")
    return Mapping(
        shape, columns, PullWords(basis, draw(st.sampled_from([None, "sweep"])), "file", smoothing), header
    )


@settings(deadline=None, max_examples=50)
@given(mappings(), st.lists(st.text(max_size=40), max_size=3))
def test_a_mapping_written_is_read_back_the_same_whatever_the_reasons(made, reasons):
    assert mapping.read(mapping.written(made, reasons)) == made


@given(st.text(max_size=200))
def test_any_text_is_a_mapping_or_refused_with_words(text):
    with pytest.raises(BadMapping) as refused:
        mapping.read(text)
    assert refused.value.faults


def test_what_is_not_said_stays_unknown():
    read = mapping.read(WHOLE)
    assert read.pull == PullWords(None, None, None, None)
    assert (read.header, read.file.encoding) == ({}, "")


def test_the_reasons_stand_above_the_mapping_as_comments():
    made = mapping.read(WHOLE)
    assert mapping.written(made, ["k is 1.0000\nin kW"]).splitlines()[:2] == ["# k is 1.0000", "# in kW"]


def test_every_mistake_is_named_at_once_with_key_value_and_way_out():
    text = WHOLE.replace('separator = ";"', 'separator = "x"').replace("names_line = 3", "names_line = 9")
    text = text.replace('unit = "Nm"', 'unit = "Newton"\ngauge = true\ncolour = "red"')
    with pytest.raises(BadMapping) as refused:
        mapping.read(text + '[pull]\nbasis = "sae"\n[header]\noil = {key = "Oil", unit = "bar"}\n[colours]\n')
    faults = refused.value.faults
    told = ["file.separator = 'x': must be one of", "file.names_line = 9: must stand above first_row", "columns.torque.unit = 'Newton'",
            "columns.torque.gauge = True: only a pressure", "columns.torque.colour = 'red': no such key", "pull.basis = 'sae': must be",
            "header.oil.unit = 'bar'", "colours = {}: no such key"]  # fmt: skip
    assert [next((fault for fault in faults if fault.startswith(start)), start) for start in told] == sorted(
        faults, key=lambda fault: [fault.startswith(start) for start in told].index(True)
    )


@pytest.mark.parametrize(
    ("change", "to", "fault"),
    [('unit = "Nm"', 'unit = "Nm"\nshift_s = 0.3', "needs a time column"),
     ('name = "Drehzahl"', 'name = "Drehzahl"\nnumber = 1', "one of the two"),
     ('name = "Drehzahl"', 'name = ["a", "b"]', 'need file.pulls = "side-by-side"'),
     ("names_line = 3", "names_line = 0", "use number"),
     ("[columns.torque]", "[columns.throttle]", "columns.torque is missing"),
     ('decimal = ","', 'decimal = ","\nthousands = ","', "is the decimal mark too"),
     ("[columns.torque]", '[columns.lambda]\nnumber = 4\nunit = "AFR"\n[columns.torque]', "stoichiometric is missing"),
     ("[columns.torque]", '[columns.map]\nnumber = 4\nunit = "psia"\ngauge = true\n[columns.torque]', "is absolute")],
)  # fmt: skip
def test_a_mapping_that_contradicts_itself_is_refused(change, to, fault):
    with pytest.raises(BadMapping, match=fault):
        mapping.read(WHOLE.replace(change, to, 1))
