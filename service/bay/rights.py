"""Whether the ledger takes this bay's sessions: who its token is there, and whether there is such a bay."""

from __future__ import annotations

from collections.abc import Iterator
from http import HTTPStatus

import httpx

from service.bay.settings import FILE, BaySettings
from service.bay.wire import document_of, words_of

POSTS = ("post", "admin")


def faults_of_rights(client: httpx.Client, settings: BaySettings) -> Iterator[str]:
    """What would keep the ledger from taking a session of this bay, each with the way out. Raises httpx.RequestError."""
    where, make = settings.folder / FILE, f"`bayledger token create --scope post --bay {settings.bay}`"
    answer = client.get("/v1/caller")
    caller = document_of(answer)
    if not answer.is_success:
        unknown = answer.status_code == HTTPStatus.UNAUTHORIZED
        yield words_of(answer, caller) + (f", from {make} on the ledger's computer." if unknown else ".")
        return
    if caller.get("scope") not in POSTS:
        whose = f"the token “{caller.get('name')}”" if settings.token else "whoever has no token"
        yield f"The ledger lets {whose} only read: make one with {make}, and set `token` or `token_file` in {where}."
    elif caller.get("bay") not in (None, settings.bay):
        yield (
            f"The token “{caller.get('name')}” is of bay {caller['bay']}, and this is bay {settings.bay}: put `bay` in "
            f"{where} right, or make a token with {make}."
        )
    found = client.get(f"/v1/bays/{settings.bay}")
    if found.status_code == HTTPStatus.NOT_FOUND:
        detail = document_of(found).get("detail") or f"there is no bay '{settings.bay}'"
        yield f"The ledger says: {detail}. Put `bay` in {where} right, or have the bay added by whoever keeps the ledger."
