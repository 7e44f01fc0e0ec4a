"""The history model as this process holds it: solved once, kept up with the ledger, asked by every question.

Vocabulary: a fit is an estimate of the variances, made by the worker and kept in the database; a system is the whole
history solved at a fit; to follow is to take in the cars that changed since. Readers use a state, which never changes;
one writer at a time makes the next. Where no fit is kept yet, a small history is fitted here at first need.
"""

import threading
import time
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from itertools import count
from secrets import token_hex
from typing import Final, TypeVar

import numpy as np

from service.answers.behind import Behind, Worked
from service.answers.cache import Kept
from service.answers.carried import Carried
from service.answers.packed import METHOD, unpack
from service.domain.history import Catalogue, History
from service.domain.measures import PEAK_POWER
from service.stats.history.fit import fit
from service.stats.history.system import System, build
from service.store.car_changes import Changes, Mark, ask_changes, changes_since, mark_now
from service.store.db import Connect, Connection, Later
from service.store.fits import FitFacts, newest_fit_facts, read_fit
from service.store.model_questions import setups_up_to
from service.store.past import cars_of, catalogue, past, past_of, reading_once

PEAK: Final = PEAK_POWER
"""What the variances are estimated on; other measures are solved for on the same matrix."""
AT_ONCE: Final = 20_000
"""Setups up to which a change is taken in before the question is answered; above, a moment later (our choice)."""
FITTED_HERE: Final = 2_000
"""Setups up to which a process that finds no fit makes one itself (our choice: a second or two)."""
LATELY_CHANGED: Final = 0.2
"""A fit made here is made anew when this share of its cars has changed since (our choice)."""
LOOK_S: Final = 1.0
"""How often a process looks whether a newer fit was kept; changes are followed at every question (our choice)."""
SOLVED: Final = 24
"""Other measures kept solved beside one state (our choice)."""
LONG_S: Final = 10.0
"""Processor time beyond which something is not worked out anew behind each change of a large history, but when it is next
asked for [s] (our choice)."""
ASKED: Final = 256
"""Questions of which what the model knows is kept beside one state (our choice; a few kB each, of a choice of 150 parts 0.1 MB)."""


T = TypeVar("T")
Recipe = Callable[[Connection, "ModelState"], T]
"""Works something out of a state."""
Recipes = Mapping[Hashable, Recipe[object]]


@dataclass(frozen=True, slots=True)
class ModelState:
    """One state of the model: the system, the fit it stands on, how far the ledger was followed and when.

    `version` names it: the same in every process that followed the same changes from the same fit. `behind`: something
    has changed since and is being taken in. `solved` keeps what was worked out of the very same history, `recipes` how,
    `took_s` how long it took [s of processor time], `known` what it says of single questions; `read` keeps what was read for it and `ranges` the rev ranges of curves [rpm], both carried on to the next state.
    """

    system: System
    facts: FitFacts | None
    made_at: datetime
    version: str
    mark: Mark
    as_of: datetime
    standard: str
    followed: int = 0
    behind: bool = False
    solved: Kept = field(default_factory=lambda: Kept(SOLVED))
    recipes: dict[Hashable, Recipe[object]] = field(default_factory=dict)
    took_s: dict[Hashable, float] = field(default_factory=dict)
    known: Kept = field(default_factory=lambda: Kept(ASKED))
    read: dict[Hashable, Carried] = field(default_factory=dict)
    ranges: dict[int, tuple[float, float]] = field(default_factory=dict)

    def kept(self, conn: Connection, key: Hashable, recipe: Recipe[T], again: bool = True) -> T:
        """What is worked out of this state by a recipe, once; `again`: and of the next before that is shown."""

        def made() -> T:
            began = time.thread_time()
            found = recipe(conn, self)
            self.took_s[key] = time.thread_time() - began
            return found

        if again:
            self.recipes[key] = recipe
        return self.solved.get_or_make(key, made)

    def alone(self) -> "ModelState":
        """The state without what else was worked out of it, which would stay in memory with it."""
        return replace(self, solved=Kept(1), recipes={}, took_s={}, known=Kept(1), read={}, ranges={})

    @property
    def key(self) -> str:
        """What an answer's ETag carries of it."""
        return f"{self.version}-behind" if self.behind else self.version

    @property
    def lately_changed(self) -> float:
        """The share of the fit's cars that changed since."""
        return self.followed / max(1, self.system.fit.cars)


def nothing_first(_: str) -> Recipes:
    """No recipe."""
    return {}


Followed = Callable[[datetime], ModelState | None]
"""Takes in what was asked for, given the time; None where there is no model yet."""


class Live:
    """The state of each standard that is asked for. Safe for threads."""

    def __init__(self, connect: Connect, first: Callable[[str], Recipes] = nothing_first) -> None:
        """`first` gives what is worked out of a standard's first state before it is shown, where that takes long."""
        self._connect = connect
        self._first = first
        self._states: dict[str, ModelState] = {}
        self._looked: dict[str, float] = {}
        self._writing = threading.Lock()
        self._asking = threading.Lock()
        self._behind: set[str] = set()
        self._long = Behind(connect)
        self._fitted = count(1)
        self._born = token_hex(4)

    def ask(self, conn: Connection, standard: str) -> Followed:
        """Ask the ledger how far it has moved; within `together` this waits for nobody before it is called on."""
        state, asked_at = self._states.get(standard), time.monotonic()
        if state is None or asked_at - self._looked.get(standard, -LOOK_S) >= LOOK_S:
            newest = newest_fit_facts(conn, PEAK.name, standard, METHOD)
            self._looked[standard] = asked_at
        else:
            newest = partial(facts_of, state)
        changes = None if state is None else ask_changes(conn, state.mark)
        return lambda now: self._followed(conn, standard, newest, state, changes, now)

    def begin(self, conn: Connection, standard: str) -> None:
        """Begin to read a large history in, before anybody asks."""
        facts = newest_fit_facts(conn, PEAK.name, standard, METHOD)()
        if facts is not None and facts.setups > AT_ONCE:
            self._begin_behind(standard)

    def current(self, conn: Connection, standard: str, now: datetime) -> ModelState | None:
        """The state as of now; None where there is none yet."""
        return self.ask(conn, standard)(now)

    def worked_out(self, state: ModelState, key: Hashable, recipe: Recipe[T]) -> Worked[T] | None:
        """What takes long to work out of a large history: of a small one, now; of a large one what was finished last
        behind the answers, None where nothing was yet."""
        if len(state.system) <= AT_ONCE:
            return Worked(state, lambda conn: recipe(conn, state))
        return self._long.newest(state, (state.standard, key), recipe)

    def _followed(
        self,
        conn: Connection,
        standard: str,
        newest: Later[FitFacts | None],
        state: ModelState | None,
        changes: Later[Changes] | None,
        now: datetime,
    ) -> ModelState | None:
        facts, moved = newest(), None if changes is None else changes()
        if state is not None and moved is not None and not moved.lost and not is_outdated(state, facts):
            if not moved.vehicle_ids and not moved.catalogue:
                return self._unmoved(state, moved, now)
            if len(state.system) > AT_ONCE:
                return self._follow_behind(state)
        elif state is not None and len(state.system) > AT_ONCE:
            return self._follow_behind(state)
        elif state is None and facts is not None and facts.setups > AT_ONCE:
            # Reading it in takes the longer the larger it is, and every thread would wait for it.
            self._begin_behind(standard)
            return None
        return self._brought_up(conn, standard, facts, now)

    def _unmoved(self, state: ModelState, moved: Changes, now: datetime) -> ModelState:
        """The same state, seen to hold until now; where it was followed by another thread, that one."""
        same = replace(state, mark=moved.mark, as_of=now)
        if self._writing.acquire(blocking=False):
            try:
                if self._states.get(state.standard) is state:
                    self._states[state.standard] = same
            finally:
                self._writing.release()
        return same

    def _brought_up(
        self, conn: Connection, standard: str, facts: FitFacts | None, now: datetime, warm: bool = False
    ) -> ModelState | None:
        """The next state, made under the writer's lock from one moment of the ledger; warm: with all that the one before
        had worked out."""
        with self._writing, reading_once(conn):
            state = self._states.get(standard)
            made = None if state is None or is_outdated(state, facts) else follow(conn, state, now)
            if made is None or is_outdated(made, facts):
                made = self._made(conn, standard, facts, now)
            if made is not None and warm:
                worked_out_again(conn, self._first(standard) if state is None else asked_of(state), made)
            if made is not None:
                self._states[standard] = made
            return made

    def _made(
        self, conn: Connection, standard: str, facts: FitFacts | None, now: datetime
    ) -> ModelState | None:
        """A state from the whole history: at the kept fit, or fitted here where the history is small."""
        if facts is None and not 0 < setups_up_to(conn, FITTED_HERE + 1) <= FITTED_HERE:
            return None
        mark = mark_now(conn)
        history, known = past(conn, PEAK, standard).history, catalogue(conn)
        kept = None if facts is None else read_fit(conn, facts.fit_id)
        if kept is not None:
            system = build(unpack(kept.packed), history, known)
            # Counted from the fit's own mark on, so that every process gives a state the same name.
            since = changes_since(conn, kept.facts.mark).mark
            name = f"{kept.facts.fit_id}.{since.count}"
            return ModelState(system, kept.facts, kept.facts.made_at, name, since, now, standard)
        if not np.isfinite(history.value).any():
            return None
        system = build(fit(history, known), history, known)
        return ModelState(
            system, None, now, f"{self._born}-{next(self._fitted)}.{mark.count}", mark, now, standard
        )

    def _follow_behind(self, state: ModelState) -> ModelState:
        """Bring a large history up in the background; until then the state as it is."""
        self._begin_behind(state.standard)
        return replace(state, behind=True)

    def _begin_behind(self, standard: str) -> None:
        """Bring a standard up in the background, once at a time."""
        with self._asking:
            begin = standard not in self._behind
            self._behind.add(standard)
        if begin:
            threading.Thread(target=self._behind_once, args=(standard,), daemon=True).start()

    def _behind_once(self, standard: str) -> None:
        try:
            with self._connect() as conn:
                facts = newest_fit_facts(conn, PEAK.name, standard, METHOD)()
                self._brought_up(conn, standard, facts, datetime.now(UTC), warm=True)
        finally:
            with self._asking:
                self._behind.discard(standard)


def asked_of(state: ModelState) -> Recipes:
    """How that was worked out which a state still keeps, and which did not take long."""
    return {
        key: recipe
        for key, recipe in list(state.recipes.items())
        if key in state.solved and state.took_s.get(key, 0.0) <= LONG_S
    }


def worked_out_again(conn: Connection, recipes: Recipes, after: ModelState) -> None:
    """Work out of a new state what was worked out of the one before, so that no question waits for it; but for what took
    so long that every answer would wait for it instead."""
    for key, recipe in recipes.items():
        after.kept(conn, key, recipe)


def facts_of(state: ModelState) -> FitFacts | None:
    """The fit of a state, as the newest that is known of."""
    return state.facts


def is_outdated(state: ModelState, facts: FitFacts | None) -> bool:
    """Whether a newer fit is kept, or one made here was made from too different a history."""
    if facts is not None:
        return state.facts is None or facts.fit_id != state.facts.fit_id
    return state.facts is None and state.lately_changed > LATELY_CHANGED and len(state.system) <= FITTED_HERE


def follow(conn: Connection, state: ModelState, now: datetime) -> ModelState | None:
    """The state with the cars that changed since put in anew, at the same fit; None where it was left too long for that."""
    moved = changes_since(conn, state.mark)
    if moved.lost:
        return None
    if not moved.vehicle_ids and not moved.catalogue:
        return replace(state, mark=moved.mark, as_of=now)
    system = system_followed(conn, state, moved)
    same = system is state.system  # the catalogue may change in what no answer hangs on
    return replace(
        state,
        system=system,
        version=f"{state.version.rpartition('.')[0]}.{moved.mark.count}",
        mark=moved.mark,
        as_of=now,
        followed=state.followed + len(moved.vehicle_ids),
        solved=state.solved if same else Kept(SOLVED),
        recipes=state.recipes if same else {},
        took_s=state.took_s if same else {},
        known=state.known if same else Kept(ASKED),
        read={key: rows.without(moved.vehicle_ids) for key, rows in list(state.read.items())},
    )


def system_followed(conn: Connection, state: ModelState, moved: Changes) -> System:
    """The system with what moved; built whole where a change of the catalogue touches cars that did not."""
    before = state.system.catalogue
    known = catalogue(conn) if moved.catalogue else replace(before, cars={**before.cars})
    if moved.vehicle_ids:
        known = replace(known, cars={**known.cars, **cars_of(conn, moved.vehicle_ids)})
    if touches_others(before, known):
        return build(state.system.fit, past(conn, PEAK, state.standard).history, known)
    if not moved.vehicle_ids and known == before:
        return state.system
    vehicles = np.array(sorted(moved.vehicle_ids), dtype=np.int64)
    history: History = past_of(conn, PEAK, state.standard, moved.vehicle_ids).history
    return state.system.replaced(vehicles, history, known)


def touches_others(before: Catalogue, after: Catalogue) -> bool:
    """Whether what is known of a platform, part or bay changed in a way that cars measured before hang on."""
    return (
        any(after.platforms[key].aspiration != old.aspiration for key, old in before.platforms.items())
        or any(
            (after.parts[key].slot, after.parts[key].variant_of) != (old.slot, old.variant_of)
            for key, old in before.parts.items()
        )
        or any(after.bays[key].events != old.events for key, old in before.bays.items())
    )
