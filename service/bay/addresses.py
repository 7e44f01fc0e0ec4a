"""Which addresses are this very machine, and which lack TLS."""

from collections.abc import Mapping
from typing import Any, Final

import httpx

THIS_MACHINE: Final = ("localhost", "127.0.0.1", "::1")
HTTPS_ONLY: Final = "https-only"
"""The code of the fault where an address is asked without TLS that has it (service/proxy/tls_only.conf too)."""


def is_here(url: str) -> bool:
    """Whether a ledger's address is on this machine, where a proxy set in the environment does not lead back to."""
    return httpx.URL(url).host in THIS_MACHINE


def lacks_tls(answer: httpx.Response, document: Mapping[str, Any]) -> bool:
    """Whether an answer only says that the ledger is reached over https://: by the fault's code, or by sending on."""
    onward = answer.next_request
    if onward is not None:
        return (answer.request.url.scheme, onward.url.scheme) == ("http", "https")
    faults = document.get("errors")
    said = faults if isinstance(faults, list) else []
    return any(isinstance(fault, dict) and fault.get("code") == HTTPS_ONLY for fault in said)
