"""What became of a session that the ledger kept, in short: what each setup read, what is doubtful, what to repeat, and what
its pairs show."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import httpx

from service.bay.sender import Address
from service.bay.wire import document_of
from service.domain.units import symbol

PATIENCE_S: Final = 10.0
"""A review reads every car of its kind; a person waits for it (our choice)."""


@dataclass(frozen=True)
class Outcome:
    """One session after it was sent. `setups`: a sentence for each, once the ledger was asked."""

    number: int
    id: str
    car: str
    doubtful: Sequence[str] = ()
    refused: bool = False
    setups: Sequence[str] | None = None


def doubtful_of(kept: Mapping[str, Any]) -> list[str]:
    """What the ledger doubts of a session that it kept."""
    checks = kept.get("checks") or []
    return [
        f"{one.get('message')} ({one.get('pointer')})" for one in checks if one.get("level") == "doubtful"
    ]


def setups_in_words(address: Address, id: str, units: str) -> list[str]:
    """What each setup read, which pulls may be repeated and why, and what the pairs within the session show and whether
    their conditions held, by the ledger's review. Nothing where it cannot be asked now: the session is kept all the same."""
    try:
        with address.client(PATIENCE_S) as client:
            answer = client.get(f"/v1/sessions/{id}/review", params={"units": units})
    except httpx.RequestError:
        return []
    review = document_of(answer) if answer.is_success else {}
    read = [words for setup in review.get("setups") or [] for words in setup_in_words(setup, units)]
    pairs = [one for one in review.get("comparisons") or [] if str(one["match"]).startswith("same-session")]
    return read + [f"{one['reading']}." for one in pairs]


def setup_in_words(setup: Mapping[str, Any], units: str) -> Iterator[str]:
    """One setup of a review: its mean power with the unit and by what, then the pulls that may be repeated. Where one more
    pull is wanted, or none stands out, the ledger's reason is the whole sentence."""
    called = setup.get("label") or ", ".join(map(str, setup.get("parts") or []))
    head = f"Setup {setup['n']}{f' ({called})' if called else ''}"
    mean, pulls = setup.get("mean"), setup.get("pulls") or 0
    read = "power not known" if mean is None else f"{mean:.4g} {symbol('power', units)}"
    counted = f"{pulls} pull{'' if pulls == 1 else 's'} counted"
    yield f"{head}: {read} {setup.get('standing') or ''}".rstrip() + f", {counted}."
    for one in setup.get("repeat") or []:
        which = "" if one["pull"] is None else f"pull {one['pull']} may be repeated: "
        yield f"{head}: {which}{str(one['why']).rstrip('.')}."
