"""Whether the ledger knows what was typed, asked while the car still stands on the rollers."""

from __future__ import annotations

from collections.abc import Iterator
from http import HTTPStatus

import httpx

from service.bay.known import Said
from service.bay.sender import Address
from service.bay.wire import PROBLEM, document_of

PATIENCE_S = 2.0
"""Nobody waits for this: where the line is down the session is taken all the same (our choice)."""


def unknown_names(address: Address, said: Said) -> list[str]:
    """What the ledger says of each car and part that it does not know; nothing where it cannot be asked."""
    try:
        with address.client(PATIENCE_S) as client:
            return [words for path in paths_of(said) if (words := unknown(client.get(path))) is not None]
    except httpx.RequestError:
        return []


def paths_of(said: Said) -> Iterator[str]:
    """Where the car and the parts of a pull stand in the ledger."""
    if "car" in said:
        yield f"/v1/vehicles/{said['car']}"
    for one in said.get("parts", []):
        yield f"/v1/parts/{one if isinstance(one, str) else one['part']}"


def unknown(answer: httpx.Response) -> str | None:
    """The ledger's own words for a name it does not know; None where it knows it, or says something else."""
    if answer.status_code != HTTPStatus.NOT_FOUND or not answer.headers.get("Content-Type", "").startswith(
        PROBLEM
    ):
        return None
    return str(document_of(answer).get("detail") or answer.request.url.path)
