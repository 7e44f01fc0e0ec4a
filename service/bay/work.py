"""The session in work: one car strapped down, its states, the pulls taken so far. Pure: nothing here touches the disk.

It is kept on disk after every step and becomes one post when it is closed. What it becomes depends on nothing else, so a
session that is closed twice, because the power went in between, is the same post twice.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import datetime, timedelta
from typing import Any, Final

from service.bay.known import OF_ONE_STATE, Said, nine_digits, of
from service.bay.spool import Entry
from service.tables.records import AIR

IDLE: Final = timedelta(hours=4)
"""After so long without a pull nobody remembers what state the car was in (our choice)."""
MOST_SETUPS = 50
MOST_PULLS = 50
LARGEST_BODY = 7_500_000
"""A little below what a ledger takes where nothing else is set: 8 MiB [bytes]."""
ENGINE = ("coolant", "oil", "inlet", "inlet_end")
FUEL = ("ethanol", "octane", "octane_method")


@dataclass(frozen=True)
class Run:
    """One pull as it is taken: its part of the post, from which file of how many bytes it came, and when it began as
    far as is known."""

    document: Mapping[str, Any]
    file: str
    sha256: str
    began: str
    size: int | None = None


@dataclass(frozen=True)
class State:
    """The car in one state, and its pulls."""

    said: Said
    runs: tuple[Run, ...] = ()


@dataclass(frozen=True)
class Work:
    """The session in work. `remembered` is what holds for the next pull where nobody says otherwise.

    `forgotten`: what was taken back, so that no default says it. `outgrown`: contents of files that grew since, and are
    not taken again (name by content). `closed`: it only has to go into the spool; `then`: the session that takes its
    place, as it is kept on disk.
    """

    id: str
    bay: str
    sequence: int
    touched_at: str
    car: Said
    remembered: Said = field(default_factory=dict)
    states: tuple[State, ...] = ()
    forgotten: tuple[str, ...] = ()
    closed: bool = False
    then: str | None = None
    outgrown: Mapping[str, str] = field(default_factory=dict)

    @property
    def entry(self) -> Entry:
        """Its place in the spool."""
        return Entry(self.sequence, self.id)

    @property
    def runs(self) -> list[Run]:
        """All pulls, in order."""
        return [run for state in self.states for run in state.runs]

    @property
    def files(self) -> dict[str, str]:
        """The files it was made from: name by content."""
        return {run.sha256: run.file for run in self.runs}

    def idle_since(self, now: datetime) -> timedelta:
        """How long nothing was taken."""
        return now - datetime.fromisoformat(self.touched_at)


@dataclass(frozen=True)
class Known:
    """`all` that is known of a pull, and of it the `lasting` part, said by a person, that holds for the next pull too;
    `forgotten`: what was taken back and not said again."""

    all: Said
    lasting: Said
    forgotten: tuple[str, ...] = ()


def why_another(work: Work, known: Known, now: datetime, *, anew: bool, pulls: int, size: int) -> str | None:
    """Why the next pulls belong to another session, in words; None where they belong to this one."""
    if anew:
        return "the car was strapped down anew"
    if work.idle_since(now) >= IDLE:
        return f"nothing was measured for {IDLE.total_seconds() / 3600:.0f} hours"
    for name, value in of(known.all, "car").items():
        if name in work.car and work.car[name] != value:
            return f"{name.replace('_', ' ')} is {value}, not {work.car[name]}"
    if size > LARGEST_BODY:
        return "the session is as large as one post can be"
    if is_full(work, of(known.all, "state"), pulls):
        return f"a session holds {MOST_SETUPS} setups of {MOST_PULLS} pulls"
    return None


def is_full(work: Work, state: Said, pulls: int) -> bool:
    """Whether so many pulls more of a state are more than one post takes."""
    if work.states and work.states[-1].said == state:
        return len(work.states[-1].runs) + pulls > MOST_PULLS
    return len(work.states) >= MOST_SETUPS


def is_same_car(work: Work, said: Said, now: datetime) -> bool:
    """Whether what was said of the session in work still means the car of the next pull."""
    return said.get("car", work.car.get("car")) == work.car.get("car") and work.idle_since(now) < IDLE


def still_known(work: Work, said: Said, now: datetime) -> Said:
    """What is remembered for a pull of which `said` is said: nothing of another car, nor after an idle time."""
    if not is_same_car(work, said, now):
        return {}
    if "parts" in said and said["parts"] != work.remembered.get("parts"):
        return {name: value for name, value in work.remembered.items() if name not in OF_ONE_STATE}
    return work.remembered


def with_known(work: Work, known: Known, now: datetime) -> Work:
    """The same with what is known from now on."""
    return replace(
        work,
        touched_at=now.isoformat(),
        car=work.car | of(known.all, "car"),
        remembered=of(known.lasting, "car", "state", "air", "file"),
        forgotten=known.forgotten,
    )


def with_runs(work: Work, known: Known, runs: Sequence[Run], now: datetime) -> Work:
    """The same with pulls taken: into the last state where the car is in it still, else into a new one."""
    state = of(known.all, "state")
    *before, last = work.states or (State(state),)
    if last.said == state:
        states = (*before, replace(last, runs=(*last.runs, *runs)))
    else:
        states = (*before, last, State(state, tuple(runs)))
    return replace(with_known(work, known, now), states=tuple(states))


def pull_document(channels: Mapping[str, Sequence[float]], known: Said) -> dict[str, Any]:
    """A pull as the ledger takes it. A channel with a gap is left out: what was not measured is not made up."""
    smoothing = {"method": known.get("smoothing"), "width_rpm": known.get("smoothing_width")}
    said = {name: known.get(name) for name in ("test", "ramp", "basis", "status", "reason", "started_at")}
    document = {
        **said,
        "source": "file",
        "ambient": figures(known, AIR),
        "engine": figures(known, ENGINE),
        "smoothing": None if smoothing["method"] is None else without_unknown(smoothing),
        "curve": {
            name: [nine_digits(value) for value in values]
            for name, values in channels.items()
            if all(math.isfinite(value) for value in values)
        },
    }
    return without_unknown(document)


def figures(known: Said, names: Sequence[str]) -> dict[str, float]:
    """Those of the figures that are known."""
    return {name: nine_digits(value) for name, value in told(known, names).items()}


def without_unknown(document: Mapping[str, Any]) -> dict[str, Any]:
    """Only what is known."""
    return {name: value for name, value in document.items() if value is not None and value != {}}


def told(known: Said, names: Sequence[str]) -> Said:
    """Those of the names that were said."""
    return {name: known[name] for name in names if name in known}


def body_of(work: Work) -> bytes:
    """The session as one post. The same work is the same body, byte for byte."""
    car = {name: value for name, value in work.car.items() if name != "car"}
    document = {
        "units": "si",
        "id": work.id,
        "vehicle": work.car["car"],
        "bay": work.bay,
        "started_at": min((run.began for run in work.runs), key=datetime.fromisoformat),
        **car,
        "sequence": work.sequence,
        "setups": [setup_document(state) for state in work.states],
    }
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def setup_document(state: State) -> dict[str, Any]:
    """One state of the car as the ledger takes it."""
    said = {name: value for name, value in state.said.items() if name not in FUEL}
    return without_unknown(
        {**said, "fuel": told(state.said, FUEL), "pulls": [run.document for run in state.runs]}
    )


def written(work: Work) -> bytes:
    """As it is kept on disk."""
    return json.dumps(asdict(work), ensure_ascii=False, allow_nan=False).encode()


class WrittenByNewer(ValueError):
    """A newer version of this program kept something that this one does not know."""


def read(content: bytes) -> Work:
    """As it was kept on disk. Raises ValueError, KeyError or TypeError where it is not that; WrittenByNewer where there
    is more in it than is known here: written again by this version, that would be lost."""
    kept = json.loads(content)
    for one in kept["states"]:
        refuse_more(one, State)
        for run in one["runs"]:
            refuse_more(run, Run)
    refuse_more(kept, Work)
    kept["forgotten"] = tuple(kept.get("forgotten", ()))
    states = tuple(State(one["said"], tuple(Run(**run) for run in one["runs"])) for one in kept.pop("states"))
    return Work(**kept, states=states)


def refuse_more(kept: Mapping[str, Any], kind: type[Work | State | Run]) -> None:
    """Raises WrittenByNewer where a key is not known here."""
    more = sorted(kept.keys() - {one.name for one in fields(kind)})
    if more:
        raise WrittenByNewer(", ".join(more))
