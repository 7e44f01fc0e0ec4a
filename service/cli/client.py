"""Talk to a running ledger over HTTP."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx

from service.bay.addresses import is_here, lacks_tls, nobody_vouches
from service.cli.errors import CouldNotError
from service.cli.note import read_note
from service.settings import DEFAULT_PORT, Settings

NO_TLS = " Give --url, or BAYLEDGER_URL, with https://."
PATIENCE_S = 60.0  # our choice: a first answer on a cold service may take a while


def address_of(settings: Settings) -> str:
    """The given address, else the one serving the data folder, else the default one of this machine."""
    if settings.url:
        return settings.url.rstrip("/")
    note = read_note(settings.data_dir)
    return note.url if note else f"http://127.0.0.1:{DEFAULT_PORT}"


@contextmanager
def open_client(settings: Settings) -> Iterator[httpx.Client]:
    """A client of the running ledger; what goes wrong on the line is said in one sentence."""
    url = address_of(settings)
    headers = {"Authorization": f"Bearer {settings.token}"} if settings.token else {}
    try:
        with httpx.Client(base_url=url, headers=headers, timeout=PATIENCE_S, **_trusting(url)) as client:
            yield client
    except (httpx.UnsupportedProtocol, httpx.InvalidURL) as error:
        raise CouldNotError(f"{url} is not an address: give --url http://HOST:PORT.") from error
    except httpx.ConnectError as error:
        why = nobody_vouches(error)
        if why is not None:
            raise CouldNotError(
                f"the certificate of {url} is not believed: {why}. Copy the ledger's authority.pem to this computer and name "
                "it: SSL_CERT_FILE=authority.pem."
            ) from error
        raise CouldNotError(
            f"no ledger answers at {url} ({error}). Start one with `bayledger serve`, or give its address with --url."
        ) from error
    except httpx.TransportError as error:
        raise CouldNotError(
            f"the line to {url} broke ({type(error).__name__}). Trying again is harmless."
        ) from error


def _trusting(url: str) -> dict[str, Any]:
    """What the environment decides of a client: no proxy leads back to this machine, but SSL_CERT_FILE counts everywhere."""
    if not is_here(url):
        return {"trust_env": True}
    return {"trust_env": False, "verify": ssl.create_default_context() if url.startswith("https:") else True}


class RefusedError(CouldNotError):
    """The ledger answered with a problem document."""

    def __init__(self, answer: httpx.Response) -> None:
        self.problem = _problem(answer)
        self.status = answer.status_code
        super().__init__(_in_words(answer, self.problem))


def read(answer: httpx.Response) -> dict[str, Any]:
    """The document of a 2xx answer; anything else is a RefusedError."""
    if not answer.is_success:
        raise RefusedError(answer)
    try:
        document: dict[str, Any] = answer.json()
    except ValueError:
        raise CouldNotError(f"{answer.request.url} does not answer like a ledger. Check --url.") from None
    return document


def _problem(answer: httpx.Response) -> dict[str, Any]:
    try:
        problem = answer.json()
    except ValueError:
        return {}
    return problem if isinstance(problem, dict) else {}


def _in_words(answer: httpx.Response, problem: dict[str, Any]) -> str:
    detail = problem.get("detail") or problem.get("title") or answer.reason_phrase
    way_out = NO_TLS if lacks_tls(answer, problem) else _way_out(answer.status_code)
    lines = [f"{str(detail).rstrip('.')} ({answer.status_code}).{way_out}"]
    faults = [_fault_in_words(fault) for fault in problem.get("errors", [])]
    return "\n".join([*lines, *(f"  {words}" for words in faults if words != detail)])


def _fault_in_words(fault: dict[str, Any]) -> str:
    """A fault's place in the body, or the query parameter or header it is about, then what is wrong."""
    place = fault.get("pointer") or fault.get("parameter")
    return f"{place}: {fault.get('detail')}" if place else str(fault.get("detail"))


def _way_out(status: int) -> str:
    if status == httpx.codes.UNAUTHORIZED:
        return " Give --token or BAYLEDGER_TOKEN; make one with `bayledger token create`."
    if status == httpx.codes.FORBIDDEN:
        return " This token's scope does not reach so far; `bayledger token create` makes another."
    return ""
