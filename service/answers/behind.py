"""What takes long to work out of a large history is worked out behind the answers, which give what was finished last.

One thing at a time in a process, in a thread of its own, when it is asked for and what was finished is of an older state. Its
kind then rests for as long as it worked, so that the questions of a busy ledger keep it at work half of the time at most.
"""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from service.store.db import Connect, Connection
from service.store.past import reading_once

if TYPE_CHECKING:
    from service.answers.model import ModelState, Recipe

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)

KEPT: Final = 16
"""Things of which what was finished last is kept, the least lately asked dropped first (our choice)."""


@dataclass(frozen=True, slots=True)
class Worked(Generic[T_co]):
    """What is worked out of a state of the model, given when it is wanted; `state.behind`: something was posted since, and
    a newer one is or will be on its way."""

    state: "ModelState"
    give: Callable[[Connection], T_co]


class Behind:
    """What was finished last under each key, and what is asked for. Safe for threads."""

    def __init__(self, connect: Connect) -> None:
        self._connect = connect
        self._finished: OrderedDict[Hashable, tuple[ModelState, Any]] = OrderedDict()
        self._rests_until: dict[Hashable, float] = {}
        self._asked: OrderedDict[Hashable, tuple[ModelState, Recipe[object]]] = OrderedDict()
        self._at_work_on: Hashable | None = None
        self._lock = threading.Lock()

    def newest(self, state: "ModelState", key: Hashable, recipe: "Recipe[T]") -> Worked[T] | None:
        """What was finished last under this key, the next begun where it is of another state; None where nothing was yet."""
        made: Any
        with self._lock:
            of, made = self._finished.get(key, (None, None))
            if of is not None and of.version == state.version:
                self._finished.move_to_end(key)
                return Worked(state, lambda _: made)
            if self._at_work_on != key and time.monotonic() >= self._rests_until.get(key, 0.0):
                self._ask(key, state, recipe)
        return None if of is None else Worked(replace(of, behind=True), lambda _: made)

    def _ask(self, key: Hashable, state: "ModelState", recipe: "Recipe[object]") -> None:
        self._asked[key] = state, recipe
        if len(self._asked) > KEPT:
            self._asked.popitem(last=False)
        if self._at_work_on is None:
            self._begin_next()

    def _begin_next(self) -> None:
        """Begin with what was asked for first; under the lock."""
        self._at_work_on = None
        if self._asked:
            key, (state, recipe) = self._asked.popitem(last=False)
            self._at_work_on = key
            threading.Thread(target=self._work, args=(key, state, recipe), daemon=True).start()

    def _work(self, key: Hashable, state: "ModelState", recipe: "Recipe[object]") -> None:
        began = time.thread_time()
        made: object = None
        try:
            with self._connect() as conn, reading_once(conn):
                made = recipe(conn, state)
        finally:
            with self._lock:
                self._rests_until[key] = time.monotonic() + time.thread_time() - began
                if made is not None:
                    self._keep(key, state, made)
                self._begin_next()

    def _keep(self, key: Hashable, state: "ModelState", made: object) -> None:
        self._finished[key] = state.alone(), made
        self._finished.move_to_end(key)
        if len(self._finished) > KEPT:
            dropped, _ = self._finished.popitem(last=False)
            self._rests_until.pop(dropped, None)
