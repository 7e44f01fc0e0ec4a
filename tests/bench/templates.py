"""The lives as columns, for whoever counts and draws many cars at once."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from tests.bench.lives import LIVES, SLOTS, Life

Ints = NDArray[np.int64]

MOST_PARTS = max(len(life.slots) for life in LIVES)


@dataclass(frozen=True, slots=True)
class Templates:
    """The lives as columns. Strap-downs and states are numbered through all lives.

    sessions, first_session: how many a life has, and the number of its first; setups, first_setup: the same of a
    strap-down's states; session_of: each state's strap-down; fitted, [states, MOST_PARTS]: which parts are on; slot,
    lead, nth, [lives, MOST_PARTS]: the slot of a part, the first part of the life in that slot, and the how-many-eth
    it is there; -1 where a life has no such part.
    """

    sessions: Ints
    first_session: Ints
    setups: Ints
    first_setup: Ints
    session_of: Ints
    fitted: NDArray[np.bool_]
    slot: Ints
    lead: Ints
    nth: Ints
    engine: Ints


@cache
def templates() -> Templates:
    """The columns of all lives."""
    states = [state for life in LIVES for session in life.sessions for state in session]
    fitted = np.zeros((len(states), MOST_PARTS), dtype=bool)
    for row, state in zip(fitted, states, strict=True):
        row[list(state)] = True
    sessions = np.array([len(life.sessions) for life in LIVES])
    setups = np.array([len(session) for life in LIVES for session in life.sessions])
    slot, lead, nth = np.array([places(life) for life in LIVES]).transpose(1, 0, 2)
    return Templates(
        sessions=sessions,
        first_session=before(sessions),
        setups=setups,
        first_setup=before(setups),
        session_of=np.repeat(np.arange(setups.size), setups),
        fitted=fitted,
        slot=slot,
        lead=lead,
        nth=nth,
        engine=np.array([life.engine for life in LIVES]),
    )


def places(life: Life) -> list[list[int]]:
    """(slot, lead, nth) of each of a life's parts, -1 where there is none."""
    empty = [-1] * (MOST_PARTS - len(life.slots))
    numbers = [SLOTS.index(slot) for slot in life.slots]
    return [
        numbers + empty,
        [life.slots.index(slot) for slot in life.slots] + empty,
        [life.slots[:n].count(slot) for n, slot in enumerate(life.slots)] + empty,
    ]


def before(counts: Ints) -> Ints:
    """How many come before each."""
    return np.cumsum(counts) - counts
