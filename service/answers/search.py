"""What somebody types at the counter, answered with questions, kinds of car, parts and this one car."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from service.store import search as store
from service.store.db import Connection

MOST_WORDS = 6
NEAR = (0.6, 0.5)
"""Word similarities tried one after another where nothing is called as typed: what pg_trgm itself takes, then one letter
exchanged in eight (`silenser` for `silencer` has 0.5)."""
SHORTEST_TAG = 3
"""Letters of a tag before a car is looked for (our choice)."""
MOST_CARS = 5
"""More cars than these are counted, not listed: the screen faces a customer, and they are other people's (our choice)."""


@dataclass(frozen=True, slots=True)
class Found:
    """What was found. `near`: nothing is called so, and this is the nearest in spelling."""

    near: bool
    questions: Sequence[store.FoundQuestion]
    unmeasured: Sequence[store.FoundQuestion]
    platforms: Sequence[store.FoundPlatform]
    parts: Sequence[store.FoundPart]
    cars: Sequence[store.FoundCar]
    too_many_cars: bool

    @property
    def is_nothing(self) -> bool:
        """Whether nothing at all was found."""
        names = (self.questions, self.unmeasured, self.platforms, self.parts, self.cars)
        return not any(names) and not self.too_many_cars


NOTHING = Found(False, (), (), (), (), (), too_many_cars=False)


def search(conn: Connection, typed: str, limit: int) -> Found:
    """What is called as typed; where nothing is, what is spelt nearly so. Up to `limit` of each kind."""
    tried = (found(conn, typed, limit, near) for near in (None, *NEAR))
    return next((one for one in tried if not one.is_nothing), NOTHING)


def found(conn: Connection, typed: str, limit: int, near: float | None) -> Found:
    """What is called as typed, or with `near` spelt nearly so."""
    words = words_of(typed)
    if not words:
        return NOTHING
    questions = store.find_questions(conn, words, near=near, measured=True, limit=limit)
    room = limit - len(questions)
    unmeasured = store.find_questions(conn, words, near=near, measured=False, limit=room) if room else ()
    cars = cars_called(conn, typed)
    return Found(
        near is not None,
        questions,
        unmeasured,
        store.find_platforms(conn, words, near=near, limit=limit),
        store.find_unmeasured_parts(conn, words, near=near, limit=limit),
        cars if len(cars) <= MOST_CARS else (),
        too_many_cars=len(cars) > MOST_CARS,
    )


def words_of(typed: str) -> list[str]:
    """The words that were typed, as names are compared: in lower case, hyphens and commas as spaces."""
    return re.sub(r"[-_/,]", " ", typed.lower()).split()[:MOST_WORDS]


def cars_called(conn: Connection, typed: str) -> list[store.FoundCar]:
    """Cars whose tag begins as typed, one more than are listed; none before enough of a tag was typed."""
    beginning = re.sub(r"\s+", "-", typed.strip().lower())
    return store.find_cars(conn, beginning, limit=MOST_CARS + 1) if len(beginning) >= SHORTEST_TAG else []
