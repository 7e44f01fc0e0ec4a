"""What the bays' figures mean, in words: consistent with the bay or the car, never a diagnosis."""

from datetime import date

import pytest

from service.domain.bay_words import (
    agreement_words,
    check_words,
    day_words,
    pair_words,
    repeat_words,
    trend_words,
)

MAY = date(2026, 5, 3)


def test_a_day_on_which_all_moved_speaks_of_the_bay():
    said = day_words(4, -3.25, 2.1, "outside")
    assert said == (
        "The 4 cars measured there that day read 3.2 % low in the middle, where by chance they may lie 2.1 % off: consistent with "
        "the bay (machine, weather probe, air in the room), not with the cars. Look at the bay before any car."
    )


def test_an_ordinary_day_sends_to_the_car_that_is_asked_about():
    said = day_words(3, 0.01, 2.0, "inside", others=True, reach=5)
    assert said.startswith(
        "The 3 other cars measured there within 5 days of it read as expected in the middle;"
    )
    assert said.endswith("so look at the car.")


@pytest.mark.parametrize(
    ("checked", "end"), [(True, "its own limits say more."), (False, "that were here before.")]
)
def test_too_few_cars_give_no_verdict(checked, end):
    said = day_words(2, 1.0, 7.2, "too-few", checked=checked)
    assert said.startswith(
        "The 2 cars measured there that day read 1.0 % high, and by chance they may lie 7.2 % off."
    )
    assert "cannot tell the bay from the car" in said
    assert said.endswith(end)


def test_a_check_car_alone_is_not_called_other_than_the_car_and_its_two_figures_are_told_apart():
    said = day_words(1, 1.0, 7.2, "too-few", checked=True)
    assert said.startswith(
        "The one car measured there that day is the check car: by the whole history it read 1.0 % high"
    )
    assert "against its earlier readings in this bay alone" in said
    assert "the check car was among them" not in said


def test_no_car_at_all_says_what_to_measure():
    assert "measure the check car" in day_words(0, None, None, "too-few", reach=14, others=True)


@pytest.mark.parametrize(
    ("state", "begins", "says"),
    [
        ("inside", "Inside: the check car grey read 0.4 % high on 3 May 2026", "warning line at 1.0 %"),
        ("warning", "Warning: the check car grey read 0.4 % high", "Measure it again"),
        ("outside", "Outside: the check car grey read 0.4 % high", "Stop publishing"),
        ("first", "First reading: grey on 3 May 2026", "nothing to hold it against"),
    ],
)
def test_the_state_of_a_bay_is_said_by_its_check_car(state, begins, says):
    said = check_words(state, "grey", MAY, 0.4, (1.0, 2.0))
    assert said.startswith(begins)
    assert says in said


def test_a_bay_without_a_check_car_is_not_called_inside():
    said = check_words("not-checked")
    assert "nobody can say" in said
    assert "nside" not in said


def test_repeats_are_said_with_their_interval_and_number():
    said = repeat_words(0.47, (0.44, 0.5), 1382, 414, 0.9)
    assert said == (
        "A pull typically lies 0.47 % from the mean of its setup (standard deviation; 0.44 to 0.50, 90 % sure), from 1,382 pulls "
        "of 414 setups."
    )
    assert "not known" in repeat_words(None, None, 0, 0, 0.9)


@pytest.mark.parametrize(
    ("slope", "low", "high", "begins"),
    [
        (
            12.0,
            2.0,
            23.0,
            "It repeats worse with time: the spread grows by 12 % a year (2 to 23, 90 % sure).",
        ),
        (
            -8.0,
            -14.0,
            -2.0,
            "It repeats better with time: the spread shrinks by 8 % a year (2 to 14, 90 % sure).",
        ),
        (3.0, -1.0, 7.0, "No change with time that is more than chance."),
        (None, 0.0, 0.0, "Too few quarters"),
    ],
)
def test_a_trend_is_told_only_where_its_interval_leaves_nought_out(slope, low, high, begins):
    assert trend_words(slope, low, high).startswith(begins)


def test_two_bays_are_comparable_by_cars_in_both_or_over_bays_between_or_not_at_all():
    names = ("North", "South")
    assert pair_words(names, 1, linked=True) == "1 car ever measured in both."
    assert "through other bays" in pair_words(names, 0, linked=True)
    assert pair_words(names, 0, linked=False).startswith("Not comparable")


def test_what_is_urgent_stands_first():
    said = agreement_words(
        [("Hub", 1.7, "outside"), ("North", -1.5, "inside"), ("Yard", None, "not-checked")]
    )
    assert said == (
        "Stop publishing figures of Hub until it has been looked at: the check car reads outside its limits there. North reads "
        "lowest and Hub highest, 3.2 % apart; the answers allow for that, a printed figure does not. Yard cannot be compared with "
        "another bay: no car was measured in both."
    )


def test_that_all_are_inside_is_said_and_no_bay_is_no_agreement():
    assert "inside its limits in all of them" in agreement_words(
        [("A", 0.1, "inside"), ("B", -0.1, "inside")]
    )
    assert agreement_words([]) == "No bay has been measured in yet."
