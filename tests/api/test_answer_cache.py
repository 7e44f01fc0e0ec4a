"""What is kept of answers: made once, also where several ask for it at the same moment; a fault keeps nothing."""

import threading

import pytest

from service.answers.cache import Kept
from tests.threads import meanwhile

TOGETHER = 6
PATIENCE_S = 60.0


def test_several_who_ask_at_the_same_moment_have_it_made_once():
    kept = Kept(4)
    made, found, all_ask = [], [], threading.Event()

    def make() -> str:
        made.append("made")
        assert all_ask.wait(PATIENCE_S)
        return "answer"

    with meanwhile(*[lambda: found.append(kept.get_or_make("key", make))] * TOGETHER):
        all_ask.set()
    assert (made, found) == (["made"], ["answer"] * TOGETHER)


def test_what_could_not_be_made_is_made_by_the_next_who_asks():
    kept = Kept(4)

    def fault() -> str:
        raise LookupError("not now")

    with pytest.raises(LookupError):
        kept.get_or_make("key", fault)
    assert "key" not in kept
    assert kept.get_or_make("key", lambda: "answer") == "answer"


def test_what_is_kept_weighs_no_more_than_it_may_and_what_was_least_lately_asked_goes_first():
    kept = Kept(10)
    for key in ("a", "bb", "ccc", "dddd"):
        kept.get_or_make(key, lambda key=key: key, len)
    assert kept.get_or_make("a", lambda: "made anew", len) == "a"
    kept.get_or_make("eeeee", lambda: "eeeee", len)
    assert [key in kept for key in ("a", "bb", "ccc", "dddd", "eeeee")] == [True, False, False, True, True]
    kept.get_or_make("ffffff", lambda: "ffffff", len)
    assert [key in kept for key in ("a", "dddd", "eeeee", "ffffff")] == [False, False, False, True]


def test_what_alone_weighs_more_than_all_may_is_given_and_drives_nothing_out():
    kept = Kept(10)
    kept.get_or_make("small", lambda: "small", len)
    assert kept.get_or_make("heavy", lambda: "x" * 11, len) == "x" * 11
    assert ("small" in kept, "heavy" in kept) == (True, False)


def test_what_is_made_twice_under_one_key_weighs_once():
    kept = Kept(10)

    def while_another_does() -> str:
        kept._making.clear()  # as one that failed leaves those who waited for it
        kept.get_or_make("key", lambda: "first", len)
        return "again"

    kept.get_or_make("key", while_another_does, len)
    kept.get_or_make("other", lambda: "other", len)
    assert ("key" in kept, "other" in kept) == (True, True)
