"""When the model wants estimating again."""

from datetime import UTC, datetime, timedelta

import pytest

from service.store.car_changes import Mark
from service.store.fits import FitFacts, Standing
from service.worker.need import why_refit

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


def standing(
    *, age=timedelta(hours=1), took=timedelta(seconds=1), fitted=100, measured=True, changed=0, wishes=0
):
    """A fit of `fitted` cars that was begun `age` ago; without one where `fitted` is None."""
    begun = NOW - age
    fit = None if fitted is None else FitFacts(
        1, begun, begun + took, "peak_power", "sae-j1349", 1, fitted, 3 * fitted, Mark(700, frozenset()), {}
    )  # fmt: skip
    return Standing(fit, NOW, measured, changed, wishes)


def test_an_empty_ledger_has_nothing_to_estimate():
    assert why_refit(standing(fitted=None, measured=False)) is None


def test_without_a_fit_the_first_car_is_reason_enough():
    assert why_refit(standing(fitted=None)) == "there is no fit yet"


@pytest.mark.parametrize(("changed", "wanted"), [(2, False), (3, True)])
def test_more_than_two_cars_in_a_hundred_that_changed_are_a_reason(changed, wanted):
    assert (why_refit(standing(changed=changed)) is not None) == wanted


def test_a_day_is_a_reason_where_anything_changed_since():
    assert why_refit(standing(age=timedelta(hours=23), fitted=1000, changed=1)) is None
    assert why_refit(standing(age=timedelta(hours=25), fitted=1000, changed=1)) is not None
    assert why_refit(standing(age=timedelta(days=40), changed=0)) is None


def test_it_rests_a_minute_between_fits_that_nobody_asked_for():
    assert why_refit(standing(age=timedelta(seconds=50), changed=40)) is None
    assert why_refit(standing(age=timedelta(seconds=62), changed=40)) is not None


def test_it_rests_ten_times_as_long_as_the_last_fit_took():
    long = timedelta(seconds=30)
    assert why_refit(standing(age=timedelta(seconds=320), took=long, changed=40)) is None
    assert why_refit(standing(age=timedelta(seconds=340), took=long, changed=40)) is not None


def test_after_a_fit_of_a_much_smaller_history_it_rests_no_longer_than_that_took():
    assert why_refit(standing(age=timedelta(seconds=6), took=timedelta(seconds=2), changed=51)) is not None
    assert why_refit(standing(age=timedelta(seconds=3), took=timedelta(seconds=2), changed=51)) is None
    assert why_refit(standing(age=timedelta(seconds=6), took=timedelta(seconds=2), changed=50)) is None


def test_a_wish_is_granted_at_once():
    assert why_refit(standing(age=timedelta(seconds=2), wishes=1)) == "somebody asked for it"


def test_a_fit_of_the_future_was_made_before_the_clock_was_put_back_and_holds_nothing_up():
    assert why_refit(standing(age=timedelta(days=-400), changed=40)) is not None
    assert why_refit(standing(age=timedelta(days=-400), changed=0)) is None


def test_a_fit_during_which_the_clock_was_put_forward_holds_the_next_one_up_for_a_day_at_most():
    years = timedelta(days=800)
    assert why_refit(standing(age=years + timedelta(hours=23), took=years, changed=40)) is None
    assert why_refit(standing(age=years + timedelta(hours=25), took=years, changed=40)) is not None
