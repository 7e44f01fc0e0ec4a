"""What holds of a change in some slots, whatever the rollers read."""

from collections.abc import Collection, Iterator

OF_SLOTS = {
    "wheels-tyres": "Wheels and tyres change what the rollers read, by their mass, size and slip; the engine itself makes no more "
    "or less for it.",
    "lubricants": "Oil: a thinner one lessens friction, and what it reads here says nothing of wear; the grade that the engine's "
    "maker asks for decides.",
    "service-event": "A service brings back what a car had lost: it gained on cars that were due for it, and a car in good order "
    "has nothing to gain by it.",
}
"""What must be said of a gain by what was changed (common practice, no source)."""


def slot_cautions(slots: Collection[str]) -> Iterator[str]:
    """What holds of a change in one of these slots, whatever it read."""
    return (words for slot, words in OF_SLOTS.items() if slot in slots)
