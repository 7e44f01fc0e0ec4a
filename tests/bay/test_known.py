"""What is said of a pull, by flag, sidecar or bay.toml: what no instrument shows is refused by its name."""

import json
from datetime import datetime

import pytest

from service.bay.known import NotUnderstood, understood
from service.bay.reading import header_said
from service.bay.work import Run, State, Work, body_of
from service.tables.records import Facts


@pytest.mark.parametrize("said", ["nan", "inf", "-inf", "1e999", "warm"])
@pytest.mark.parametrize("name", ["coolant", "gear", "humidity"])
def test_a_figure_must_be_a_number_that_can_be_written_down(name, said):
    with pytest.raises(NotUnderstood, match=f"{name} = '{said}'.*must be a number"):
        understood({name: said}, "--", "si")


TEN = "2026-03-18T10:00:00"


def test_a_time_without_an_offset_is_of_this_computers_zone(two_hours_east):
    assert understood({"started_at": TEN}, "--", "si") == {"started_at": f"{TEN}+02:00"}
    assert understood({"started_at": f"{TEN}-05:00"}, "--", "si") == {"started_at": f"{TEN}-05:00"}


def test_what_the_machines_clock_is_ahead_is_taken_off_the_time_in_its_files(two_hours_east):
    facts = Facts(started_at=datetime.fromisoformat(TEN))
    assert header_said(facts, 180.0) == {"started_at": "2026-03-18T09:57:00+02:00"}
    assert header_said(facts, -60.0) == {"started_at": "2026-03-18T10:01:00+02:00"}


def test_a_session_began_with_its_earliest_pull_whatever_offsets_their_times_have():
    earliest = "2026-03-18T11:30:00+02:00"
    runs = tuple(Run({}, "pulls.csv", "0", began) for began in (f"{TEN}+00:00", earliest))
    work = Work("id", "north", 1, TEN, {"car": "car-01"}, states=(State({"parts": []}, runs),))
    assert json.loads(body_of(work))["started_at"] == earliest
