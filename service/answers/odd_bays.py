"""Steps of a bay's level that nobody recorded."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from service.answers.model import ModelState
from service.answers.odd_shown import OddOne, Where
from service.domain.history import moment_of
from service.stats.history.bays import Step, find_steps
from service.stats.history.reasons import Reason
from service.stats.history.system import System
from service.store.db import Connection
from service.store.model_questions import BayPost, last_posts


def odd_bays(conn: Connection, state: ModelState) -> Iterator[OddOne]:
    """Every step of every bay, as an odd one."""
    found = steps_of(conn, state)
    for bay in last_posts(conn):
        for step in found.get(bay.bay_id, ()):
            yield shown_step(bay, step)


def steps_of(conn: Connection, state: ModelState) -> Mapping[int, Sequence[Step]]:
    """The steps of each bay's level beside those at recorded events, by date; kept with the state."""
    return state.kept(conn, ("steps",), lambda _, state: look_for_steps(state.system), again=False)


def look_for_steps(system: System) -> dict[int, list[Step]]:
    """Scan all bays' strap-downs for steps."""
    setups = system.setups()
    by_bay: dict[int, list[Step]] = {}
    for step in find_steps(setups.at, setups.bay_id, setups.vehicle_id, system.columns_against):
        by_bay.setdefault(step.bay_id, []).append(step)
    return by_bay


def shown_step(bay: BayPost, step: Step) -> OddOne:
    """A step as an odd one: in percent, where none was expected."""
    percent = 100.0 * float(np.expm1(step.size))
    words = (
        "nothing is recorded for this bay about that day: if it was recalibrated or repaired, record it "
        f"(POST /v1/bays/{bay.slug}/events) and its level begins anew there"
    )
    return OddOne(
        kind="bay",
        where=Where(at=moment_of(step.at), bay=bay.slug),
        subject=bay.name,
        value=percent,
        expected=0.0,
        in_percent=True,
        deviation_percent=percent,
        score=step.z,
        reasons=(Reason("nothing-recorded", words, None),),
    )
