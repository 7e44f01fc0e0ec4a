"""Whatever a file holds: a result, or a refusal in our words."""

from contextlib import suppress

from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.tables import mapping
from service.tables.errors import TableError
from service.tables.learning import propose
from service.tables.pulls import read_file
from tests.tables.shapes import SHAPES, mapping_of, written

WHOLE = written(SHAPES[21])
PLAIN = WHOLE[:1500] + WHOLE[-200:]
MAPPING = mapping.read(mapping_of(SHAPES[21]))
cells = st.one_of(
    st.sampled_from(["rpm", "Torque (Nm)", "kW", "1,234", "2.5", "-", '"', "1e9", "Time: 1", "nan", "0"]), st.text(max_size=6)
)  # fmt: skip
tables = st.lists(st.lists(cells, max_size=6), max_size=12).flatmap(
    lambda rows: st.sampled_from(";,\t| ").map(lambda mark: "\n".join(mark.join(row) for row in rows))
)


def held(raw: bytes) -> None:
    with suppress(TableError):
        propose(raw)
    with suppress(TableError):
        read_file(raw, MAPPING)


@settings(deadline=None)
@given(tables)
def test_any_table_is_read_or_refused_in_our_words(text):
    held(text.encode())


@settings(deadline=None)
@given(st.binary(max_size=400))
@example(b'"' + b"1" * 200_000)
@example(b"1;" * 5000)
@example(b"rpm;Nm\n" + b"0;0\n" * 20)
@example(b"rpm;Nm;kW\n" + b"1e300;1e-300;1e300\n" * 20)
def test_any_bytes_are_read_or_refused_in_our_words(raw):
    held(raw)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, len(PLAIN)), st.integers(0, len(PLAIN)), st.binary(max_size=8))
@example(275, 1314, b"")
def test_a_file_cut_or_spoilt_anywhere_is_read_or_refused_in_our_words(start, end, junk):
    held(PLAIN[:start] + junk + PLAIN[end:])
