"""Checks of a post against the bay's other pulls, other bays and curves kept before."""

from dataclasses import replace
from datetime import timedelta
from uuid import UUID

import numpy as np
import pytest

from service.domain.checks import RULES, Case, Surroundings, refusals
from service.domain.checks.case import BayPull, SamePeaks
from service.domain.checks.company import same_curve
from service.domain.derive import derive_pull
from tests.domain.test_checks import NOW, RPM, TORQUE, channels, pull, session
from tests.domain.test_checks_entry import case_of, caught, found

OWN = UUID("6f1a2f6e-0000-4000-8000-000000000001")


def seconds(after: float) -> timedelta:
    """A span."""
    return timedelta(seconds=after)


def begun(n: int, after: float, **fields):
    """A pull that began so many seconds after the session."""
    return pull(n, started_at=NOW + seconds(after), **fields)


def lasting(length: float) -> dict:
    """The good curve over so many seconds."""
    return channels(time=np.linspace(0.0, length, RPM.size))


@pytest.mark.parametrize(("after", "expected"), [(39.0, True), (41.0, False), (0.0, True)])
def test_two_pulls_of_a_bay_start_forty_seconds_apart(after, expected):
    said = found("pulls-overlap", begun(1, 0.0), begun(2, after))
    place = ("doubtful", "/setups/0/pulls/1/started_at", 2)
    assert [(f.level, f.pointer, f.pull_n) for f in said] == [place] * expected


def test_a_pull_whose_length_is_recorded_needs_no_more_than_that():
    assert not caught("pulls-overlap", begun(1, 0.0, channels=lasting(12.0)), begun(2, 13.0))
    assert caught("pulls-overlap", begun(1, 0.0, channels=lasting(60.0)), begun(2, 59.0))


def test_pulls_without_a_start_overlap_nothing():
    assert not caught("pulls-overlap", pull(1), pull(2), begun(3, 5.0))


def test_times_that_cannot_be_seconds_say_nothing_of_a_pulls_length():
    # 4500 rpm in 12 000 "s" are 0.4 rpm/s: milliseconds.
    assert not caught("pulls-overlap", begun(1, 0.0, channels=lasting(12_000.0)), begun(2, 41.0))
    assert caught("pulls-overlap", begun(1, 0.0, channels=lasting(12_000.0)), begun(2, 39.0))


@pytest.mark.parametrize(("after", "expected"), [(0.0, True), (1.0, False)])
def test_two_sessions_of_a_bay_with_one_start_are_noted_where_no_pull_says_more(after, expected):
    around = Surroundings(bay_pulls=(kept(after), kept(after)))
    said = found("starts-together", pull(1), pull(2), around=around)
    assert [(f.level, f.pointer, f.setup_n) for f in said] == [("note", "/started_at", None)] * expected
    itself = Surroundings(bay_pulls=(kept(after, str(OWN)),))
    assert not caught("starts-together", pull(1), around=itself, id=OWN)


def kept(after: float, session: str = "before", sequence: int | None = None) -> BayPull:
    """A pull of another car that this bay posted, so many seconds after this session's start."""
    return BayPull(session, "marten-2", NOW + seconds(after), sequence, 25.0, 100.0, 0.3)


@pytest.mark.parametrize(("after", "expected"), [(-41.0, False), (-39.0, True), (11.0, True), (13.0, False)])
def test_a_pull_of_another_session_in_this_bay_must_be_over_too(after, expected):
    # The other's length is not known: 40 s; the posted one's is: 12 s.
    around = Surroundings(bay_pulls=(kept(after),))
    said = found("pulls-overlap", begun(1, 0.0, channels=lasting(12.0)), around=around)
    assert [f.pointer for f in said] == ["/setups/0/pulls/0/started_at"] * expected
    assert all("marten-2 (session before)" in f.message for f in said)


def test_a_session_does_not_overlap_itself_when_it_is_checked_again():
    around = Surroundings(bay_pulls=(kept(1.0, str(OWN), 7),))
    assert not caught("pulls-overlap", begun(1, 0.0), around=around, id=OWN)
    assert not caught("sequence-back", begun(1, 0.0), around=around, id=OWN, sequence=7)


@pytest.mark.parametrize(
    ("bay", "minutes", "expected"),
    [("south", 14.9, True), ("south", -14.9, True), ("south", 15.1, False), ("north", 1.0, False)],
)
def test_a_car_does_not_get_into_another_bay_within_a_quarter_of_an_hour(bay, minutes, expected):
    around = Surroundings(elsewhere=((bay, NOW + timedelta(minutes=minutes)),))
    said = found("car-in-two-bays", pull(), around=around)
    assert [(f.level, f.pointer) for f in said] == [("doubtful", "/vehicle")] * expected


@pytest.mark.parametrize(
    ("number", "after", "expected"),
    [
        (117, -3600.0, None),
        (119, 3600.0, None),
        (118, -3600.0, "the same number"),
        (119, -3600.0, "number 119, but was measured before it"),
        (117, 3600.0, "number 117, but was measured after it"),
        (None, 3600.0, None),
    ],
)
def test_a_bays_numbers_run_with_its_times(number, after, expected):
    around = Surroundings(bay_pulls=(kept(after, sequence=number),))
    said = found("sequence-back", pull(), around=around, sequence=118)
    assert [(f.level, f.pointer) for f in said] == [("note", "/sequence")] * (expected is not None)
    assert all(expected in f.message for f in said)
    assert not caught("sequence-back", pull(), around=around)


def test_an_offline_queue_that_arrives_late_is_in_order():
    late = NOW + timedelta(hours=9)
    posted = session(pull(), sequence=118)
    case = Case(
        posted,
        late,
        {(1, 1): derive_pull(pull(), None)},
        None,
        Surroundings(bay_pulls=(kept(3600.0, "later", 119),)),
    )
    assert list(RULES["sequence-back"].findings(case, {})) == []


def noisy(n: int, sd: float, pull_sd: float, rng: np.random.Generator, **fields):
    """The good curve at a level of its own, with noise from sample to sample."""
    level = np.exp(pull_sd * rng.standard_normal())
    return pull(
        n,
        channels={"rpm": RPM, "torque": level * TORQUE * (1.0 + sd * rng.standard_normal(RPM.size))},
        **fields,
    )


def test_one_curve_posted_as_two_pulls_is_refused():
    again = noisy(1, 0.005, 0.0, np.random.default_rng(1))
    (finding,) = found("curve-repeated", again, pull(2, 1.004), replace(again, n=3))
    assert (finding.level, finding.pointer) == ("refused", "/setups/0/pulls/2/curve")
    assert "pull 1 of setup 1" in finding.message


def test_a_curve_rounded_on_its_second_way_in_is_still_the_same():
    once = noisy(1, 0.005, 0.0, np.random.default_rng(1))
    rounded = {"rpm": RPM, "torque": np.round(once.channels["torque"], 1)}
    assert caught("curve-repeated", once, pull(2, channels=rounded))


@pytest.mark.parametrize(("apart", "expected"), [(0.00019, True), (0.00021, False)])
def test_two_curves_apart_by_a_fiftieth_of_a_percent_are_two(apart, expected):
    assert caught("curve-repeated", pull(1), pull(2, 1.0 + apart)) is expected


def test_a_rejected_copy_is_no_repeat():
    assert not caught("curve-repeated", pull(1), pull(2, status="rejected"))


def same_peaks(scale: float = 1.0, session: str = "before", pull_n: int = 1) -> Surroundings:
    """An earlier pull whose peaks are those of the posted one."""
    grid = derive_pull(pull(1, scale), None).grid
    return Surroundings(same_peaks=(SamePeaks(1, pull_n, 4711, session, "marten-2", grid),))


def test_a_curve_of_another_session_is_refused_with_its_place_and_the_way_out():
    (finding,) = found("curve-repeated", pull(), around=same_peaks())
    assert finding.pointer == "/setups/0/pulls/0/curve"
    for words in ("pull 4711 of session before (car marten-2)", "strike the other session"):
        assert words in finding.message


def test_a_curve_that_only_shares_its_peaks_or_is_its_own_is_not():
    assert not caught("curve-repeated", pull(), around=same_peaks(1.001))
    assert not caught("curve-repeated", pull(), around=same_peaks(session=str(OWN)), id=OWN)
    assert not caught("curve-repeated", pull(), around=same_peaks(pull_n=2))


def test_a_part_of_a_curve_is_not_the_whole():
    part = {"rpm": RPM[:120], "torque": TORQUE[:120]}
    assert not caught("curve-repeated", pull(1), pull(2, channels=part))


def test_before_figures_are_derived_nothing_repeats():
    assert list(refusals(Case(session(pull(1), pull(2)), NOW, around=same_peaks()), {})) == []


@pytest.mark.parametrize(("noise", "pull_sd"), [(0.005, 0.0045), (0.001, 0.0045), (0.005, 0.008)])
def test_two_honest_pulls_never_repeat_each_other(noise, pull_sd):
    # 60 pulls make 1770 pairs; measured once with 700 of each kind, none of 244 650 pairs came within 0.02 %.
    rng = np.random.default_rng(23)
    case = case_of(*(noisy(n, noise, pull_sd, rng) for n in range(1, 61)))
    ones = list(case.pulls())
    assert not any(same_curve(a, b.figures.grid, 0.0002) for i, a in enumerate(ones) for b in ones[:i])
