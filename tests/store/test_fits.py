"""Fits are kept whole, found by kind, and displaced; only one estimates; wishes end with a fit that knows enough."""

from datetime import UTC, datetime

import psycopg
import pytest

from service.store import fits
from service.store.car_changes import Mark, changes_since, mark_now, note_cars
from service.store.past import reading_once
from tests.local.conftest import wait_until

THEN = datetime(2026, 3, 1, 12, tzinfo=UTC)
PATIENCE_S = 60.0


def kept(line, *, as_of=THEN, standard="sae-j1349", method=1, packed=b"packed", mark=None):
    """A small fit."""
    return fits.keep_fit(
        line,
        as_of=as_of,
        measure="peak_power",
        standard=standard,
        method=method,
        cars=12,
        setups=30,
        mark=mark or mark_now(line),
        packed=packed,
        notes={"seconds": 0.5},
    )


def newest(line, standard="sae-j1349", method=1):
    """The number of the newest fit of a kind."""
    facts = fits.newest_fit_facts(line, "peak_power", standard, method)()
    return facts and facts.fit_id


def test_a_fit_comes_back_as_it_was_kept(lines):
    number = kept(lines[0], packed=bytes(range(256)) * 100, mark=Mark(700, frozenset({3, 5})))
    found = fits.read_fit(lines[1], number)
    assert found.packed == bytes(range(256)) * 100
    facts = found.facts
    assert (facts.as_of, facts.cars, facts.setups, facts.notes) == (THEN, 12, 30, {"seconds": 0.5})
    assert facts.mark == Mark(700, frozenset({3, 5}))
    assert facts == fits.newest_fit_facts(lines[1], "peak_power", "sae-j1349", 1)()


def test_the_newest_of_its_kind_is_used_and_no_other_kind(lines):
    line = lines[0]
    first = kept(line)
    second = kept(line)
    assert (newest(line), first < second) == (second, True)
    assert newest(line, standard="iso-1585") is None
    assert newest(line, method=2) is None


def test_a_fit_is_seen_whole_or_not_at_all(lines):
    writer, reader = lines[:2]
    writer.execute("BEGIN")
    number = kept(writer)
    assert (newest(reader), fits.read_fit(reader, number)) == (None, None)
    writer.execute("COMMIT")
    assert newest(reader) == number


def test_a_fit_that_came_with_a_dump_of_another_database_is_not_followed(lines):
    line = lines[0]
    line.execute(
        """
        INSERT INTO model_fit (as_of, measure, standard, method, cars, setups, cluster, seen_xid, seen_changes, packed, notes)
        VALUES (now(), 'peak_power', 'sae-j1349', 1, 1, 1, 1, '900000', '{}', '', '{}')
        """
    )
    assert newest(line) is None
    number = kept(line)
    assert (newest(line), line.execute("SELECT count(*) FROM model_fit").fetchone()) == (number, (1,))


def test_changes_that_came_with_a_dump_go_with_the_first_fit(lines):
    line = lines[0]
    line.execute("INSERT INTO car_change (xid, vehicle_id) VALUES ('9000000000', 1)")
    mark = changes_since(line, Mark(0, frozenset())).mark
    assert changes_since(line, mark).vehicle_ids == frozenset()  # told once at most
    kept(line)
    assert line.execute("SELECT count(*) FROM car_change").fetchone() == (0,)


def test_the_newest_three_are_kept_and_the_changes_that_they_have_not_all_seen(lines):
    line = lines[0]
    numbers = []
    for car in range(5):
        note_cars(line, [car])
        numbers.append(kept(line))
    left = line.execute("SELECT fit_id FROM model_fit ORDER BY fit_id").fetchall()
    assert [number for (number,) in left] == numbers[-3:]
    assert fits.read_fit(line, numbers[0]) is None
    oldest = fits.read_fit(line, numbers[-3]).facts.mark
    assert changes_since(line, oldest).vehicle_ids == {3, 4}


def test_who_follows_from_before_every_kept_fit_is_told_to_begin_anew(lines):
    line = lines[0]
    before = mark_now(line)
    note_cars(line, [1])
    assert not changes_since(line, before).lost
    kept(line)
    after = mark_now(line)
    assert (changes_since(line, before).lost, changes_since(line, after).lost) == (True, False)


def test_only_one_estimates_at_a_time(lines):
    with fits.estimating(lines[0]) as first, fits.estimating(lines[1]) as second:
        assert (first, second) == (True, False)
    with fits.estimating(lines[1]) as third:
        assert third


def test_the_lock_goes_with_a_connection_that_is_lost(lines):
    with pytest.raises(psycopg.OperationalError), fits.estimating(lines[0]):
        lines[1].execute("SELECT pg_terminate_backend(%s)", (lines[0].info.backend_pid,))
    wait_until(lambda: is_free(lines[2]), PATIENCE_S)


def is_free(line):
    """Whether nobody estimates."""
    with fits.estimating(line) as free:
        return free


def test_who_estimates_has_no_snapshot_and_no_number_that_others_would_wait_for(lines):
    with fits.estimating(lines[0]):
        held = lines[1].execute(
            "SELECT state, backend_xid, backend_xmin FROM pg_stat_activity WHERE pid = %s",
            (lines[0].info.backend_pid,),
        )
        assert held.fetchone() == ("idle in transaction", None, None)


def test_a_wish_ends_with_a_fit_that_knows_what_was_committed_when_it_was_asked(lines):
    line = lines[0]
    wish = fits.ask_refit(line, "admin")
    fits.grant_wishes(line, [])  # by a fit that was begun before
    assert not fits.is_granted(line, wish.wish_id)
    fits.grant_wishes(line, fits.open_wishes(line))
    assert fits.is_granted(line, wish.wish_id)


def test_how_a_kind_of_fit_stands_counts_what_changed_since_it(lines):
    line = lines[0]
    note_cars(line, [1])
    number = kept(line)
    note_cars(line, [2, 3])
    note_cars(line, [3])
    fits.ask_refit(line, "admin")
    standing = fits.standing(line, "peak_power", "sae-j1349", 1)
    assert (standing.newest.fit_id, standing.changed, standing.wishes) == (number, 2, 1)


def test_what_is_read_once_is_of_one_moment(lines):
    reader, writer = lines[:2]
    with reading_once(reader):
        mark = mark_now(reader)
        note_cars(writer, [1])
        assert changes_since(reader, mark).vehicle_ids == frozenset()
    assert changes_since(reader, mark).vehicle_ids == {1}


def test_neither_whoever_estimates_nor_who_reads_a_whole_history_is_cut_off_while_he_works(lines):
    lock, reader = lines[:2]

    def limits() -> list[str]:
        return [
            one.execute("SHOW idle_in_transaction_session_timeout").fetchone()[0] for one in (lock, reader)
        ]

    assert limits() == ["1min", "1min"]
    with fits.estimating(lock) as free, reading_once(reader):
        assert free
        assert limits() == ["0", "0"]
    assert limits() == ["1min", "1min"]
