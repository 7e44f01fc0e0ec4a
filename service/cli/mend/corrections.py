"""`bayledger mend correction`, `corrections`, `correction-undo`: a bay that read wrong for a while."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import click

from service.cli import options
from service.cli.mend.common import FOLLOW, Mender, address, changing, open_mender, reading, reason, way_back
from service.cli.mend.targets import moment
from service.cli.show import count, signed

UNITS = ("si", "us", "ps")
TEMPERATURE = {"si": "K", "us": "degF", "ps": "K"}
PRESSURE = {"si": "kPa", "us": "inHg", "ps": "hPa"}
FLAGS = {
    name: f"--{name}" for name in ("from", "to", "factor", "temperature", "pressure", "basis", "units", "reason")
}  # fmt: skip


@click.command("correction")
@click.argument("bay")
@options.flag("--from", "starts", required=True, metavar="TIME", help="from when it read wrong.")
@options.flag("--to", "ends", required=True, metavar="TIME", help="until when, not including it.")
@options.flag("--factor", type=float, help="true torque and power over the recorded ones, 0.5 to 2.")
@options.flag(
    "--temperature", type=float, help="true air temperature less the recorded one [K; degF with us]."
)
@options.flag(
    "--pressure", type=float, help="true station pressure less the recorded one [kPa; inHg with us; hPa with ps]."
)  # fmt: skip
@options.flag(
    "--basis",
    metavar="WHAT",
    help="what the figures really were: observed, or a standard, with its factor: sae-j607:1.02.",
)
@options.flag("--units", type=click.Choice(UNITS), help="units of --temperature and --pressure; needed with them.")  # fmt: skip
@reason
@changing
def correction(
    bay: str, starts: str, ends: str, factor: float | None, temperature: float | None, pressure: float | None,
    basis: str | None, units: str | None, reason: str, **given: Any,
) -> None:  # fmt: skip
    """Correct a bay that read wrong for a while.

    Its factor, its air, or what its figures were corrected to. Every pull of the bay that began in the period is
    worked out anew as if the bay had been right, also what is posted later; gains, stock cars, bay levels and sheets
    follow. What was posted stays as it is. Times with their offset from UTC. Two corrections never hold at one
    moment. A long period takes a while; meanwhile that bay's posts wait.

    \b
    bayledger mend correction north --from 2026-03-05T00:00:00+00:00 --to 2026-03-15T00:00:00+00:00 \\
        --factor 1.02 --reason "load cell arm measured again"
    bayledger mend correction hub --from 2026-01-01T00:00:00Z --to 2026-02-01T00:00:00Z \\
        --pressure -1.5 --units si --reason "sea level pressure was typed"
    """
    begins, stops = aware("--from", starts), aware("--to", ends)
    body = {
        "from": begins.isoformat(),
        "to": stops.isoformat(),
        "factor": factor,
        "temperature": temperature,
        "pressure": pressure,
        "basis": None if basis is None else basis_of(basis),
        "units": units,
        "reason": reason,
    }
    sent = {name: value for name, value in body.items() if value is not None}
    with open_mender(given) as mender:
        mender.get(address("bays", bay))
        if mender.dry_run:
            mender.says(tried(mender, bay, begins, stops))
        after = mender.change(address("bays", bay, "corrections"), sent, flags=FLAGS)
        if after is not None:
            mender.says(
                f"Correction {after['id']} of {bay} holds: {what_of(after)}, {period_of(after)}. "
                f"{count(after['pulls'], 'pull')} worked out anew.",
                FOLLOW,
                way_back("correction-undo", bay, after["id"]),
            )


def basis_of(text: str) -> Any:
    """`observed`, or a standard with its factor."""
    from service.bay.known import basis

    try:
        return basis(text)
    except ValueError as error:
        raise click.UsageError(f"--basis {text}: {error}.") from error


def tried(mender: Mender, bay: str, begins: datetime, stops: datetime) -> str:
    """How many sessions a correction would reach."""
    rows = mender.pages("/v1/sessions", bay=bay, since=begins.isoformat(), limit=500)
    reached = sum(datetime.fromisoformat(row["started_at"]) < stops for row in rows)
    return f"{count(reached, 'session')} of {bay} began in this period and would be worked out anew."


def aware(flag: str, text: str) -> datetime:
    """A time with its offset; anything else is wrong use."""
    try:
        read = datetime.fromisoformat(text)
    except ValueError:
        read = None
    if read is None or read.tzinfo is None:
        raise click.UsageError(f"{flag} {text}: not a time with its offset; write 2026-03-05T00:00:00+00:00.")
    return read


@click.command("correction-undo")
@click.argument("bay")
@click.argument("number", type=click.IntRange(min=1))
@reason
@changing
def correction_undo(bay: str, number: int, reason: str, **given: Any) -> None:
    """Take a correction of a bay back.

    Its pulls' figures rest on what was posted again. It can still be read.

    \b
    bayledger mend correction-undo north 3 --reason "it was the other bay"
    """
    with open_mender(given) as mender:
        path = address("bays", bay, "corrections", number)
        before = mender.get(path)
        mender.says(
            f"Correction {number} of {bay}: {what_of(before)}, {period_of(before)}; {count(before['pulls'], 'pull')} rest on it."
        )
        after = mender.change(f"{path}/undo", {"reason": reason}, flags=FLAGS)
        if after is not None:
            mender.says("Taken back: those pulls stand as they were posted.", FOLLOW)
            mender.says(way_back("correction", bay, *typed(before)))


@click.command("corrections")
@click.argument("bay")
@options.flag("--all", "also_undone", is_flag=True, help="also those that were taken back.")
@options.flag("--units", type=click.Choice(UNITS), help="units of the figures; default: the shop's.")
@reading
def corrections(bay: str, also_undone: bool, units: str | None, **given: Any) -> None:
    """List the corrections of a bay that hold, and why.

    \b
    bayledger mend corrections north --all
    """
    from service.cli.show import console, plain_table

    with open_mender(given) as mender:
        rows = list(mender.pages(address("bays", bay, "corrections"), units=units))
    shown = [row for row in rows if also_undone or row["undone_at"] is None]
    if mender.as_json:
        mender.shows(shown)
        return
    table = plain_table("number", "from", "to", "what", "why", "by", "state")
    for row in shown:
        undone = row["undone_at"] and f"taken back by {row['undone_by']}: {row['undone_reason']}"
        table.add_row(
            str(row["id"]),
            moment(row["from"]),
            moment(row["to"]),
            what_of(row),
            row["reason"],
            row["made_by"],
            undone or "holds",
        )
    console().print(
        table if shown else f"No correction of {bay} {'was ever made' if also_undone else 'holds'}."
    )


def what_of(row: dict[str, Any]) -> str:
    """What a correction says of the figures."""
    units, words = row["units"], []
    if row["factor"] is not None:
        words.append(f"factor {row['factor']:g}")
    if row["temperature"] is not None:
        words.append(f"temperature {signed(row['temperature'], 2)} {TEMPERATURE[units]}")
    if row["pressure"] is not None:
        words.append(f"pressure {signed(row['pressure'], 2)} {PRESSURE[units]}")
    if row["basis"] is not None:
        words.append(f"figures were {basis_typed(row['basis'])}")
    return ", ".join(words)


def basis_typed(basis: Any) -> str:
    """A basis as --basis takes it."""
    if isinstance(basis, str):
        return basis
    return str(basis["standard"]) + (f":{basis['factor']}" if basis.get("factor") is not None else "")


def period_of(row: dict[str, Any]) -> str:
    """When a correction holds."""
    return f"from {moment(row['from'])} to {moment(row['to'])}"


def typed(row: dict[str, Any]) -> list[Any]:
    """The flags that make a correction again."""
    flags: list[Any] = ["--from", row["from"], "--to", row["to"]]
    for name in ("factor", "temperature", "pressure"):
        flags += [] if row[name] is None else [f"--{name}", row[name]]
    flags += [] if row["basis"] is None else ["--basis", basis_typed(row["basis"])]
    measured = row["temperature"] is not None or row["pressure"] is not None
    return [*flags, *(["--units", row["units"]] if measured else [])]
