"""Parts where they cannot be: outside their slots, named twice, two in one slot. These refuse a post."""

from collections.abc import Iterable, Iterator, Mapping

from service.domain.records import Finding, Part, PostedSetup


def slot_refusals(setup: PostedSetup, parts: Mapping[str, Part]) -> Iterator[Finding]:
    """A part outside its slots, a part named twice, two parts in one slot."""
    taken: dict[str, str] = {}
    named: set[str] = set()
    for i, posted in enumerate(setup.parts):
        pointer = f"/setups/{setup.n - 1}/parts/{i}"
        part = parts[posted.slug]
        if posted.slug in named:
            yield Finding(
                "part-twice", "refused", f"{posted.slug} is listed twice; list it once", pointer, setup.n
            )
            continue
        named.add(posted.slug)
        if posted.slot is not None and posted.slot not in part.slots:
            fits = ", ".join(sorted(part.slots))
            message = f"{posted.slug} does not fit the slot {posted.slot}; it fills {fits}"
            yield Finding("part-not-in-slot", "refused", message, f"{pointer}/slot", setup.n)
            continue
        for slot in occupied(part, posted.slot):
            if slot in taken:
                message = (
                    f"{posted.slug} and {taken[slot]} cannot both sit in the slot {slot}; list the one fitted"
                )
                yield Finding("slot-taken-twice", "refused", message, pointer, setup.n)
            taken.setdefault(slot, posted.slug)


def occupied(part: Part, slot: str | None) -> Iterable[str]:
    """The slots a fitted part takes: the named one, else all of its own."""
    return (slot,) if slot is not None else sorted(part.slots)
