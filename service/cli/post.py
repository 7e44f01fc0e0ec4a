"""`bayledger post`: one session, given as JSON."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import IO, Any

import click

from service.cli import options
from service.cli.errors import CouldNotError


@click.command("post")
@click.argument("file", type=click.File("rb"))
@options.client
@options.flag("--json", "as_json", is_flag=True, help="print the ledger's answer as it came.")
def command(
    file: IO[bytes], data_dir: Path | None, url: str | None, token: str | None, as_json: bool
) -> None:
    """Post one session given as JSON (`-` reads standard input) and show what was kept.

    The ledger recognises the same content: posting a file twice keeps it once. A refused post keeps nothing; every
    fault is listed with its place in the file.

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
    else:
        _show(kept, replayed=answer.headers.get("Idempotency-Replayed") == "true")


def _check_json(content: bytes, name: str) -> None:
    try:
        document = json.loads(content)
    except ValueError as error:
        raise CouldNotError(f"{name} is not JSON: {error}.") from error
    if not isinstance(document, dict):
        raise CouldNotError(f"{name} holds no session: a session is one JSON object.")


def _show(kept: dict[str, Any], *, replayed: bool) -> None:
    from service.cli.show import console

    out = console()
    before = "was kept before; nothing was doubled" if replayed else "kept"
    out.print(
        f"Session {kept.get('id')} of {kept.get('vehicle')} in {kept.get('bay')}: {before}.", soft_wrap=True
    )
    _show_setups(out, kept)
    _show_checks(out, kept.get("checks") or [])
    _show_pairs(out, kept.get("pairs") or [])


def _show_setups(out: Any, kept: dict[str, Any]) -> None:
    from service.cli.show import measure_in_words, number, plain_table, unit_of

    units = kept.get("units", "")
    table = plain_table("setup", "measure", "mean", "best", "spread", "pulls", "")
    for count, setup in enumerate(kept.get("setups") or [], start=1):
        for measure, summary in _measures(setup.get("summary") or {}):
            table.add_row(
                str(setup.get("n", count)), measure_in_words(measure), number(summary.get("mean")),
                number(summary.get("best")), number(summary.get("spread")), str(summary.get("pulls", "–")),
                unit_of(measure, units),
            )  # fmt: skip
    out.print(f"Corrected to {kept.get('standard')}:" if table.rows else "No measure could be made of it.")
    if table.rows:
        out.print(table)


def _measures(summary: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """The measures among a summary's fields; beside them stand the standard, the factor and more."""
    return [
        (name, one) for name, one in summary.items() if isinstance(one, dict) and one.get("mean") is not None
    ]


def _show_checks(out: Any, checks: list[dict[str, Any]]) -> None:
    out.print("No doubts." if not checks else f"Checks ({len(checks)}):")
    for check in checks:
        place = f"[{check.get('code')}, {check.get('pointer')}]"
        out.print(f"  {check.get('level')}: {check.get('message')} {place}", soft_wrap=True)


def _show_pairs(out: Any, pairs: list[dict[str, Any]]) -> None:
    if pairs:
        out.print(f"Before/after pairs made ({len(pairs)}):")
    for pair in pairs:
        against = "" if pair.get("against") in (None, "without") else f" against {pair['against']}"
        held = "conditions held" if pair.get("held") else f"not held: {_listed(pair.get('differs'))}"
        out.print(
            f"  {pair.get('part')}{against}: {gain_in_words(pair)} ({pair.get('match')}, {held})",
            soft_wrap=True,
        )


def gain_in_words(pair: dict[str, Any]) -> str:
    from service.cli.show import signed

    percent = pair.get("peak_power_percent")
    return "peak power cannot be compared" if percent is None else f"{signed(percent)} % peak power"


def _listed(differs: Any) -> str:
    if not isinstance(differs, list):
        return str(differs or "unknown")
    return ", ".join(_difference(one) if isinstance(one, dict) else str(one) for one in differs)


def _difference(one: dict[str, Any]) -> str:
    """`inlet 24.0 before, 35.0 after`; the condition alone where nothing else is known."""
    before, after = ("not recorded" if one.get(side) is None else one[side] for side in ("before", "after"))
    return f"{one.get('what')} {before} before, {after} after"
