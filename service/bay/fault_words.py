"""What the ledger faults in a session, in a bay's words: setups and pulls instead of places in a document."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any, Final

UNKNOWN: Final = re.compile(
    r"there is no (?P<kind>vehicle|part|bay) '(?P<name>[^']*)'(?:; the nearest are (?P<near>[^;]*))?"
)
KINDS: Final = {"vehicle": "car", "part": "part", "bay": "bay"}
WAYS_OUT: Final = {
    "vehicle": "Send it again with the right tag, or have the car added by whoever keeps the cars",
    "part": "Choose the right one, or have it added by whoever keeps the parts",
    "bay": "Put `bay` in bay.toml right, or have the bay added by whoever keeps the ledger",
}
OF_A_TIME: Final = re.compile(r"is after (the bay's clock|the server's clock)")
LATER: Final = (
    "the machine's clock is ahead of this computer's, by which that has not happened yet. Send the session again after "
    "that time; and say in bay.toml how far the machine's clock is ahead (machine_clock_ahead_s), for the files to come"
)


def fault_in_words(fault: Mapping[str, Any]) -> str:
    """A fault's place in the session, what was sent there, what is wrong with it and the way out."""
    place, value = fault.get("pointer") or fault.get("parameter"), fault.get("value")
    detail, where = str(fault.get("detail")), place_in_words(str(place or ""))
    unknown = UNKNOWN.match(detail)
    if unknown is not None:
        near = f"; nearest: {unknown['near']}" if unknown["near"] else ""
        words = (
            f"{KINDS[unknown['kind']]} '{unknown['name']}' is not known{near}. {WAYS_OUT[unknown['kind']]}"
        )
        setup = where.partition(",")[0]
        return f"{setup}: {words}" if setup.startswith("setup") else words
    if OF_A_TIME.search(detail):
        return f"{where}: {value}: {LATER}"
    sent = "" if value is None else f" ({json.dumps(value, ensure_ascii=False)})"
    return f"{where}{sent}: {detail}" if where else detail


def place_in_words(pointer: str) -> str:
    """`/setups/0/pulls/2/curve/rpm` is setup 1, pull 3, curve, rpm: numbers count from 1, as people do."""
    words: list[str] = []
    for step in filter(None, pointer.split("/")):
        if step.isdecimal() and words:
            words[-1] = f"{words[-1].removesuffix('s')} {int(step) + 1}"
        else:
            words.append(
                step.replace("vehicle", "car").replace("~1", "/").replace("~0", "~").replace("_", " ")
            )
    return ", ".join(words)
