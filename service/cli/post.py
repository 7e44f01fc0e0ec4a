"""`bayledger post`: one session, given as JSON."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import IO, Any

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.review import ask_review, show_review


@click.command("post")
@click.argument("file", type=click.File("rb"))
@options.client
@options.flag("--json", "as_json", is_flag=True, help="print the ledger's answer as it came.")
def command(
    file: IO[bytes], data_dir: Path | None, url: str | None, token: str | None, as_json: bool
) -> None:
    """Post one session given as JSON (`-` reads standard input) and say how it went.

    What the bay should know while the car is strapped down comes first: which pull to repeat, what the checks doubt,
    what a comparison shows. The ledger recognises the same content: posting a file twice keeps it once. A refused
    post keeps nothing; every fault is listed with its place in the file.

    \b
    bayledger post session.json --token "$TOKEN"
    make-session | bayledger post - --url https://ledger.example
    BAYLEDGER_TOKEN=... bayledger post session.json --json
    """
    from service.cli.client import open_client, read

    settings = options.read_settings(data_dir=data_dir, url=url, token=token)
    content = file.read()
    _check_json(content, getattr(file, "name", "standard input"))
    headers = {"Content-Type": "application/json", "Idempotency-Key": hashlib.sha256(content).hexdigest()}
    with open_client(settings) as client:
        answer = client.post("/v1/sessions", content=content, headers=headers)
        kept = read(answer)
        if as_json:
            click.echo(json.dumps(kept, indent=2, ensure_ascii=False))
            return
        replayed = answer.headers.get("Idempotency-Replayed") == "true"
        _show(kept, ask_review(client, str(kept.get("id")), kept.get("units")), replayed=replayed)


def _check_json(content: bytes, name: str) -> None:
    try:
        document = json.loads(content)
    except ValueError as error:
        raise CouldNotError(f"{name} is not JSON: {error}.") from error
    if not isinstance(document, dict):
        raise CouldNotError(f"{name} holds no session: a session is one JSON object.")


def _show(kept: dict[str, Any], sentences: list[str], *, replayed: bool) -> None:
    from service.cli.show import console

    out = console()
    before = "was kept before; nothing was doubled" if replayed else "kept"
    out.print(
        f"Session {kept.get('id')} of {kept.get('vehicle')} in {kept.get('bay')}: {before}.", soft_wrap=True
    )
    show_review(out, sentences)
    _show_setups(out, kept)


def _show_setups(out: Any, kept: dict[str, Any]) -> None:
    from service.cli.show import measure_in_words, number, plain_table, unit_of

    units = kept.get("units", "")
    table = plain_table("setup", "measure", "mean", "best", "unit", "spread", "pulls")
    for count, setup in enumerate(kept.get("setups") or [], start=1):
        for measure, summary in _measures(setup.get("summary") or {}):
            table.add_row(
                str(setup.get("n", count)), measure_in_words(measure), number(summary.get("mean")),
                number(summary.get("best")), unit_of(measure, units), _percent(summary.get("spread_percent")),
                str(summary.get("pulls", "–")),
            )  # fmt: skip
    out.print(_heading(kept) if table.rows else "No measure could be made of it.", soft_wrap=True)
    if table.rows:
        out.print(table)


def _measures(summary: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """The measures among a summary's fields; beside them stand the standard, the factor and more."""
    return [
        (name, one) for name, one in summary.items() if isinstance(one, dict) and one.get("mean") is not None
    ]


def _percent(value: float | None) -> str:
    """A spread with its unit, a dash where nothing is known."""
    from service.cli.show import number

    return "–" if value is None else f"{number(value, 2)} %"


def _heading(kept: dict[str, Any]) -> str:
    """What the figures are corrected to: setup by setup where that is not the ledger's standard for all."""
    setups = kept.get("setups") or []
    summaries = [(setup.get("n", n), setup.get("summary") or {}) for n, setup in enumerate(setups, start=1)]
    standard = kept.get("standard")
    if all(summary.get("standard", standard) == standard for _, summary in summaries):
        return f"Corrected to {standard}:"
    standing = [f"setup {n} {summary.get('standing') or 'without a figure'}" for n, summary in summaries]
    return "; ".join(standing).replace("setup", "Setup", 1) + ":"
