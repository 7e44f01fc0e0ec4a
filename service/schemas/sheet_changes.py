"""What superseded an older version of a sheet. Who changed it and why is free text of the shop's people: inside the house only."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.answers.sheet import Sheet
    from service.store.history import HistoryRow

NAMES_PEOPLE = ("operator",)
"""Amended fields that never stand on a sheet."""


def superseded_document(sheet: "Sheet", version: int | None, in_house: bool) -> dict[str, Any] | None:
    """What came after an older version; None for the newest."""
    if version is None or version == sheet.version:
        return None
    later = sheet.changes[version - 1 :]
    return {
        "version": version,
        "by": sheet.version,
        "at": later[0].at.isoformat(),
        "changes": [one for row in later for one in change_documents(row, numbers_of(sheet), in_house)],
    }


def numbers_of(sheet: "Sheet") -> Mapping[str, int]:
    """The numbers of the sheet's pulls by their keys, as an address in the history has them."""
    return {str(pull.pull_id): pull.n for state in sheet.states for pull in state.pulls}


def change_documents(row: "HistoryRow", numbers: Mapping[str, int], in_house: bool) -> list[dict[str, Any]]:
    """One change as the ledger's history has it: a line for each thing that was changed."""
    about = about_words(row.about, numbers)
    who, reason = (row.who, row.reason) if in_house else (None, None)
    common = {"at": row.at.isoformat(), "who": who, "action": row.action, "reason": reason}
    names = sorted({*(row.before or {}), *(row.after or {})})
    if row.action not in ("amended", "changed") or not names:
        return [{**common, "what": about, "from": None, "to": None}]
    return [
        {
            **common,
            "what": f"{about}: {name.replace('_', ' ')}",
            "from": text_of((row.before or {}).get(name)) if in_house or name not in NAMES_PEOPLE else None,
            "to": text_of((row.after or {}).get(name)) if in_house or name not in NAMES_PEOPLE else None,
        }
        for name in names
    ]


def about_words(about: str, numbers: Mapping[str, int]) -> str:
    """`setup 2, pull 3` of an address in the history; a pull of another setup than the sheet's has no number here."""
    steps = about.split("/")
    if steps[0] == "vehicles":
        return "the car"
    named = dict(zip(steps[2::2], steps[3::2], strict=False))
    said = [f"setup {named['setups']}"] if "setups" in named else []
    if "pulls" in named:
        n = numbers.get(named["pulls"])
        said.append("a pull" if n is None else f"pull {n}")
    return ", ".join(said) or "the session"


def text_of(value: Any) -> str | None:
    """A changed value in words."""
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "nothing"
    return None if value is None else f"{value:g}" if isinstance(value, float) else str(value)
