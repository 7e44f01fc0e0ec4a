"""Several records of peaks alone posted in one transaction, as if each were posted after the one before it.

Each is looked up, checked, derived and paired by the same functions as a single post; what these ask of the ledger is asked
for all of them at once, what they write is written at once, and what one finds of those before it in the same transaction it
finds in memory (`companies`).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID, uuid5

from service.domain.checks import Case, refusals
from service.domain.errors import LedgerError
from service.domain.pairing import CarSetup, Pair, pairs_of_car
from service.domain.records import Finding, Part, PostedSession
from service.domain.resources import Caller
from service.domain.shop import Shop
from service.ledger.companies import Companies, Visitor, gathered
from service.ledger.own_names import under_own_names
from service.ledger.post import (
    NAMESPACE,
    Asked,
    Resolved,
    content_hash,
    derive_all,
    judge,
    new_pulls,
    raise_faults,
    repeated,
    resolve,
)
from service.ledger.states import State, car_setup_of, state_of, summary_of
from service.ledger.surroundings import AskedCompany
from service.store import many_posts as store
from service.store.db import Connection, together
from service.store.pairs import STOCK
from service.store.pulls import add_pulls
from service.store.reading import FindingRow
from service.store.sessions import KeptSession, LockedCar, PostingBay, ask_parts, keep_summaries
from service.store.transfer import note_all

NOBODY = AskedCompany(
    stock=list, earlier=list, bay_pulls=list, site_air=list, bay_stock=list, elsewhere=tuple
)
"""The company of a post that names a car or a bay there is not: it is refused before anybody looks."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A session that is in the ledger, and what the checks say of it."""

    id: UUID
    findings: Sequence[Finding | FindingRow]


@dataclass(frozen=True, slots=True)
class Judged:
    """A post that will be kept: under its own names, with what it comes to. Its states have no numbers yet."""

    id: UUID
    session: PostedSession
    case: Case
    found: Resolved
    findings: list[Finding]
    states: list[State]
    hashed: bytes


@dataclass(frozen=True, slots=True)
class Names:
    """What several posts name, found in the ledger."""

    cars: Mapping[str, LockedCar]
    bays: Mapping[str, store.NamedBay]
    parts: dict[str, Part]
    invoiced: Mapping[tuple[str, datetime], set[str]]
    kept: Mapping[bytes, KeptSession]


@dataclass(frozen=True, slots=True)
class Post:
    """One of several posts, under its own names and with notes of those that it did not use; its content as a hash."""

    session: PostedSession
    renamed: Sequence[Finding]
    hashed: bytes


def post_many(
    conn: Connection,
    posted: Sequence[tuple[PostedSession, bytes]],
    *,
    caller: Caller,
    shop: Shop,
    now: datetime,
) -> list[Taken | LedgerError]:
    """Keep sessions, each with its content; answers for each what became of it. A refused one leaves nothing.

    None of them has a curve or is named by an id. The caller's transaction decides over all of it, and holds their bays
    and cars.
    """
    with together(conn):
        posts = [Post(session, (), content_hash(content)) for session, content in posted]
        names = found_names(conn, posts)
        posts = [under_names(post, names) for post in posts]
        desk = Desk(conn, names, gathered(conn, visitors_of(posts, names)), shop, now)
        judged = [desk.judged(post) for post in posts]
        keep_many(conn, [one for one in judged if isinstance(one, Judged)], caller, shop)
    return [Taken(one.id, one.findings) if isinstance(one, Judged) else one for one in judged]


def found_names(conn: Connection, posts: Sequence[Post]) -> Names:
    """All that some posts name; aliases lead to what they stand for."""
    named = {part.slug for post in posts for setup in post.session.setups for part in setup.parts}
    tags = {post.session.vehicle for post in posts}
    bays = store.ask_bays(conn, {post.session.bay for post in posts})
    kept = store.ask_kept(conn, [(post.session.bay, post.hashed) for post in posts])
    cars = store.ask_cars(conn, tags)()
    own = {car.merged_into for car in cars.values() if car.merged_into is not None}
    theirs = store.ask_cars(conn, own) if own else dict
    parts = ask_parts(conn, named, tags | own)
    times = {(own_tag(post, cars), post.session.started_at) for post in posts}
    invoiced = store.ask_parts_by_invoice(conn, times)
    return Names({**theirs(), **cars}, bays(), parts(), invoiced(), kept())


def own_tag(post: Post, cars: Mapping[str, LockedCar]) -> str:
    """The tag that the car of a post has itself."""
    car = cars.get(post.session.vehicle)
    return post.session.vehicle if car is None or car.merged_into is None else car.merged_into


def under_names(post: Post, names: Names) -> Post:
    """A post under its own names."""
    car = names.cars.get(post.session.vehicle)
    session, notes = under_own_names(post.session, None if car is None else car.merged_into, names.parts)
    return replace(post, session=session, renamed=notes) if notes else post


def visitors_of(posts: Sequence[Post], names: Names) -> list[Visitor]:
    """Those of some posts whose car and bay are known."""
    return [
        Visitor(post.session, names.cars[post.session.vehicle], names.bays[post.session.bay])
        for post in posts
        if post.session.vehicle in names.cars and post.session.bay in names.bays
    ]


@dataclass(frozen=True, slots=True)
class Desk:
    """Where posts are judged one after the other, each with those before it in sight."""

    conn: Connection
    names: Names
    companies: Companies
    shop: Shop
    now: datetime

    def judged(self, post: Post) -> Judged | Taken | LedgerError:
        """What becomes of a post: it is to be kept, there already, or refused."""
        try:
            return self._judged(post)
        except LedgerError as error:
            return error

    def _judged(self, post: Post) -> Judged | Taken:
        session = post.session
        raise_faults(refusals(Case(session, self.now), self.shop.checks(session.bay)))
        kept = self.names.kept.get(post.hashed)
        if kept is not None:
            whole = repeated(self.conn, kept, post.hashed).whole
            return Taken(whole.session.id, whole.findings)
        derived, _ = derive_all(session)
        visitors = visitors_of([post], self.names)
        found = resolve(self.conn, session, self._asked(session, visitors))
        case, findings = judge(self.conn, session, derived, found, self.now, self.shop, post.renamed)
        states = [
            state_of(setup, 0, summary_of(by_case, case.derived), findings, found.car, found.bay.bay_id)
            for setup, by_case in zip(session.setups, case.session.setups, strict=True)
        ]
        id = uuid5(NAMESPACE, session.bay + post.hashed.hex())
        self.companies.add(visitors[0], id, case.session, states)
        return Judged(id, session, case, found, findings, states, post.hashed)

    def _asked(self, session: PostedSession, visitors: Sequence[Visitor]) -> Asked:
        """What a single post would have asked, known already."""
        names = self.names
        bay: PostingBay | None = None
        company = NOBODY
        for one in visitors:
            bay, company = self.companies.posting_bay(one.bay), self.companies.of(one)
        return Asked(
            car=lambda: names.cars.get(session.vehicle),
            bay=lambda: bay if bay is not None else self._bay(session.bay),
            parts=lambda: names.parts,
            invoiced=lambda: names.invoiced.get((session.vehicle, session.started_at), set()),
            kept=lambda: None,
            earlier=list,
            company=company,
        )

    def _bay(self, slug: str) -> PostingBay | None:
        """A known bay of a post whose car is not."""
        bay = self.names.bays.get(slug)
        return None if bay is None else self.companies.posting_bay(bay)


def keep_many(conn: Connection, judged: Sequence[Judged], caller: Caller, shop: Shop) -> None:
    """Write sessions as `post.keep` writes one."""
    if not judged:
        return
    earlier = store.ask_car_setups(conn, {one.found.car.vehicle_id for one in judged})
    keys = store.add_sessions(conn, [new_session_of(one) for one in judged], caller.name)
    kept = list(zip(judged, keys, strict=True))
    states = [numbered(one, key) for one, key in kept]
    add_pulls(
        conn,
        [
            pull
            for one, key in kept
            for pull in new_pulls(one.session, key.setup_ids, one.case.derived, {}, one.found)
        ],
    )
    keep_summaries(conn, [(state.keys, state.summary) for of_one in states for state in of_one])
    store.add_findings(conn, [(key.session_id, said) for one, key in kept for said in one.findings])
    note = {"who": caller.name, "action": "posted", "after": None}
    note_all(conn, [{**note, "about": f"sessions/{one.id}"} for one in judged])
    pair_many(conn, judged, keys, states, earlier(), shop)


def new_session_of(one: Judged) -> store.NewSession:
    """A post as the store keeps it."""
    found = one.found
    return store.NewSession(
        one.id, one.session, found.car.vehicle_id, found.bay.bay_id, found.parts, one.hashed
    )


def numbered(one: Judged, key: store.AddedMany) -> list[State]:
    """The states of a session with their numbers."""
    return [
        replace(state, keys=replace(state.keys, setup_id=setup_id))
        for state, setup_id in zip(one.states, key.setup_ids, strict=True)
    ]


def pair_many(
    conn: Connection,
    judged: Sequence[Judged],
    keys: Sequence[store.AddedMany],
    states: Sequence[Sequence[State]],
    earlier: Mapping[int, list[CarSetup]],
    shop: Shop,
) -> None:
    """Find the pairs that each session's setups make with those its car had by then, and mark the evidence they touch."""
    windows = shop.windows()
    of_car = defaultdict(list, {vehicle_id: list(setups) for vehicle_id, setups in earlier.items()})
    slots = {part.part_id: part.slots for one in judged[:1] for part in one.found.parts.values()}
    made: list[tuple[int, int, Pair]] = []
    touched: Counter[tuple[int, int]] = Counter()
    for one, key, own in zip(judged, keys, states, strict=True):
        car, parts = one.found.car, one.found.parts
        of_car[car.vehicle_id] += [
            car_setup_of(one.session, key.session_id, key.started_at, state, parts) for state in own
        ]
        found = pairs_of_car(
            of_car[car.vehicle_id],
            slots,
            touching=frozenset(key.setup_ids),
            windows=windows,
        )
        platform_id = car.platform.platform_id
        made += [(platform_id, car.vehicle_id, pair) for pair in found]
        touched.update((platform_id, part_id) for part_id in {STOCK, *(pair.part_id for pair in found)})
    store.add_pairs(conn, made)
    store.bump_evidence(conn, touched)
