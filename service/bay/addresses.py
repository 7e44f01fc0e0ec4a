"""Which addresses are this very machine."""

from typing import Final

import httpx

THIS_MACHINE: Final = ("localhost", "127.0.0.1", "::1")


def is_here(url: str) -> bool:
    """Whether a ledger's address is on this machine, where a proxy set in the environment does not lead back to."""
    return httpx.URL(url).host in THIS_MACHINE
