"""`bayledger ask`: what does this part give on this platform?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from service.cli import options
from service.settings import Settings

UNITS = ("si", "us", "ps")
CONTEXTS = ("alone", "as-usually-fitted")


@click.command("ask")
@options.flag("--part", required=True, metavar="SLUG", help="the part asked about.")
@options.flag("--platform", required=True, metavar="SLUG", help="the kind of car.")
@options.flag(
    "--measure", help="peak_power (default), peak_torque, power_at, torque_at, band_power or band_torque."
)
@options.flag("--rpm", type=float, help="engine speed, for power_at and torque_at [rpm].")
@options.flag(
    "--from", "band_from", type=float, help="begin of the band, for band_power and band_torque [rpm]."
)
@options.flag("--to", "band_to", type=float, help="end of the band [rpm].")
@options.flag(
    "--against", metavar="SLUG", help="another part of the same slot; default: the same car without the part."
)
@options.flag("--standard", metavar="SLUG", help="correction standard; default: the shop's.")
@options.flag(
    "--units",
    type=click.Choice(UNITS),
    help="si (kW), us (hp) or ps (metric horsepower); default: the shop's.",
)
@options.flag("--baseline", type=float, help="this car's own figure before, in those units.")
@options.flag("--level", type=float, help="how sure the intervals are meant, 0.5 to 0.999; default 0.9.")
@options.flag(
    "--context",
    type=click.Choice(CONTEXTS),
    metavar="WHICH",
    help="alone (default), or as-usually-fitted: beside what is usually fitted with it.",
)
@options.flag("--json", "as_json", is_flag=True, help="print the answer as it came.")
@options.flag("--csv", "as_csv", is_flag=True, help="print the answer as CSV.")
@options.client
def command(
    part: str, platform: str, measure: str | None, rpm: float | None, band_from: float | None, band_to: float | None,
    against: str | None, standard: str | None, units: str | None, baseline: float | None, level: float | None,
    context: str | None, as_json: bool, as_csv: bool, data_dir: Path | None, url: str | None, token: str | None,
) -> None:  # fmt: skip
    """Ask what a part typically gives on a platform, how sure that is, and on which cars it rests.

    \b
    bayledger ask --part road-calibration --platform halvern-stoat-16t
    bayledger ask --part hard-charge-pipes --platform halvern-stoat-16t --measure torque_at --rpm 3500 --units us
    bayledger ask --part track-calibration --platform halvern-stoat-16t --against road-calibration --csv > answer.csv
    """
    if as_json and as_csv:
        raise click.UsageError("--json or --csv, not both.")
    settings = options.read_settings(data_dir=data_dir, url=url, token=token)
    asked = {
        "part": part, "platform": platform, "measure": measure, "rpm": rpm, "from": band_from, "to": band_to,
        "against": against, "standard": standard, "units": units, "baseline": baseline, "level": level,
        "context": context,
    }  # fmt: skip
    query = {name: value for name, value in asked.items() if value is not None}
    if as_csv:
        click.echo(_fetch_csv(settings, query), nl=False)
        return
    answer = fetch(settings, query)
    if as_json:
        click.echo(json.dumps(answer, indent=2, ensure_ascii=False))
    else:
        from service.cli.answer import show_answer

        show_answer(answer)


def fetch(settings: Settings, query: dict[str, Any]) -> dict[str, Any]:
    """The answer's document."""
    from service.cli.client import open_client, read

    with open_client(settings) as client:
        return read(client.get("/v1/typical-gain", params={"curve": "false"} | query))


def _fetch_csv(settings: Settings, query: dict[str, Any]) -> str:
    from service.cli.client import RefusedError, open_client

    with open_client(settings) as client:
        answer = client.get("/v1/typical-gain", params=query, headers={"Accept": "text/csv"})
        if not answer.is_success:
            raise RefusedError(answer)
        return answer.text
