"""A short run of the soak, and what its report makes of figures."""

import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from tests.faults.kept import Kept
from tests.soak.soak import Plan, Sample, Seen, Soaked, slim, soak
from tests.soak.told import faults_of, lines_of, quantile, settled_mb

NOTHING = Kept(sessions=0, pairs=0, lost=0, doubled=0, damage=[])
QUIET = Soaked(Plan(600.0), Seen(), NOTHING)


@pytest.mark.machine
def test_twenty_seconds_of_eight_bays_and_eight_readers_give_no_error_and_lose_and_double_nothing(tell):
    with tempfile.TemporaryDirectory(prefix="bl-") as outer:
        soaked = soak(Path(outer) / "data", Plan(20.0, post_every_s=1.0, twice_in=2, marking_s=5.0))
    for line in lines_of(soaked):
        tell(line)
    assert soaked.seen.errors == []
    assert soaked.kept.is_whole
    assert soaked.kept.sessions == len(soaked.seen.acknowledged) == len(soaked.seen.sent) > 0
    assert len(soaked.seen.took_ms["post again"]) > 0
    assert len(soaked.seen.took_ms["mark"]) > 0
    assert min(settled_mb(soaked.lived), settled_mb(soaked.young)) > 0
    assert len(soaked.seen.took_ms) > 2, "nobody asked anything"


def test_a_run_without_a_fault_passes():
    assert faults_of(QUIET) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"kept": replace(NOTHING, lost=1)}, "1 acknowledged posts lost"),
        ({"kept": replace(NOTHING, doubled=2)}, "2 sessions doubled"),
        ({"kept": replace(NOTHING, damage=["a", "b", "c"])}, "3 setups or pairs damaged"),
        ({"seen": Seen(errors=["post: 500"])}, "1 errors"),
        ({"seen": Seen(sent={"a": {}})}, "1 posts never acknowledged"),
    ],
)
def test_whatever_must_be_zero_fails_a_run_by_name(change, said):
    assert faults_of(replace(QUIET, **change)) == [said]


def taking(*mb: float) -> list[Sample]:
    """A service that takes so much, one look after the other."""
    return [Sample(float(at), one, 100) for at, one in enumerate(mb)]


def test_a_service_has_settled_when_two_fifths_of_its_looks_are_past():
    assert settled_mb(taking(10.0, 20.0, 30.0, 40.0, 90.0)) == 40.0
    assert settled_mb(()) == 0.0


def test_a_service_that_takes_a_tenth_more_than_one_just_started_fails_a_run():
    young = taking(150.0, 180.0, 200.0, 200.0, 200.0)
    grown = replace(QUIET, lived=taking(*[221.0] * 5), young=young)
    assert faults_of(grown) == ["221 MB where a service just started takes 200: 220 would be flat"]
    assert faults_of(replace(grown, lived=taking(*[219.0] * 5))) == []


def test_a_quantile_is_a_value_that_was_seen():
    assert quantile([3.0, 1.0, 2.0], 0.5) == 2.0
    assert quantile([float(n) for n in range(100)], 0.99) == 99.0
    assert quantile([7.0], 0.99) == 7.0


def test_a_slim_session_keeps_of_each_curve_the_sample_of_its_highest_power():
    curve = {"rpm": [2000, 4000, 6000], "torque": [300.0, 250.0, 160.0]}  # 600, 1000, 960 thousand
    document = {"id": "a", "setups": [{"parts": [], "pulls": [{"curve": curve}]}]}
    assert slim(document)["setups"][0]["pulls"][0]["curve"] == {"rpm": [4000], "torque": [250.0]}
