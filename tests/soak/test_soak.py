"""A short run of the soak, and what its report makes of figures."""

import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from tests.faults.kept import Kept
from tests.soak.soak import Plan, Sample, Seen, Soaked, slim, soak
from tests.soak.told import faults_of, lines_of, memory_growth, quantile

NOTHING = Kept(sessions=0, pairs=0, lost=0, doubled=0, damage=[])
QUIET = Soaked(Plan(600.0), Seen(), NOTHING)


@pytest.mark.machine
def test_twenty_seconds_of_eight_bays_and_eight_readers_give_no_error_and_lose_and_double_nothing(tell):
    with tempfile.TemporaryDirectory(prefix="bl-") as outer:
        soaked = soak(Path(outer) / "data", Plan(20.0, post_every_s=1.0, twice_in=2))
    for line in lines_of(soaked):
        tell(line)
    assert soaked.seen.errors == []
    assert soaked.kept.is_whole
    assert soaked.kept.sessions == len(soaked.seen.acknowledged) == len(soaked.seen.sent) > 0
    assert len(soaked.seen.took_ms["post again"]) > 0
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


def grown(by: float, sessions: int) -> list[Sample]:
    """Memory that is 100 MB at first and grows steadily, over a run of 600 s in which so many sessions are posted."""
    return [Sample(at, 100.0 + by * at / 600.0, int(sessions * at / 600.0)) for at in range(0, 600, 10)]


def test_memory_that_grows_faster_than_evidence_fails_a_run_and_slower_does_not():
    # Fifths of 600 s: settled from 120 to 240 s (median at 175 s), the last from 480 s (median at 535 s).
    before, after, most = memory_growth(grown(60.0, 0), 600.0)
    assert (before, after) == pytest.approx((100 + 60 * 175 / 600, 100 + 60 * 535 / 600))
    assert most == pytest.approx(before * 1.10)
    leaking = replace(QUIET, seen=Seen(memory=grown(60.0, 0)))
    assert [fault.split(";")[0] for fault in faults_of(leaking)] == ["memory grew from 118 to 154 MB"]
    assert faults_of(replace(QUIET, seen=Seen(memory=grown(60.0, 10_000)))) == []
    assert faults_of(replace(QUIET, seen=Seen(memory=grown(5.0, 0)))) == []


def test_a_quantile_is_a_value_that_was_seen():
    assert quantile([3.0, 1.0, 2.0], 0.5) == 2.0
    assert quantile([float(n) for n in range(100)], 0.99) == 99.0
    assert quantile([7.0], 0.99) == 7.0


def test_a_slim_session_keeps_of_each_curve_the_sample_of_its_highest_power():
    curve = {"rpm": [2000, 4000, 6000], "torque": [300.0, 250.0, 160.0]}  # 600, 1000, 960 thousand
    document = {"id": "a", "setups": [{"parts": [], "pulls": [{"curve": curve}]}]}
    assert slim(document)["setups"][0]["pulls"][0]["curve"] == {"rpm": [4000], "torque": [250.0]}
