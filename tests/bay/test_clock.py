"""How far the bay's clock is off, by the Date of an answer."""

from datetime import UTC, datetime, timedelta

import pytest

from service.bay.clock import measured

NOON = datetime(2026, 3, 18, 12, 0, tzinfo=UTC)
DATE = "Wed, 18 Mar 2026 12:00:00 GMT"
"""The server's clock read 12:00:00 and something, half a second on average."""


def test_half_the_round_trip_is_taken_for_the_way_there():
    skew = measured(DATE, NOON + timedelta(seconds=100), timedelta(seconds=4))
    assert skew.ahead_s == pytest.approx(100.0 + 4.0 / 2 - 0.5)
    assert skew.within_s == pytest.approx(4.0 / 2 + 0.5)


@pytest.mark.parametrize(
    ("ahead_s", "off"), [(119.0, False), (121.0, False), (122.0, True), (-120.0, False), (-121.0, True)]
)
def test_a_clock_is_called_off_only_where_the_measurement_is_sure_of_it(ahead_s, off):
    """120 s, and 0.5 s that a header in whole seconds leaves open; the round trip took no time."""
    assert measured(DATE, NOON + timedelta(seconds=ahead_s), timedelta()).is_off is off


def test_which_way_and_how_far_is_said_in_words():
    behind = measured(DATE, NOON - timedelta(hours=1), timedelta())
    assert "is 60 min behind the ledger's: set it" in behind.in_words()
    years = measured(DATE, NOON + timedelta(days=800), timedelta())
    assert "is 800 days ahead of the ledger's" in years.in_words()


@pytest.mark.parametrize("header", [None, "", "yesterday"])
def test_an_answer_without_a_date_measures_nothing(header):
    assert measured(header, NOON, timedelta()) is None
