"""Why comparisons are not like for like, in words: what moved between two sides, and what nobody can say of."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.domain.pairing import MATCHES, is_unrecorded
from service.store.evidence import PairRow
from service.store.pair_places import PairPlace

Places = Mapping[tuple[int, int], PairPlace]
"""Where pairs stand, by the setups with and without."""

DIFFERENCES: dict[str, tuple[str, str | None]] = {
    # what may differ between the two sides of a pair, in words, and the quantity it is
    "coolant_c": ("coolant", "temperature"),
    "oil_c": ("oil", "temperature"),
    "inlet_c": ("inlet air", "temperature"),
    "ethanol": ("share of ethanol", None),
    "lambda_mean": ("lambda", None),
    "spark_advance_deg": ("spark advance", None),
    "map_max_kpa": ("manifold pressure", "pressure"),
    "tyre_pressure_kpa": ("tyre pressure", "tyre_pressure"),
    "ramp_rpm_s": ("ramp", None),
    "temperature_c": ("air", "temperature"),
    "pressure_kpa": ("air pressure", "pressure"),
}
APART = {
    "same-day": "strapped down anew",
    "other-day": "other days",
    "other-bay": "other bays",
    "peaks-only": "peak figures only",
}
"""What makes a match unlike, by the words of MATCHES."""


def condition(one: dict[str, Any]) -> tuple[str, str | None]:
    """What differed between the two sides of a pair, in words, and the quantity it is."""
    return DIFFERENCES.get(one["what"], (str(one["what"]).replace("_", " "), None))


def names_of(differs: list[dict[str, Any]], *, unrecorded: bool) -> list[str]:
    """What moved; or what was not recorded on both sides."""
    return sorted({condition(one)[0] for one in differs if is_unrecorded(one) == unrecorded})


def differs_of(row: PairRow, places: Places) -> list[dict[str, Any]]:
    """What was not held in a pair; nothing where it was not asked for."""
    place = places.get((row.with_.setup_id, row.without.setup_id))
    return [] if place is None else place.differs


def differing_names(used: Iterable[PairRow], places: Places) -> tuple[list[str], list[str]]:
    """What moved in any of the pairs used; what was not recorded on both sides of one."""
    found = [one for row in used for one in differs_of(row, places)]
    return names_of(found, unrecorded=False), names_of(found, unrecorded=True)


def unlike_words(used: Sequence[PairRow], places: Places) -> str:
    """Why most of the pairs used are not like for like, or not known to be."""
    apart = [MATCHES[row.match] for row in used]
    moved, unrecorded = differing_names(used, places)
    reasons = [words for match, words in APART.items() if match in apart]
    reasons += [f"conditions that moved ({', '.join(moved)})"] if moved else []
    reasons += [f"not recorded on both sides: {', '.join(unrecorded)}"] if unrecorded else []
    if not moved and not unrecorded and not all(row.held for row in used):
        reasons.append("conditions that moved or were not recorded")
    known = sum(
        match in APART or bool(names_of(differs_of(row, places), unrecorded=False))
        for row, match in zip(used, apart, strict=True)
    )
    are = (
        "are not"
        if 2 * known > len(used)
        else "are not, or not known to be,"
        if known
        else "are not known to be"
    )
    return f"Most of these comparisons {are} like for like: {'; '.join(reasons)}."
