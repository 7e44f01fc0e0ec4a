"""What the commands that mend share: their flags, the ledger they change, and a refusal in the words of the flags."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import quote

import click

from service.cli import options
from service.cli.errors import CouldNotError

if TYPE_CHECKING:
    import httpx

    from service.cli.client import RefusedError

F = TypeVar("F", bound=Callable[..., Any])
MENDING_S = 900.0
"""A correction derives every pull of its period anew, some 30 of a bay's sessions a second (our choice)."""
FOLLOW = "Answers and sheets that rest on it follow at once."


def reading(function: F) -> F:
    """--json, and which ledger."""
    return options.flag("--json", "as_json", is_flag=True, help="print what the ledger answers, as it came.")(
        options.client(function)
    )


def changing(function: F) -> F:
    """--dry-run, --json, and which ledger."""
    words = "only say what it would do; nothing is sent."
    return options.flag("--dry-run", is_flag=True, help=words)(reading(function))


reason = options.flag("--reason", required=True, metavar="WHY", help="why; it stays on the record.")


@dataclass(frozen=True)
class Mender:
    """A ledger that is being mended."""

    client: httpx.Client
    as_json: bool
    dry_run: bool

    def says(self, *lines: str) -> None:
        """Lines for a person; none where the answer itself is printed."""
        if not self.as_json:
            for line in lines:
                click.echo(line)

    def shows(self, document: Any) -> None:
        """A document as it came."""
        click.echo(json.dumps(document, indent=2, ensure_ascii=False))

    def get(self, path: str, **query: Any) -> dict[str, Any]:
        """What stands at an address."""
        return self.version(path, **query)[0]

    def version(self, path: str, **query: Any) -> tuple[dict[str, Any], str]:
        """What stands at an address, and the ETag that a change of it must name.

        Asked for uncompressed: a proxy that compresses an answer weakens its ETag, which then holds no change.
        """
        from service.cli.client import read

        asked = {name: value for name, value in query.items() if value}
        answer = self.client.get(path, params=asked, headers={"Accept-Encoding": "identity"})
        return read(answer), answer.headers.get("ETag", "")

    def pages(self, path: str, **query: Any) -> Iterator[dict[str, Any]]:
        """The items of a list, page by page."""
        from service.cli.client import read

        answer = self.client.get(path, params={name: value for name, value in query.items() if value})
        while True:
            yield from read(answer)["items"]
            more = answer.links.get("next", {}).get("url")
            if more is None:
                return
            answer = self.client.get(more)

    def change(
        self,
        path: str,
        body: Mapping[str, Any],
        *,
        method: str = "POST",
        etag: str | None = None,
        flags: Mapping[str, str] | None = None,
    ) -> dict[str, Any] | None:
        """Change something; what the ledger answers, None where it is only tried. Raises CouldNotError with every fault.

        etag: of the record as it was read, so that nobody's change is lost.
        flags: by the first step of a fault's place in the body, what was typed; else the place itself is named.
        """
        from service.cli.client import RefusedError, read

        if self.dry_run:
            self.says("Tried only: nothing was sent. The ledger may still refuse it.")
            return None
        headers = {"If-Match": etag} if etag else {}
        answer = self.client.request(method, path, json=dict(body), headers=headers, timeout=MENDING_S)
        try:
            document = read(answer)
        except RefusedError as error:
            raise CouldNotError(refusal_in_words(error, flags or {})) from error
        if self.as_json:
            self.shows(document)
        return document


@contextmanager
def open_mender(given: Mapping[str, Any]) -> Iterator[Mender]:
    """The ledger that the flags of `reading` or `changing` name."""
    from service.cli.client import open_client

    as_json, dry_run = bool(given.get("as_json")), bool(given.get("dry_run"))
    if as_json and dry_run:
        raise click.UsageError("--json or --dry-run, not both: what is only tried has no answer.")
    settings = options.read_settings(**{name: given[name] for name in ("data_dir", "url", "token")})
    with open_client(settings) as client:
        yield Mender(client, as_json, dry_run)


def refusal_in_words(error: RefusedError, flags: Mapping[str, str]) -> str:
    """What the ledger refused, and each fault at what was typed, with its value."""
    headline = error.message.splitlines()[0]
    faults = [fault for fault in error.problem.get("errors", []) if str(fault.get("detail")) not in headline]
    return "\n".join([headline, *(f"  {fault_in_words(fault, flags)}" for fault in faults)])


def fault_in_words(fault: Mapping[str, Any], flags: Mapping[str, str]) -> str:
    """A fault at its flag or field."""
    steps = [step for step in str(fault.get("pointer") or "").split("/") if step]
    place = (flags.get(steps[0]) or ".".join(steps)) if steps else ""
    value = fault.get("value")
    sent = "" if value is None else f" {value if isinstance(value, str) else json.dumps(value)}"
    return f"{place}{sent}: {fault.get('detail')}" if place else str(fault.get("detail"))


def address(*steps: object) -> str:
    """An address of the ledger's, each step as it was typed."""
    return "/v1/" + "/".join(quote(str(step), safe="") for step in steps)


def way_back(*words: object, needs_reason: bool = True) -> str:
    """The command that takes a change back."""
    typed = " ".join(shlex.quote(str(word)) for word in words)
    return f"To take it back: bayledger mend {typed}{' --reason WHY' if needs_reason else ''}"
