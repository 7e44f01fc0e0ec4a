"""What a ledger must hold, worked out from the documents alone and shared with nothing in the service.

Two setups of one car make a pair where their part lists differ by exactly one part added, or by one replaced by
another of a slot they share. Inside one session nothing else is asked; across sessions both lists must be complete and
the air of both known. A state measured before and after another one of the same session makes one pair with it, whose
`again` is the later reading. Struck records, and setups without an accepted pull, make none.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from psycopg import Connection

Slots = Mapping[str, frozenset[str]]
Place = tuple[str, int]
"""A setup: (id of its session, its number)."""
SAME_DAY = timedelta(hours=12)
LIKENESS = ("same-session-aba", "same-session", "same-day", "other-day", "other-bay", "peaks-only")
PEAK_TOLERANCE = 0.004
"""A peak found on a smoothed noisy curve may lie this much from the highest sample [relative]."""


class Comparison(NamedTuple):
    """A pair by its names."""

    vehicle: str
    part: str
    against: str
    with_: Place
    without: Place
    again: Place | None
    match: str


@dataclass(frozen=True)
class State:
    """One setup of one car as its document has it."""

    session: str
    n: int
    vehicle: str
    bay: str
    at: datetime
    parts: frozenset[str]
    complete: bool
    air_known: bool
    counts: bool

    @property
    def place(self) -> Place:
        """Where it stands."""
        return self.session, self.n


def states_of(document: Mapping[str, Any]) -> Iterator[State]:
    """The setups of a session, posted or read back."""
    for n, setup in enumerate(document["setups"], start=1):
        counted = [pull for pull in setup["pulls"] if is_counted(pull)]
        yield State(
            session=document["id"],
            n=n,
            vehicle=document["vehicle"],
            bay=document["bay"],
            at=datetime.fromisoformat(document["started_at"]),
            parts=frozenset(part if isinstance(part, str) else part["part"] for part in setup["parts"]),
            complete=setup.get("parts_known", "complete") == "complete",
            air_known=all(has_air(pull) for pull in counted),
            counts=bool(counted) and not setup.get("struck") and not document.get("struck"),
        )


def is_counted(pull: Mapping[str, Any]) -> bool:
    """Accepted and not struck."""
    return pull.get("status", "accepted") == "accepted" and not pull.get("struck")


def has_air(pull: Mapping[str, Any]) -> bool:
    """Whether the pull can be corrected."""
    air = pull.get("ambient") or {}
    moist = air.get("humidity") is not None or air.get("dew_point") is not None
    return air.get("temperature") is not None and air.get("pressure") is not None and moist


def expected_pairs(documents: Iterable[Mapping[str, Any]], slots: Slots) -> set[Comparison]:
    """Every pair these sessions make, by looking at every two setups of every car."""
    cars: dict[str, list[State]] = defaultdict(list)
    for document in documents:
        for state in states_of(document):
            if state.counts:
                cars[state.vehicle].append(state)
    return {
        found
        for states in cars.values()
        for a in states
        for b in states
        if (found := comparison(a, b, states, slots)) is not None
    }


def comparison(a: State, b: State, states: list[State], slots: Slots) -> Comparison | None:
    """The pair of `a` with a part and `b` without it, if they make one."""
    change = one_change(a.parts, b.parts, slots)
    if change is None:
        return None
    if a.session != b.session:
        if not (a.complete and b.complete and a.air_known and b.air_known):
            return None
        return Comparison(a.vehicle, *change, a.place, b.place, None, likeness(a, b))
    for outer, middle in ((a, b), (b, a)):
        around = readings_around(outer, middle, states)
        if around is not None:
            before, after = around
            if outer is after:
                return None
            if outer is before:
                return Comparison(a.vehicle, *change, a.place, b.place, after.place, LIKENESS[0])
    return Comparison(a.vehicle, *change, a.place, b.place, None, LIKENESS[1])


def one_change(with_: frozenset[str], without: frozenset[str], slots: Slots) -> tuple[str, str] | None:
    """(part, against) where one part was added, or one put in the place of another."""
    for part in with_ - without:
        rest = with_ - {part}
        if rest == without:
            return part, "without"
        for other in without - with_:
            if rest == without - {other} and slots[part] & slots[other]:
                return part, other
    return None


def readings_around(outer: State, middle: State, states: list[State]) -> tuple[State, State] | None:
    """The last reading of outer's state before the middle one and the first after it, in one session."""
    same = [s for s in states if s.session == middle.session and s.parts == outer.parts]
    before = [s for s in same if s.n < middle.n]
    after = [s for s in same if s.n > middle.n]
    if not before or not after:
        return None
    return max(before, key=lambda s: s.n), min(after, key=lambda s: s.n)


def likeness(a: State, b: State) -> str:
    """How near two setups of different sessions were."""
    if a.bay != b.bay:
        return "other-bay"
    return "same-day" if abs(a.at - b.at) <= SAME_DAY else "other-day"


def kept_pairs(conn: Connection[Any]) -> set[Comparison]:
    """The pairs the ledger maintains. Raises where it holds one twice."""
    rows = conn.execute(
        """
        SELECT vehicle.tag::text, part.slug::text, coalesce(other.slug::text, 'without'),
               ws.id::text, w.n, os.id::text, o.n, rs.id::text, r.n, match
        FROM   pair
               JOIN vehicle USING (vehicle_id)
               JOIN part USING (part_id)
               LEFT JOIN part other ON other.part_id = against_id
               JOIN setup w ON w.setup_id = setup_with
               JOIN session ws ON ws.session_id = w.session_id
               JOIN setup o ON o.setup_id = setup_without
               JOIN session os ON os.session_id = o.session_id
               LEFT JOIN setup r ON r.setup_id = setup_again
               LEFT JOIN session rs ON rs.session_id = r.session_id
        """
    ).fetchall()
    pairs = {
        Comparison(car, part, other, (w, wn), (o, on), None if r is None else (r, rn), LIKENESS[match])
        for car, part, other, w, wn, o, on, r, rn, match in rows
    }
    assert len(pairs) == len(rows)
    return pairs


def kept_setups(conn: Connection[Any]) -> dict[Place, tuple[int, int, int, int, float | None]]:
    """(pulls, raw traces, pulls in its summary, curves, peak power [kW]) of every setup the ledger holds."""
    rows = conn.execute(
        """
        SELECT session.id::text, setup.n, count(pull.pull_id), count(pull_raw.pull_id),
               max(setup_summary.pulls), count(DISTINCT setup_curve.setup_id), max(setup_summary.power_kw)
        FROM   session
               LEFT JOIN setup USING (session_id)
               LEFT JOIN pull USING (setup_id)
               LEFT JOIN pull_raw USING (pull_id)
               LEFT JOIN setup_summary USING (setup_id)
               LEFT JOIN setup_curve USING (setup_id)
        GROUP  BY session.id, setup.n
        """
    ).fetchall()
    return {(id, n): tuple(rest) for id, n, *rest in rows}  # type: ignore[misc]


def expected_setup(setup: Mapping[str, Any]) -> tuple[int, int, int, int, float | None]:
    """The same of one posted setup whose pulls all have curves."""
    counted = [pull for pull in setup["pulls"] if is_counted(pull)]
    powers = [peak_power_kw(pull["curve"]) for pull in counted]
    mean = sum(powers) / len(powers) if powers else None
    return len(setup["pulls"]), len(setup["pulls"]), len(counted), int(bool(counted)), mean


def peak_power_kw(curve: Mapping[str, list[float]]) -> float:
    """Highest torque x speed of the samples [kW]."""
    return max(nm * rpm * math.pi / 30_000.0 for rpm, nm in zip(curve["rpm"], curve["torque"], strict=True))


def damage(conn: Connection[Any], documents: Iterable[Mapping[str, Any]], slots: Slots) -> list[str]:
    """What a ledger that was sent these whole documents, each at most once, holds wrongly; its sessions may be fewer."""
    sent = {document["id"]: document for document in documents}
    kept = kept_setups(conn)
    present = {id for id, _ in kept}
    faults = [f"session {id} was never sent" for id in present - sent.keys()]
    expected = {
        (id, n): expected_setup(setup)
        for id in present & sent.keys()
        for n, setup in enumerate(sent[id]["setups"], start=1)
    }
    faults += [f"setup {place}: {kept.get(place)} is kept of {want}" for place, want in expected.items()
               if not alike(kept.get(place), want)]  # fmt: skip
    faults += [f"setup {place} was never sent" for place in kept.keys() - expected.keys()]
    made = expected_pairs([sent[id] for id in present & sent.keys()], slots)
    have = kept_pairs(conn)
    return faults + [f"missing {p}" for p in made - have] + [f"not to be there {p}" for p in have - made]


def alike(kept: tuple[Any, ...] | None, want: tuple[Any, ...]) -> bool:
    """Counts equal, peaks within what smoothing does."""
    if kept is None or kept[:-1] != want[:-1]:
        return False
    if kept[-1] is None or want[-1] is None:
        return kept[-1] is want[-1]
    return abs(kept[-1] / want[-1] - 1.0) < PEAK_TOLERANCE
