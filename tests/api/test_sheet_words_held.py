"""The words of a sheet that a few recorded facts decide: each is held against the facts it must follow from."""

import math
from dataclasses import fields
from datetime import UTC, date, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from service.answers.cost import Cost
from service.answers.sheet import BayCheck, InBay
from service.answers.sheet_gain import Compared, Gain
from service.answers.sheet_states import Fitted, Span
from service.answers.without_gain import WithoutGain
from service.domain.measures import Measure
from service.schemas import sheet_condition_words, sheet_gain_words, sheet_test_words, sheet_words
from service.stats.history.check_car import CheckReading
from service.store.sheets import SheetBay

PIPE = Fitted("wide-pipe", "Wide down-pipe", ("down-pipe",), ("Down-pipe",), None)
MAP = Fitted("road-map", "Road calibration", ("calibration",), ("Calibration",), None)
OTHER = Fitted(
    "mesh-pipe", "200-cell pipe", ("down-pipe",), ("Down-pipe",), {"document": "E1 7", "place": "door"}
)


def compared(**known):
    """Two states of one strap-down held against each other, and what of it a test is about."""
    usual = {
        "match": "same-session",
        "held": True,
        "usable": True,
        "a_first": True,
        "same_session": True,
        "days": 0.0,
    }
    blank = {one.name: () if "tuple" in str(one.type) else None for one in fields(Compared)}
    return Compared(**{**blank, **usual, **known})


def gain(log, half, name="peak", **measure):
    return Gain(name, Measure("peak_power", **measure), 100.0, log, (log - half, log + half))


def state(**known):
    """A state of a sheet with what a test is about."""
    setup = {
        "parts_known": "complete", "stock_checked": "verified", "octane": None, "octane_method": None, "ethanol": None,
        "best_of": None, "power_spread": None, "power_rpm": 5600.0, "power_best_kw": 150.0, "doubts": [], "struck": None,
    }  # fmt: skip
    own = {
        "fitted": (),
        "counted": (),
        "pulls": (),
        "struck": None,
        "struck_pulls": [],
        "best": None,
        "spans": {},
    }
    setup |= {name: known.pop(name) for name in list(known) if name in setup and name != "struck"}
    return SimpleNamespace(**{**own, **known}, setup=SimpleNamespace(**setup))


def with_status(*pulls):
    return lambda status: [one for one in pulls if one.status == status]


# What was changed, when, and in which order


@pytest.mark.parametrize(
    ("fitted", "taken_off", "words"),
    [
        ([PIPE], [], "fitted: Wide down-pipe"),
        ([], [PIPE], "taken off: Wide down-pipe"),
        ([PIPE], [OTHER], "fitted: Wide down-pipe; taken off: 200-cell pipe"),
        ([], [], "no part: the same list on both sides"),
        ([MAP], [], "fitted: Road calibration"),
    ],
)
def test_what_came_on_and_what_went_off_is_told_apart(fitted, taken_off, words):
    assert sheet_gain_words.change_words(compared(added=tuple(fitted), removed=tuple(taken_off))) == words


def test_a_calibration_changed_together_with_a_part_is_said():
    one = compared(added=(PIPE, MAP))
    assert sheet_gain_words.change_words(one).endswith(". The calibration was changed in the same step")


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({"minutes": 25.0}, "25 minutes from the last pull of one to the first of the other"),
        ({"minutes": 150.0}, "2 h 30 min from the last pull of one to the first of the other"),
        ({"minutes": None}, "minutes not recorded"),
        ({"same_session": False, "days": 0.3}, "under a day apart, strapped down anew"),
        ({"same_session": False, "days": 1.1}, "1 day apart, strapped down anew"),
        ({"same_session": False, "days": 41.0}, "41 days apart, strapped down anew"),
    ],
)
def test_the_time_between_is_in_minutes_inside_a_strap_down_and_in_days_otherwise(known, words):
    assert sheet_gain_words.time_words(compared(**known)) == words


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({}, "A first, then B; not repeated (no A-B-A)"),
        ({"a_first": False}, "B first, then A; not repeated (no A-B-A)"),
        (
            {"again": 3, "again_is_a": True, "returned": -0.02},
            "A, B, A again (A-B-A; setup 3, 2 % lower the second time): A is taken between its readings",
        ),
        (
            {"again": 3, "again_is_a": False, "a_first": False, "returned": 0.02},
            "B, A, B again (A-B-A; setup 3, 2 % higher the second time): B is taken between its readings",
        ),
    ],
)
def test_the_order_is_that_of_the_test(known, words):
    assert sheet_gain_words.order_words(compared(**known)) == words


# The headline


def differing(**sides):
    return {"what": "coolant_c", "window": 10.0, "before": 80.0, "after": 95.0, **sides}


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({}, ""),
        (
            {"held": False, "differs": (differing(),)},
            "Not held: coolant 80 \u00b0C before, 95 \u00b0C after.",
        ),
        (
            {"held": False, "differs": (differing(after=None),)},
            "Whether all conditions were held is not known: not all were recorded.",
        ),
    ],
)
def test_what_was_not_held_stands_beside_the_figure_and_what_was_not_recorded_is_not_called_moved(
    known, words
):
    assert sheet_gain_words.held_sentence(compared(**known), "si") == words


@pytest.mark.parametrize(
    ("fitted", "taken_off", "part", "words"),
    [
        ([PIPE], [], "wide-pipe", "With wide down-pipe"),
        ([], [PIPE], "wide-pipe", "Without wide down-pipe"),
        ([PIPE], [OTHER], "wide-pipe", "With wide down-pipe in place of 200-cell pipe"),
        ([PIPE, MAP], [], None, "All of these changes together"),
        ([], [], None, "With nothing fitted or taken off"),
    ],
)
def test_the_headline_says_of_what_the_change_is(fitted, taken_off, part, words):
    one = compared(added=tuple(fitted), removed=tuple(taken_off), part=part)
    assert sheet_gain_words.what_did(one) == words


@pytest.mark.parametrize(("usable", "said"), [(True, False), (False, True)])
def test_a_headline_over_doubtful_pulls_says_so(usable, said):
    one = compared(added=(PIPE,), part="wide-pipe", gains=(gain(0.05, 0.01),), usable=usable)
    words = sheet_gain_words.headline(SimpleNamespace(compared=one), "si")
    assert ("A doubt stands against these pulls, not confirmed." in words) is said
    assert "no change of peak power established" not in words


def test_a_gain_whose_interval_holds_nought_is_no_change_established():
    one = compared(added=(PIPE,), part="wide-pipe", gains=(gain(0.005, 0.01),))
    words = sheet_gain_words.headline(SimpleNamespace(compared=one), "si")
    assert words == (
        "With wide down-pipe: no change of peak power established; it lies between \u22120.5 and +1.5 % (95 in 100 sure)."
    ).replace("\u2212", "-")


def test_the_match_says_whether_all_conditions_were_held():
    for held, words in ((True, "conditions held"), (False, "conditions NOT all held")):
        one = compared(gains=(gain(0.05, 0.01),), held=held, noise=0.012)
        rows = {
            row["label"]: row["both"] for row in sheet_gain_words.gained(SimpleNamespace(compared=one), "si")
        }
        assert rows["Match"] == f"same strap-down, one after the other; {words}"
        assert rows["Band"] == rows["Lowest third"] == "not measured: the curves do not reach"
        assert rows["Smallest gain it can show"].startswith("1.2 % by this test's own noise")


def test_every_kind_of_match_has_its_words():
    assert sheet_gain_words.NEAR.keys() == {
        "same-session-aba", "same-session", "same-day", "other-day", "other-bay", "peaks-only",
    }  # fmt: skip
    assert [name for name, words in sheet_gain_words.NEAR.items() if "widened" in words] == [
        "same-day", "other-day", "other-bay",
    ]  # fmt: skip


# Money and other cars


def cost(**known):
    usual = {one.name: None for one in fields(Cost)}
    return SimpleNamespace(cost=Cost(**{**usual, **known}))


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({}, "price not recorded"),
        (
            {"price": 480.0, "currency": "GBP"},
            "480 GBP without fitting (price date not recorded); labour rate not set",
        ),
        (
            {
                "price": 480.0,
                "currency": "GBP",
                "price_date": date(2026, 1, 10),
                "labour_hours": 2.5,
                "fitted": 660.0,
            },
            "660 GBP (price of 10 January 2026, 2.5 h fitting)",
        ),
        (
            {"price": 480.0, "currency": "GBP", "fitted": 480.0},
            "480 GBP (price date not recorded, fitting time not recorded)",
        ),
    ],
)
def test_what_it_costs_says_what_of_it_is_not_recorded(known, words):
    assert sheet_gain_words.cost_words(cost(**known)) == words


@pytest.mark.parametrize(
    ("cars", "clearly", "of", "words"),
    [
        (0, 0, 7, "none of 7"),
        (3, 0, 7, "three of 7 read lower or the same, none of them beyond what one test can tell"),
        (3, 1, 7, "three of 7 read lower or the same, one of them beyond what one test can tell"),
        (0, 0, 0, "not known"),
    ],
)
def test_cars_that_gained_nothing_are_told_from_those_that_clearly_lost(cars, clearly, of, words):
    assert sheet_gain_words.without_gain_words(WithoutGain(cars, clearly, 0, of)) == words


@pytest.mark.parametrize(
    ("left", "begins"),
    [(0, "nothing;"), (1, "1 comparison: doubts stand"), (4, "4 comparisons: doubts stand")],
)
def test_what_was_left_out_of_the_pooled_figure_is_counted(left, begins):
    found = SimpleNamespace(pairs=SimpleNamespace(left_out=left))
    assert sheet_gain_words.left_out_words(found).startswith(begins)


# What was tested and where


@pytest.mark.parametrize(
    ("fitted", "known", "words"),
    [
        ((), "complete", "nothing"),
        ((), "partial", "nothing entered; the list may not be whole"),
        ((), "unknown", "nothing entered; what else is fitted is not known"),
        ((PIPE, MAP), "complete", "Wide down-pipe; Road calibration"),
        ((PIPE,), "partial", "Wide down-pipe; the list may not be whole"),
        ((OTHER,), "complete", "200-cell pipe (down-pipe)"),
    ],
)
def test_a_list_of_parts_is_called_whole_only_where_it_is(fitted, known, words):
    assert sheet_test_words.fitted_words(state(fitted=fitted, parts_known=known)) == words


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ("complete", "the maker's own: no other entered"),
        ("partial", "not recorded"),
        ("unknown", "not recorded"),
    ],
)
def test_the_makers_calibration_is_said_only_where_the_list_is_whole(known, words):
    assert sheet_test_words.tune_words(state(parts_known=known)) == words
    assert sheet_test_words.tune_words(state(parts_known=known, fitted=(PIPE, MAP))) == "Road calibration"


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({}, "octane not recorded, ethanol not measured"),
        ({"octane": 98.0, "octane_method": "ron", "ethanol": 0.1}, "98 RON, ethanol 10 %"),
        ({"octane": 93.0, "octane_method": "aki"}, "93 AKI, ethanol not measured"),
        ({"octane": 98.0, "ethanol": 0.0}, "98 octane, method not recorded, ethanol 0 %"),
    ],
)
def test_fuel_is_told_by_what_was_measured_of_it(known, words):
    assert sheet_test_words.fuel_words(state(**known)) == words


def pull(n=1, status="accepted", **known):
    usual = {
        "n": n,
        "pull_id": n,
        "status": status,
        "reason": None,
        "struck": None,
        "test": None,
        "ramp_rpm_s": None,
    }
    return SimpleNamespace(**{**usual, "best_of": None, "smoothing": None, **known})


@pytest.mark.parametrize(
    ("pulls", "words"),
    [
        ([pull()], "kind not recorded, ramp not recorded"),
        ([pull(test="sweep", ramp_rpm_s=300.0)] * 2, "sweep held by the brake, 300 rpm/s"),
        (
            [pull(test="sweep", ramp_rpm_s=300.0), pull(test="sweep", ramp_rpm_s=350.0)],
            "sweep held by the brake, 300 to 350 rpm/s",
        ),
    ],
)
def test_how_the_speed_rose_is_told_with_both_ends(pulls, words):
    assert sheet_test_words.test_words(state(counted=tuple(pulls))) == words


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (None, "none before this test"),
        (("first", 0.0), "check car on 2 March 2026: its first reading there, nothing to hold it against"),
        (("inside", -0.004), "check car on 2 March 2026: -0.4 % from its mean, inside its limits (2.0 %)"),
        (
            ("warning", 0.015),
            "check car on 2 March 2026: +1.5 % from its mean, beyond its warning limit, inside its action limit (2.0 %)",
        ),
        (("outside", 0.031), "check car on 2 March 2026: +3.1 % from its mean, OUTSIDE its limits (2.0 %)"),
    ],
)
def test_the_last_check_of_the_bay_is_told_with_its_verdict_and_limit(reading, words):
    at = datetime(2026, 3, 2, 9, tzinfo=UTC)
    check = None
    if reading is not None:
        check = BayCheck("marten", at, CheckReading(0.0, reading[1], 0.01, 0.02, reading[0]))
    bay = SheetBay(1, "north", "North", "roller-inertia", "recalibrated", at)
    assert sheet_test_words.check_words(InBay(bay, check)) == words
    assert (
        sheet_test_words.bay_words(InBay(bay, check)) == "North, rollers, inertia; recalibrated 2 March 2026"
    )


def test_pulls_are_counted_by_what_became_of_each():
    settling, rejected = pull(1, "settling"), pull(2, "rejected")
    counts, other = pull(3), pull(4)
    one = state(pulls=(settling, rejected, counts, other), counted=(counts,))
    one.with_status = with_status(settling, rejected, counts, other)
    assert (
        sheet_test_words.pulls_words(one)
        == "4 made, 1 accepted, 1 settling, 1 rejected, 1 of another footing"
    )
    one.struck = "wrong car, says Kim"
    assert (
        sheet_test_words.pulls_words(one)
        == "4 made, 1 accepted, 1 settling, 1 rejected; all struck, reason on record"
    )


@pytest.mark.parametrize(
    ("best_of", "assumed", "words"),
    [
        (3, False, "worked back from the best of 3"),
        (3, True, "worked back from the best of 3, a number assumed"),
    ],
)
def test_a_record_of_peaks_says_of_how_many_pulls_it_is_the_best_and_where_that_is_assumed(
    best_of, assumed, words
):
    one = state(best_of=best_of, counted=(pull(best_of=None if assumed else best_of),), power_kw=150.0)
    assert sheet_test_words.mean_words(one, "power", "si") == f"150.0 kW at 5,600 rpm, {words}"


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({"best_of": 3}, "150.0 kW (best of 3)"),
        ({"best": 2}, "150.0 kW (pull 2)"),
        ({}, "150.0 kW (the only one)"),
    ],
)
def test_the_best_pull_is_named_as_such(known, words):
    assert sheet_test_words.best_words(state(**known, levelled=lambda value: value), "si") == words


# Conditions


@pytest.mark.parametrize(
    ("span", "name", "quantity", "units", "words"),
    [
        (Span(24.0, 23.0, 26.0), "coolant", "temperature", "si", "24 (23 to 26)"),
        (Span(0.45, 0.40, 0.50), "humidity", None, "si", "45 (40 to 50)"),
        (Span(None, 0.86, 0.88), "lambda", None, "si", "0.860 to 0.880 over the pull"),
        (Span(None, 12.0, 12.0), "spark", None, "si", "12.0"),
        (Span(100.0, 100.0, 100.0), "air_pressure", "pressure", "ps", "1000"),
        (
            Span(100.0, 100.0, 100.0),
            "air_pressure",
            "pressure",
            "us",
            "29.53",
        ),  # inHg: NIST SP 811, 3.38639 kPa
        (None, "oil", "temperature", "si", "not measured"),
    ],
)
def test_a_condition_is_its_mean_with_its_ends(span, name, quantity, units, words):
    assert sheet_condition_words.span_words(span, name, quantity, units) == words


def test_what_only_one_state_lacks_is_said_of_that_state():
    everything = {name: Span(1.0, 1.0, 1.0) for name, *_ in sheet_condition_words.CONDITIONS}
    without_oil = {name: span for name, span in everything.items() if name != "oil"}
    without_both = {name: span for name, span in without_oil.items() if name != "spark"}
    a, b = state(spans=without_both, ethanol=0.05), state(spans=without_oil, ethanol=None)
    sheet = SimpleNamespace(a=a, b=b, states=[a, b])
    assert sheet_condition_words.unmeasured_names(sheet) == ["oil", "spark advance (A)", "ethanol (B)"]


# On the road


def test_the_approval_of_every_part_is_quoted_and_never_judged():
    sheet = SimpleNamespace(states=[state(fitted=(PIPE,)), state(fitted=(OTHER,))])
    assert sheet_words.legality(sheet) == (
        "On public roads: Wide down-pipe: approval unknown, ask the authority; 200-cell pipe: recorded as 'E1 7', door. "
        "Local law and inspection rules decide."
    )
    assert sheet_words.legality(SimpleNamespace(states=[state()])).startswith(
        "Nothing fitted that is not stock"
    )


def test_a_gain_in_power_is_that_of_the_first_states_figure():
    words = sheet_gain_words.gain_words(gain(math.log(1.05), 0.01), "si")
    assert words.startswith("+5 % (+5 kW), between +4 and +6 %")
    assert np.isclose(gain(math.log(1.05), 0.01).base_kw, 100.0)
