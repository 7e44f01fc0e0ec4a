"""When a file was recorded: found in its header, asked for where that is not sure, never guessed."""

from datetime import datetime

import numpy as np
import pytest

from service.tables import mapping as mappings
from service.tables.dates import dates_like, moment_within
from service.tables.learning import propose
from service.tables.pulls import read_file
from tests.tables.shapes import torque_nm

RPM = np.arange(2000.0, 6001.0, 100.0)
at = datetime.fromisoformat
ROWS = [f"{rpm:.0f};{nm:.2f}" for rpm, nm in zip(RPM, torque_nm(RPM), strict=True)]


def file(*head):
    return "\n".join([*head, "rpm;Torque (Nm)", *ROWS]).encode()


def asked(proposal):
    return [doubt for doubt in proposal.doubts if doubt.startswith("when it was recorded")]


@pytest.mark.parametrize(
    ("line", "moment"),
    [
        ("# pull 4, 26/11/2026 03:00", at("2026-11-26 03:00")),
        ("# pull 4, 11/26/2026 3:00 PM", at("2026-11-26 15:00")),
        ("2026-11-26 03:00:15", at("2026-11-26 03:00:15")),
        ("Run 12 recorded on 26.11.2026 03:00", at("2026-11-26 03:00")),
        ("Time: 26/11/2026 03:00", at("2026-11-26 03:00")),
        ("Pull 3;26 Nov 2026 03:00", at("2026-11-26 03:00")),
        ("November 26, 2026 03:00", at("2026-11-26 03:00")),
        ("Date: 26 November 2026", at("2026-11-26 00:00")),
        ("Date: 2026.11.26 03:00", at("2026-11-26 03:00")),
    ],
)  # fmt: skip
def test_a_date_that_stands_alone_in_a_line_is_when_it_was_recorded(line, moment):
    proposal = propose(file(line))
    assert proposal.read.facts.started_at == moment
    assert asked(proposal) == []
    assert mappings.read(mappings.written(proposal.mapping)) == proposal.mapping


def test_the_next_file_has_its_own_number_and_date():
    learned = propose(file("# pull 4, 26/11/2026 03:00")).mapping
    next_one = read_file(file("# pull 5, 03/12/2026 14:20"), learned)
    assert next_one.pulls[0].facts.started_at == at("2026-12-03 14:20")


def test_a_file_in_which_no_such_time_stands_says_so():
    learned = propose(file("# pull 4, 26/11/2026 03:00")).mapping
    read = read_file(file("# pull 5"), learned)
    assert read.facts.started_at is None
    assert [fault.why for fault in read.faults] == [
        "header.started_at: no line of the header holds a time written as %d/%m/%Y %H:%M"
    ]


@pytest.mark.parametrize("line", ["# pull 4, 03/04/2026 16:20", "Date: 03/04/2026 16:20", "3/4/2026 16:20"])
def test_day_or_month_first_is_asked_and_each_answer_is_offered(line):
    proposal = propose(file(line))
    assert "started_at" not in proposal.mapping.header
    (doubt,) = asked(proposal)
    assert "is two dates" in doubt
    text = mappings.written(proposal.mapping, (), proposal.open)
    offered = [one.removeprefix("# ") for one in text.splitlines() if one.startswith("# started_at")]
    read = [read_file(file(line), mappings.read("\n".join([text, "[header]", one]))) for one in offered]
    assert [one.facts.started_at for one in read] == [
        at("2026-04-03 16:20"),
        at("2026-03-04 16:20"),
    ]


@pytest.mark.parametrize(
    "lines",
    [
        ["Calibrated: 12/31/2025"],  # may be another day
        ["Software of 26/11/2026"],
        ["# pull 4, 26/11/2026 03:00", "# printed 27/11/2026 09:00"],  # which of the two
        ["# pull 4, 2026-11-26T03:00:00+01:00"],  # an offset, which no form here reads
        ["Date: 26. novembre 2026"],
        ["Datum: 26. Nov. 2026"],
        ["Date: yesterday"],
    ],
)
def test_what_looks_like_a_date_and_is_not_sure_is_listed_under_what_is_to_be_settled(lines):
    proposal = propose(file(*lines))
    assert "started_at" not in proposal.mapping.header
    assert len(asked(proposal)) == len(lines)
    assert all("[header] write started_at = {" in doubt for doubt in asked(proposal))


def test_a_column_of_dates_is_asked_for_too():
    raw = "\n".join(["When;rpm;Torque (Nm)", *(f"26/11/2026 03:00;{row}" for row in ROWS)]).encode()
    (doubt,) = asked(propose(raw))
    assert "column 1 holds dates, '26/11/2026 03:00'" in doubt


@pytest.mark.parametrize("line", ["Bay: 2", "Version 2.1.12", "Tyres 205/55/16", "10.0.0.12", "Ratio 3.9", "16:20", "pull 1-2-3"])  # fmt: skip
def test_what_is_no_date_is_not_asked_about(line):
    assert dates_like(line) == []
    assert asked(propose(file(line))) == []


@pytest.mark.parametrize("line", ["26/11/2026 03:00:15", "26/11/2026 03:00Z", "26/11/2026 03:00 +01:00", "126/11/2026 03:00"])  # fmt: skip
def test_a_time_that_goes_on_is_not_cut_to_fit_its_form(line):
    assert moment_within(line, "%d/%m/%Y %H:%M") is None
    assert moment_within("x 26/11/2026  03:00, y", "%d/%m/%Y %H:%M") == at("2026-11-26 03:00")
