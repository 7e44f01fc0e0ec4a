"""A post that names a car or a part by a tag or slug that was merged into another: kept under that, and said so."""

from collections.abc import Mapping
from dataclasses import replace

from service.domain.records import Finding, Part, PostedPart, PostedSession, PostedSetup


def under_own_names(
    session: PostedSession, car: str | None, parts: Mapping[str, Part]
) -> tuple[PostedSession, list[Finding]]:
    """The session as if it named the car (by the tag it stands for; None: itself) and the parts themselves, with a note for
    each that it did not; the very same where it did."""
    notes: list[Finding] = []
    if car is not None:
        notes.append(note("vehicle", session.vehicle, car, "/vehicle"))
        session = replace(session, vehicle=car)
    if any(parts[posted.slug].slug != posted.slug for posted in listed(session) if posted.slug in parts):
        setups = tuple(own_parts(setup, parts, notes) for setup in session.setups)
        session = replace(session, setups=setups)
    return session, notes


def listed(session: PostedSession) -> list[PostedPart]:
    """Every fitted part of a session."""
    return [posted for setup in session.setups for posted in setup.parts]


def own_parts(setup: PostedSetup, parts: Mapping[str, Part], notes: list[Finding]) -> PostedSetup:
    """A setup with its parts by the slugs they stand for."""
    own = []
    for i, posted in enumerate(setup.parts):
        slug = parts[posted.slug].slug if posted.slug in parts else posted.slug
        if slug != posted.slug:
            pointer = f"/setups/{setup.n - 1}/parts/{i}"
            notes.append(replace(note("part", posted.slug, slug, pointer), setup_n=setup.n))
        own.append(replace(posted, slug=slug))
    return replace(setup, parts=tuple(own))


def note(kind: str, named: str, own: str, pointer: str) -> Finding:
    """That a name stands for another."""
    return Finding(f"{kind}-merged", "note", f"{named} was merged into {own}: kept under {own}", pointer)
