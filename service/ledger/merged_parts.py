"""One part recorded under two slugs: merged into one, and taken apart again exactly as it was."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from service.domain.errors import Conflict, Fault
from service.domain.resources import PartSheet
from service.ledger.parts import hold_cars
from service.ledger.resources import refuse, unknown
from service.ledger.settling import settle_all
from service.store import history
from service.store import merging as store
from service.store.car_changes import note_catalogue
from service.store.db import Connection
from service.store.nearest import not_known
from service.store.parts import bump_part, get_part

MOST_NAMED = 20
"""Setups that a refusal names, the others are counted (our choice)."""


@dataclass(frozen=True, slots=True)
class Refitted:
    """The setups that carry another part now, by their addresses; `stayed`: those that were amended since."""

    part: PartSheet
    setups: Sequence[str]
    modifications: int
    stayed: int = 0


def merge_part(conn: Connection, slug: str, into: str, why: str, who: str) -> Refitted:
    """Let every setup that carries one part carry another, of which it is an alias from then on.

    Raises Conflict with every reason at once why the two cannot be one part.
    """
    alias = known(conn, slug)
    own = get_part(conn, into)
    if own is None:
        refuse([unknown(conn, "part", into, "/into")])
    assert own is not None
    faults = [Fault("/into", words) for words in reasons_against(alias, own)]
    for one in sorted({alias.part_id, own.part_id}):
        hold_cars(conn, one)
    faults += carried_twice(store.setups_with_both(conn, alias.part_id, own.part_id), alias, own)
    if faults:
        raise Conflict(f"{slug} cannot be merged into {into}: " + "; ".join(f.detail for f in faults), faults)
    moved = store.move_setups(conn, alias.part_id, own.part_id, None)
    fitted = store.move_fitted(conn, alias.part_id, own.part_id, None)
    variants = store.move_variants(conn, alias.part_id, own.part_id, None)
    setups = [setup_id for setup_id, _, _ in moved]
    store.keep_part_merge(conn, alias.part_id, own.part_id, setups, fitted, variants)
    said = {"setups": len(moved), "modifications": len(fitted)}
    for about, after in ((slug, {"merged_into": into, **said}), (into, {"merged": slug, **said})):
        history.note(conn, who=who, about=f"parts/{about}", action="merged", after=after, reason=why)
    refit(conn, moved, (slug, into), why, who, "a merge of parts")
    follow(conn, alias, own)
    return Refitted(known(conn, slug), addresses(moved), len(fitted))


def unmerge_part(conn: Connection, slug: str, why: str, who: str) -> Refitted:
    """Let the setups that a merge changed, and no others, carry the part again that they were posted with."""
    alias = known(conn, slug)
    into = alias.merged_into
    own = None if into is None else known(conn, into)
    merge = store.part_merge_of(conn, alias.part_id)
    if merge is None or own is None:
        raise Conflict(f"{slug} is not merged into another part; there is nothing to take apart")
    for one in sorted({alias.part_id, own.part_id}):
        hold_cars(conn, one)
    moved = store.move_setups(conn, merge.into_id, merge.from_id, merge.setups)
    fitted = store.move_fitted(conn, merge.into_id, merge.from_id, merge.modifications)
    store.move_variants(conn, merge.into_id, merge.from_id, merge.variants)
    store.end_part_merge(conn, merge)
    said = {"setups": len(moved), "modifications": len(fitted)}
    for about, before in ((slug, {"merged_into": own.slug, **said}), (own.slug, {"merged": slug, **said})):
        history.note(conn, who=who, about=f"parts/{about}", action="unmerged", before=before, reason=why)
    refit(conn, moved, (own.slug, slug), why, who, "a merge of parts was taken back")
    follow(conn, alias, own)
    return Refitted(known(conn, slug), addresses(moved), len(fitted), len(merge.setups) - len(moved))


def known(conn: Connection, slug: str) -> PartSheet:
    """The part, or NotFound."""
    part = get_part(conn, slug)
    if part is None:
        raise not_known(conn, "part", slug)
    return part


def reasons_against(alias: PartSheet, own: PartSheet) -> Iterator[str]:
    """Why two records cannot be of one part as they stand."""
    if alias.slug == own.slug:
        yield f"{own.slug} is itself; name another part"
        return
    for one in (alias, own):
        if one.merged_into is not None:
            yield f"{one.slug} was merged into {one.merged_into} already: unmerge it first, or name {one.merged_into}"
    if alias.merged_from:
        names = ", ".join(alias.merged_from)
        yield f"{names} was merged into {alias.slug}: unmerge it first, then merge it into {own.slug}"
    if set(alias.slots) != set(own.slots):
        sides = (f"{one.slug} fills {', '.join(one.slots)}" for one in (alias, own))
        yield f"{', '.join(sides)}: mend the slots of the wrong one first"
    if alias.slug == own.variant_of or own.slug == alias.variant_of:
        yield 'one is recorded as a variant of the other: mend that first (PATCH with "variant_of": null)'


def carried_twice(setups: Sequence[str], alias: PartSheet, own: PartSheet) -> Iterator[Fault]:
    """The setups that would carry the part twice: to be mended one by one first."""
    if setups:
        more = f" and {len(setups) - MOST_NAMED} more" if len(setups) > MOST_NAMED else ""
        named = ", ".join(setups[:MOST_NAMED]) + more
        words = f"these setups list both {alias.slug} and {own.slug}, so they are two parts, or one is wrong there: {named}"
        yield Fault("/into", words, "part-twice")


def addresses(moved: Sequence[tuple[int, UUID, int]]) -> list[str]:
    """Where setups stand."""
    return [f"/v1/sessions/{id}/setups/{n}" for _, id, n in moved]


def refit(
    conn: Connection,
    moved: Sequence[tuple[int, UUID, int]],
    names: tuple[str, str],
    why: str,
    who: str,
    after: str,
) -> None:
    """Write down of each setup that it carries another part, and settle the sessions anew."""
    for _, id, n in moved:
        history.note(
            conn,
            who=who,
            about=f"sessions/{id}/setups/{n}",
            action="amended",
            before={"part": names[0]},
            after={"part": names[1]},
            reason=why,
        )
    settle_all(conn, list(dict.fromkeys(id for _, id, _ in moved)), who, after=after)


def follow(conn: Connection, *parts: PartSheet) -> None:
    """Tell whoever follows that what these parts mean has changed."""
    note_catalogue(conn)
    for part in sorted(parts, key=lambda one: one.part_id):
        bump_part(conn, part.part_id)
