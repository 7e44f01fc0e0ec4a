"""What is kept of answers: made once, also where several ask for it at the same moment; a fault keeps nothing."""

import threading

import pytest

from service.answers.cache import Kept
from tests.threads import meanwhile

TOGETHER = 6


def test_several_who_ask_at_the_same_moment_have_it_made_once():
    kept: Kept[str] = Kept(4)
    made, found, all_ask = [], [], threading.Event()

    def make() -> str:
        made.append("made")
        all_ask.wait(5.0)
        return "answer"

    with meanwhile(*[lambda: found.append(kept.get_or_make("key", make))] * TOGETHER):
        all_ask.set()
    assert (made, found) == (["made"], ["answer"] * TOGETHER)


def test_what_could_not_be_made_is_made_by_the_next_who_asks():
    kept: Kept[str] = Kept(4)

    def fault() -> str:
        raise LookupError("not now")

    with pytest.raises(LookupError):
        kept.get_or_make("key", fault)
    assert "key" not in kept
    assert kept.get_or_make("key", lambda: "answer") == "answer"
