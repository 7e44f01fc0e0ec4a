"""The ten points of an honest sheet in words, and the lines that stand on every sheet."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from service.schemas import sheet_condition_words as condition
from service.schemas import sheet_gain_words as gain
from service.schemas import sheet_test_words as test

if TYPE_CHECKING:
    from service.answers.sheet import Sheet


def points(sheet: "Sheet", units: str) -> list[dict[str, Any]]:
    """The ten points, each with its rows."""
    made = (
        ("What was tested", test.tested(sheet)),
        ("Where and how", test.where(sheet)),
        ("Correction", test.corrected(sheet, units)),
        ("Pulls", test.pulled(sheet, units)),
        ("Conditions, mean (lowest to highest)", condition.conditions(sheet, units)),
        ("What else changed", gain.changed(sheet, units)),
        ("Smoothing and axes", test.smoothed(sheet)),
        ("What it gained", gain.gained(sheet, units)),
        ("What all cars say", gain.pooled(sheet, units)),
        ("Not measured", condition.unmeasured(sheet)),
    )
    return [{"point": n, "title": title, "rows": list(rows)} for n, (title, rows) in enumerate(made, 1)]


def title(sheet: "Sheet") -> str:
    """What the sheet is of."""
    if sheet.compared is None:
        return f"{sheet.platform.name}: measured as it stands"
    return f"{sheet.platform.name}: before and after"


def legality(sheet: "Sheet") -> str:
    """What is recorded of the approval of every part that is not stock."""
    parts = {part.slug: part for state in sheet.states for part in state.fitted}
    if not parts:
        return "Nothing fitted that is not stock, as far as is recorded. Whether the car is lawful: ask the authority."
    said = "; ".join(f"{part.name}: {approval(part.approval)}" for part in parts.values())
    return f"On public roads: {said}. Local law and inspection rules decide."


def approval(found: Mapping[str, Any] | None) -> str:
    """What is recorded of an approval."""
    document = (found or {}).get("document")
    if not document:
        return "approval unknown, ask the authority"
    place = (found or {}).get("place")
    return f"recorded as '{document}'" + (f", {place}" if place else "")


def notices(sheet: "Sheet") -> dict[str, str]:
    """The lines that stand on every sheet."""
    return {
        "relates_only": "These results relate only to the car tested, in the states and conditions stated.",
        "no_guarantee": "No guarantee: wheel figures from this shop's machines; another car, day or fuel gives other "
        "figures. Warranty and driveline life are not covered.",
        "legality": legality(sheet),
        "safety": "A running dynamometer can maim and kill: only trained people in the bay. A car that reads low needs a "
        "qualified look, not a verdict.",
        "correction": f"A later correction makes a new version. Ask the shop for sheet {sheet.number}, version "
        f"{sheet.version}, before relying on it. Copy it whole or not at all.",
    }
