"""Which addresses are this very machine, which lack TLS, and for which nobody vouches."""

import ssl
from collections.abc import Mapping
from typing import Any, Final

import httpx

THIS_MACHINE: Final = ("localhost", "127.0.0.1", "::1")
HTTPS_ONLY: Final = "https-only"
"""The code of the fault where an address is asked without TLS that has it (service/proxy/tls_only.conf too)."""
NOT_THE_AUTHORITY: Final = (9, 10, 62, 64)
"""Refusals that another authority would not mend: not yet valid, expired, another host name, another address (OpenSSL's
x509_vfy.h: X509_V_ERR_CERT_NOT_YET_VALID, CERT_HAS_EXPIRED, HOSTNAME_MISMATCH, IP_ADDRESS_MISMATCH)."""


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


def nobody_vouches(error: BaseException | None) -> str | None:
    """Why a certificate was refused, in OpenSSL's words, where an error came from that and another authority would mend it."""
    while error is not None and not isinstance(error, ssl.SSLCertVerificationError):
        error = error.__cause__ or error.__context__
    return None if error is None or error.verify_code in NOT_THE_AUTHORITY else error.verify_message
