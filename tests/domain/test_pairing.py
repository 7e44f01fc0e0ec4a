"""Which two setups of a car are a before and an after, and how near the two were."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.pairing import PART_MAY_CHANGE, WINDOWS, CarSetup, pairs_of_car
from service.stats.pairs import Reading, Spreads, measured_gain

PIPE, MESH, MAP, KIT, FILTER = 1, 2, 3, 4, 5
SLOTS = {
    PIPE: frozenset({"down-pipe"}),
    MESH: frozenset({"down-pipe"}),
    MAP: frozenset({"calibration"}),
    KIT: frozenset({"down-pipe", "catalyst"}),
    FILTER: frozenset({"air-filter"}),
}
START = datetime(2026, 3, 1, 10, tzinfo=UTC)


def car(*states: set[int], session: int = 1, day: float = 0, **fields) -> list[CarSetup]:
    """The setups of one session, numbered from 1; their ids are session x 100 + n."""
    plain = {
        "parts_known": "complete",
        "counts": True,
        "peaks_only": False,
        "level_standard": "any",
        "observed_known": True,
        "doubts": (),
        "coolant_c": 88.0,
        "inlet_c": 27.0,
    }
    return [
        CarSetup(
            setup_id=100 * session + n,
            session_id=session,
            n=n,
            started_at=START + timedelta(days=day),
            part_ids=frozenset(parts),
            **{"bay_id": 1, **plain, **fields},
        )
        for n, parts in enumerate(states, 1)
    ]


def made(setups: list[CarSetup]) -> set[tuple]:
    """What the pairs say: (part, against, with, without, again, match)."""
    return {
        (p.part_id, p.against_id, p.setup_with, p.setup_without, p.setup_again, p.match)
        for p in pairs_of_car(setups, SLOTS)
    }


def only(setups: list[CarSetup]):
    """The one pair these setups make."""
    (pair,) = pairs_of_car(setups, SLOTS)
    return pair


def test_one_part_added_is_a_pair():
    assert made(car(set(), {PIPE})) == {(PIPE, 0, 102, 101, None, "same-session")}


def test_one_part_removed_later_is_the_same_pair_measured_the_other_way_round():
    assert made(car({PIPE, MAP}, {MAP})) == {(PIPE, 0, 101, 102, None, "same-session")}


def test_a_part_replaced_in_its_slot_pairs_in_both_directions():
    assert made(car({PIPE}, {MESH})) == {
        (MESH, PIPE, 102, 101, None, "same-session"),
        (PIPE, MESH, 101, 102, None, "same-session"),
    }


def test_a_kit_of_two_slots_replaces_the_part_in_one_of_them():
    assert {pair[:2] for pair in made(car({PIPE}, {KIT}))} == {(KIT, PIPE), (PIPE, KIT)}


def test_a_part_of_another_slot_replaces_nothing():
    assert made(car({PIPE}, {MAP})) == set()


def test_two_parts_changed_together_make_no_pair():
    assert made(car(set(), {PIPE, MAP})) == set()
    assert made(car({MESH}, {PIPE, MAP})) == set()


def test_the_same_state_twice_makes_no_pair():
    assert made(car({PIPE}, {PIPE})) == set()


def test_a_setup_that_does_not_count_makes_no_pair():
    before, after = car(set(), {PIPE})
    assert made([before, replace(after, counts=False)]) == set()


@pytest.mark.parametrize("known", ["partial", "unknown"])
def test_an_incomplete_part_list_pairs_inside_its_session_only(known):
    first = car(set(), {PIPE}, parts_known=known)
    later = car(set(), session=2, day=3)
    assert made(first + later) == {(PIPE, 0, 102, 101, None, "same-session")}


def test_a_figure_at_no_level_pairs_inside_its_session_only():
    first = car(set(), {PIPE}, level_standard=None)
    assert made(first + car(set(), session=2, level_standard=None)) == {
        (PIPE, 0, 102, 101, None, "same-session")
    }


def test_two_levels_do_not_pair_across_sessions():
    assert made(car(set(), level_standard="sae-j1349") + car({PIPE}, session=2)) == set()


@pytest.mark.parametrize(
    ("later", "match"),
    [
        ({"day": 0.4}, "same-day"),
        ({"day": 3}, "other-day"),
        ({"day": 0.4, "bay_id": 2}, "other-bay"),
        ({"day": 0.4, "bay_id": 2, "peaks_only": True}, "peaks-only"),
    ],
)
def test_the_grade_says_how_near_the_two_were(later, match):
    pair = only(car(set()) + car({PIPE}, session=2, **later))
    assert (pair.match, pair.gap_days) == (match, pytest.approx(later["day"]))
    assert pair.at == START + timedelta(days=later["day"])


def test_a_first_state_repeated_last_is_one_pair_with_its_repeat():
    pair = only(car(set(), {PIPE}, set()))
    assert (pair.setup_with, pair.setup_without, pair.setup_again) == (102, 101, 103)
    assert (pair.match, pair.again_is_with, pair.again_share) == ("same-session-aba", False, 0.5)


def test_a_part_taken_off_and_put_back_is_an_aba_too():
    pair = only(car({PIPE}, set(), {PIPE}))
    assert (pair.setup_with, pair.setup_without, pair.setup_again) == (101, 102, 103)
    assert (pair.match, pair.again_is_with, pair.again_share) == ("same-session-aba", True, 0.5)


def test_two_states_in_turn_make_an_aba_from_either_side_and_lose_no_setup():
    assert made(car(set(), {PIPE}, set(), {PIPE})) == {
        (PIPE, 0, 102, 101, 103, "same-session-aba"),
        (PIPE, 0, 102, 103, 104, "same-session-aba"),
        (PIPE, 0, 104, 101, None, "same-session"),
    }


def test_the_repeat_weighs_by_how_far_the_middle_state_stood_from_the_first():
    pair = next(
        p for p in pairs_of_car(car(set(), {PIPE}, {PIPE, MAP}, {MAP}, set()), SLOTS) if p.setup_with == 102
    )
    assert (pair.setup_without, pair.setup_again, pair.again_share) == (101, 105, 1 / 4)


@pytest.mark.parametrize("first", [set(), {PIPE}], ids=["A-B-A", "B-A-B"])
def test_a_straight_drift_cancels_in_an_aba(first):
    # In logs every setup reads 1 % less than the one before it; the part gives ln(1.05). By hand, A-B-A:
    # with = g - 0.01, without = (0 + (-0.02)) / 2 = -0.01, so the difference is g whatever the drift.
    states = (first, {PIPE} - first, first)
    setups, gain = car(*states), math.log(1.05)
    value = {s.setup_id: 150 * math.exp(gain * len(s.part_ids) - 0.01 * s.n) for s in setups}
    pair = only(setups)
    readings = [
        Reading(value[key], 3, None) for key in (pair.setup_with, pair.setup_without, pair.setup_again)
    ]
    found = measured_gain(
        *readings,
        share=pair.again_share,
        again_is_with=pair.again_is_with,
        same_session=True,
        same_bay=True,
        spreads=Spreads(0.005, 0.0045, 0.007, 0.022),
    )
    assert found.gain == pytest.approx(gain, abs=1e-12)


def test_the_variance_of_an_aba_is_that_of_one_reading_and_half_of_another():
    # By hand: setup 0.004, pull 0.006 over 4 pulls: one reading 0.004^2 + 0.006^2 / 4 = 25e-6; the state measured twice
    # has half of that, so 37.5e-6; another strap-down adds 2 x 0.007^2, another bay 2 x 0.02^2.
    reading, spreads = Reading(100.0, 4, None), Spreads(0.006, 0.004, 0.007, 0.02)
    near = measured_gain(
        reading,
        reading,
        reading,
        share=0.5,
        again_is_with=False,
        same_session=True,
        same_bay=True,
        spreads=spreads,
    )
    far = measured_gain(
        reading,
        reading,
        None,
        share=None,
        again_is_with=False,
        same_session=False,
        same_bay=False,
        spreads=spreads,
    )
    assert near.variance == pytest.approx(37.5e-6)
    assert far.variance == pytest.approx(2 * 25e-6 + 2 * 49e-6 + 2 * 400e-6)


@pytest.mark.parametrize(("condition", "window"), WINDOWS.items())
def test_a_condition_outside_its_window_is_listed_and_one_inside_is_not(condition, window):
    before, after = car(set(), {FILTER})
    moved = replace(after, **{condition: 1.0 + 1.01 * window})
    if condition in PART_MAY_CHANGE["air-filter"]:
        assert only([replace(before, **{condition: 1.0}), moved]).held
        return
    pair = only([replace(before, **{condition: 1.0}), moved])
    assert not pair.held
    assert [(d.what, d.before, d.window) for d in pair.differs] == [(condition, 1.0, window)]
    assert only(
        [replace(before, **{condition: 1.0}), replace(after, **{condition: 1.0 + 0.99 * window})]
    ).held


@pytest.mark.parametrize(
    ("condition", "values"), [("ramp_rpm_s", (400, 425)), ("gear", (4, 3)), ("ratio", (3.9, 4.1))]
)
def test_another_ramp_gear_or_ratio_is_listed(condition, values):
    before, after = car(set(), {PIPE})
    pair = only([replace(before, **{condition: values[0]}), replace(after, **{condition: values[1]})])
    assert [d.what for d in pair.differs] == [condition]


def test_what_was_not_recorded_is_no_difference():
    before, after = car(set(), {PIPE})
    assert only([before, replace(after, oil_c=95.0, gear=4)]).held


def test_a_calibration_may_change_lambda_and_spark_and_a_pipe_may_not():
    moved = {"lambda_mean": 0.85, "spark_advance_deg": 26.0}
    before = replace(car(set())[0], lambda_mean=0.90, spark_advance_deg=22.0)
    assert only([before, *(replace(s, n=2, setup_id=102, **moved) for s in car({MAP}))]).held
    pair = only([before, *(replace(s, n=2, setup_id=102, **moved) for s in car({PIPE}))])
    assert [d.what for d in pair.differs] == ["lambda_mean", "spark_advance_deg"]


def test_a_doubt_on_either_side_or_on_the_repeat_makes_a_pair_unusable():
    for doubted in range(3):
        setups = car(set(), {PIPE}, set())
        setups[doubted] = replace(setups[doubted], doubts=("pulls-disagree",))
        assert not only(setups).usable, doubted


@pytest.mark.parametrize("peaks_only", [False, True])
def test_a_factor_outside_its_limits_spoils_no_ratio_of_one_session_but_those_between_sessions(peaks_only):
    doubted = {"doubts": ("factor-outside-limits",), "peaks_only": peaks_only}
    assert only(car(set(), {PIPE}, **doubted)).usable
    assert not only(car(set(), **doubted) + car({PIPE}, session=2, **doubted)).usable


states = st.lists(
    st.frozensets(st.sampled_from([PIPE, MESH, MAP, KIT, FILTER]), max_size=2), min_size=1, max_size=4
)
histories = st.lists(states, min_size=1, max_size=4)


def whole_history(sessions: list[list[frozenset[int]]]) -> list[list[CarSetup]]:
    """Sessions of one car, one a day."""
    return [car(*own, session=i, day=i) for i, own in enumerate(sessions, 1)]


@given(histories, st.randoms(use_true_random=False))
def test_the_order_in_which_setups_are_read_changes_no_pair(sessions, random):
    setups = [s for own in whole_history(sessions) for s in own]
    expected = pairs_of_car(setups, SLOTS)
    random.shuffle(setups)
    assert set(pairs_of_car(setups, SLOTS)) == set(expected)
    assert len(expected) == len(set(expected))


@given(histories, st.randoms(use_true_random=False))
def test_pairs_found_post_by_post_in_any_order_are_the_pairs_of_the_whole(sessions, random):
    posts = whole_history(sessions)
    random.shuffle(posts)
    kept, found = [], []
    for post in posts:
        kept += post
        found += pairs_of_car(kept, SLOTS, touching=frozenset(s.setup_id for s in post))
    assert len(found) == len(set(found))
    assert set(found) == set(pairs_of_car(kept, SLOTS))


@pytest.mark.parametrize(("condition", "drift"), [("temperature_c", 2.1), ("pressure_kpa", 0.31)])
def test_the_bays_air_is_held_inside_one_session_and_another_days_matter_between_two(condition, drift):
    # At most 2 degC and 0.3 kPa over a comparison: common practice, no source.
    before, after = car(set(), {PIPE})
    sides = [replace(before, **{condition: 20.0}), replace(after, **{condition: 20.0 + drift})]
    assert [d.what for d in only(sides).differs] == [condition]
    other_day = replace(sides[1], session_id=2, started_at=sides[1].started_at + timedelta(days=9))
    assert only([sides[0], other_day]).held


def test_wider_windows_hold_what_narrower_ones_do_not():
    # Coolant at 84-85 degC and inlet air at 38-41 degC across states count as held: common practice, no source.
    before, after = car(set(), {PIPE})
    sides = [replace(before, coolant_c=84.0, inlet_c=38.0), replace(after, coolant_c=85.0, inlet_c=41.0)]
    assert only(sides).held
    (narrow,) = pairs_of_car(sides, SLOTS, windows={**WINDOWS, "inlet_c": 2.0})
    assert [d.what for d in narrow.differs] == ["inlet_c"]


def test_a_state_repeated_twice_is_taken_with_the_first_repeat():
    """A-B-A-A: the second reading of A next after B ends the comparison, the third is of another moment."""
    pair = next(
        one for one in pairs_of_car(car(set(), {PIPE}, set(), set()), SLOTS) if one.setup_without == 101
    )
    assert (pair.setup_again, pair.again_share) == (103, 0.5)


@pytest.mark.parametrize(("hours", "match"), [(12.0, "same-day"), (12.1, "other-day")])
def test_two_strap_downs_of_twelve_hours_are_one_days_work(hours, match):
    pair = only(car(set()) + car({PIPE}, session=2, day=hours / 24))
    assert pair.match == match


@pytest.mark.parametrize("level", ["observed", "unknown", None])
def test_figures_at_no_common_standard_are_not_compared_over_strap_downs(level):
    fields = {"level_standard": level, "observed_known": level == "observed"}
    assert made(car(set(), **fields) + car({PIPE}, session=2, day=1, **fields)) == set()
