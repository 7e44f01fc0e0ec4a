"""`bayledger settings`: every setting, its meaning and its present value."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.settings import Settings, setting_lines

if TYPE_CHECKING:
    from rich.console import Console

USED = (
    "What this command would use, by its flags and environment. A service that runs was started with its own:"
)


@click.command("settings")
@options.client
@options.flag("--json", "as_json", is_flag=True, help="as JSON.")
def command(data_dir: Path | None, url: str | None, token: str | None, as_json: bool) -> None:
    """Print every process setting with its meaning and present value, secrets hidden.

    With --url (and --token) first the shop's settings, kept in that ledger and changed by `PATCH /v1/settings`.

    \b
    bayledger settings
    BAYLEDGER_PORT=9000 bayledger settings
    bayledger settings --url http://127.0.0.1:8321 --token "$TOKEN"
    """
    from service.cli.show import console

    settings = options.read_settings(data_dir=data_dir, url=url, token=token)
    lines = list(setting_lines(settings))
    kept = _kept_in_the_ledger(settings) if settings.url else []
    if as_json:
        import json

        document = {"process": [vars(line) for line in lines], "ledger": kept}
        click.echo(json.dumps(document, indent=2))
        return
    out = console()
    if kept:
        _show_kept(out, settings, kept)
    out.print(USED, soft_wrap=True)
    for line in lines:
        out.print(f"{line.variable} = {line.value}")
        out.print(f"    {line.name}: {line.meaning} (default: {line.default})", soft_wrap=True)


def _show_kept(out: Console, settings: Settings, kept: list[dict[str, object]]) -> None:
    out.print(f"The shop's settings, kept in the ledger at {settings.url}:", soft_wrap=True)
    for one in kept:
        place = f" [bay {one['bay']}]" if one.get("bay") else ""
        out.print(f"{one['name']}{place} = {one['value']}")
        out.print(f"    {one['meaning']} (default: {one.get('default')})", soft_wrap=True)
    out.print()


def _kept_in_the_ledger(settings: Settings) -> list[dict[str, object]]:
    from service.cli.client import open_client, read

    with open_client(settings) as client:
        return list(read(client.get("/v1/settings"))["items"])
