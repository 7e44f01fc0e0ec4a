"""Estimating: from one moment of the ledger, kept whole, by one at a time."""

import threading
import time

import psycopg
import pytest

from service.answers import packed
from service.store import fits
from service.store.car_changes import changes_since, mark_now, note_cars
from service.worker import refit as refitting
from service.worker.refit import refit, refit_if_needed, refit_now, standing_now
from tests.threads import meanwhile


def newest(line):
    """What is kept of the newest fit."""
    return fits.newest_fit_facts(line, "peak_power", "sae-j1349", packed.METHOD)()


def test_a_fit_of_what_is_kept_is_kept_with_what_it_rests_on(lines):
    outcome = refit(lines[0])
    facts = newest(lines[1])
    assert (outcome.fit_id, outcome.cars, outcome.setups) == (facts.fit_id, 3, 6)
    assert (facts.cars, facts.setups) == (3, 6)
    assert facts.as_of <= facts.made_at
    fit = packed.unpack(fits.read_fit(lines[1], facts.fit_id).packed)
    assert (fit.cars, fit.setups) == (3, 6)


def test_nothing_is_kept_of_an_empty_ledger_but_the_wish_is_over(empty_url):
    with psycopg.connect(empty_url, autocommit=True) as line:
        wish = fits.ask_refit(line, "admin")
        assert refit(line).fit_id is None
        assert fits.is_granted(line, wish.wish_id)


def test_what_changes_while_it_is_estimated_is_told_to_who_follows_from_the_fit(lines, monkeypatch):
    def slow(history, catalogue):
        note_cars(lines[1], [history.vehicle_id[0]])
        return fit(history, catalogue)

    fit = refitting.fit
    monkeypatch.setattr(refitting, "fit", slow)
    before = mark_now(lines[1])
    refit(lines[0])
    assert len(changes_since(lines[1], before).vehicle_ids) == 1
    assert len(changes_since(lines[1], newest(lines[1]).mark).vehicle_ids) == 1


def test_what_fails_half_way_leaves_the_former_fit_and_the_wish(lines, monkeypatch):
    former = refit(lines[0]).fit_id
    wish = fits.ask_refit(lines[0], "admin")

    def broken(*_):
        raise RuntimeError("no convergence")

    monkeypatch.setattr(refitting, "pack", broken)
    with pytest.raises(RuntimeError):
        refit_if_needed(*lines[:2])
    assert newest(lines[1]).fit_id == former
    assert not fits.is_granted(lines[1], wish.wish_id)
    with fits.estimating(lines[1]) as free:
        assert free


def test_it_is_done_once_where_there_is_need_and_not_again(lines):
    assert refit_if_needed(*lines[:2]).fit_id is not None
    assert refit_if_needed(*lines[:2]) is None
    assert standing_now(lines[0]).changed == 0


def test_it_is_not_done_where_another_one_is_at_it(lines):
    with fits.estimating(lines[2]):
        assert refit_if_needed(*lines[:2]) is None
    assert newest(lines[0]) is None


def test_who_must_have_it_waits_for_who_is_at_it(lines):
    holding = threading.Event()

    def hold():
        with fits.estimating(lines[2]):
            holding.set()
            time.sleep(1.0)

    with meanwhile(hold):
        holding.wait()
        outcome = refit_now(*lines[:2], "admin")
    assert newest(lines[0]).fit_id == outcome.fit_id
    assert standing_now(lines[0]).wishes == 0
