"""How far behind a standby is, and whether it may be asked, by hand."""

import pytest

from service.store.standby import (
    BEHIND,
    MOST_SEEN,
    NO_PRIMARY,
    NO_STANDBY,
    OTHER_HISTORY,
    STRANGER,
    Lag,
    PrimaryFacts,
    StandbyFacts,
    standing_of,
)

PRIMARY = PrimaryFacts(position=1000, cluster=7, timeline=2)
STANDBY = StandbyFacts(replayed=1000, cluster=7, timeline=2)


@pytest.fixture
def lag() -> Lag:
    """The primary wrote at 10 s, 11 s and 12 s, and nothing since."""
    seen = Lag()
    for now, position in ((10.0, 100), (11.0, 200), (12.0, 300)):
        seen.seen(position, now)
    return seen


def test_a_standby_that_has_all_is_not_behind_however_long_the_primary_has_been_idle(lag):
    lag.seen(300, 5000.0)
    assert lag.behind_s(300, 5000.0) == 0.0


def test_it_is_behind_by_the_age_of_the_oldest_change_that_it_lacks(lag):
    assert lag.behind_s(50, 15.0) == 15.0 - 10.0
    assert lag.behind_s(100, 15.0) == 15.0 - 11.0
    assert lag.behind_s(250, 15.0) == 15.0 - 12.0


def test_looking_again_while_the_primary_is_idle_does_not_make_a_change_younger(lag):
    for now in (13.0, 14.0):
        lag.seen(300, now)
    assert lag.behind_s(200, 15.0) == 15.0 - 12.0


def test_a_standby_that_never_follows_is_remembered_in_bounded_room_and_its_oldest_lack_kept():
    lag = Lag()
    for second in range(5 * MOST_SEEN):
        lag.seen(second + 1, float(second))
    assert len(lag._seen) <= MOST_SEEN
    assert lag.behind_s(0, 9000.0) == 9000.0


@pytest.mark.parametrize("max_lag_s", [0.5, 2.0])
def test_it_is_asked_up_to_the_limit_and_not_beyond(max_lag_s):
    assert standing_of(PRIMARY, STANDBY, max_lag_s, max_lag_s).used
    beyond = standing_of(PRIMARY, STANDBY, max_lag_s + 0.001, max_lag_s)
    assert (beyond.used, beyond.why_not) == (False, BEHIND)


def test_what_it_lacks_is_told_in_bytes_too():
    assert standing_of(PRIMARY, StandbyFacts(900, 7, 2), 0.1, 2.0).lag_bytes == 100
    assert standing_of(PRIMARY, StandbyFacts(1010, 7, 2), 0.0, 2.0).lag_bytes == 0


@pytest.mark.parametrize(
    ("primary", "standby", "why_not"),
    [
        (PRIMARY, StandbyFacts(None, 7, 2), NO_STANDBY),
        (PRIMARY, StandbyFacts(1000, 8, 2), STRANGER),
        (PRIMARY, StandbyFacts(1000, 7, 3), OTHER_HISTORY),
        (PrimaryFacts(None, 7, None), STANDBY, NO_PRIMARY),
    ],
)
def test_what_follows_no_primary_or_another_one_is_never_asked(primary, standby, why_not):
    assert standing_of(primary, standby, 0.0, 2.0).why_not == why_not


def test_a_standby_that_has_not_yet_written_down_its_new_history_is_asked():
    """After a failover its own record of the history it follows comes a while later."""
    assert standing_of(PRIMARY, StandbyFacts(1000, 7, 1), 0.0, 2.0).used
