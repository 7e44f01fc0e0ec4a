"""`bayledger bay learn`: a sample file in, a proposed mapping out, with the reasons and what must be chosen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import CouldNotError

if TYPE_CHECKING:
    from rich.console import Console

    from service.tables.draft import Draft
    from service.tables.learning import Proposal
    from service.tables.records import Column, FilePull

UNITS = ("si", "us", "ps")
MOST_FAULTS = 10  # lines left out that are listed; the rest is counted


@click.command("learn")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False), required=False)
@options.flag(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="write the mapping here, or a draft of it; never over a file.",
)
@options.flag("--units", type=click.Choice(UNITS), default="si", help="units of the drawing; default si.")
@options.flag("--example", is_flag=True, help="print a mapping to begin with, every line explained.")
def command(file: Path | None, out: Path | None, units: str, example: bool) -> None:
    """Learn how a bay's files are written from one sample: columns, units, notation, with the reasons.

    What only a person can know stands under "To be settled", and in the mapping as lines behind a #: take the # off the
    one that is true. Where no curve can be made out before that, --out writes such a draft with all that was understood,
    and the exit code is 1. Nothing is sent. Needs no server.

    Columns without names are taken only where power, torque and engine speed tell each other; else a draft offers them
    by number.

    \b
    bayledger bay learn pull.csv
    bayledger bay learn pull.csv --out bay-2.toml
    bayledger bay learn --example > bay-2.toml
    """
    if example:
        from service.tables.example_mapping import EXAMPLE

        click.echo(EXAMPLE, nl=False)
    elif file is None:
        raise click.UsageError("name a FILE to learn from; --example prints a mapping to begin with.")
    elif out is not None and out.exists():
        raise CouldNotError(f"--out {out}: there is such a file already; name another or remove it first")
    else:
        _learn(file, out, units)


def _learn(file: Path, out: Path | None, units: str) -> None:
    from service.tables.draft import NotLearned
    from service.tables.errors import TableError
    from service.tables.learning import propose

    try:
        proposal = propose(file.read_bytes())
    except NotLearned as error:
        raise CouldNotError(f"{file}: {error}. {_drafted(out, error.draft)}") from None
    except TableError as error:
        raise CouldNotError(f"{file}: {error}") from None
    _print_all(proposal, units)
    if out is not None:
        _write(out, proposal)
        click.echo(f"Written to {out}." + (" Settle what is open there." if proposal.doubts else ""))


def _drafted(out: Path | None, draft: Draft) -> str:
    """Where the draft stands, or how to get one."""
    if out is None:
        return "--out NEW.toml writes a draft with what was understood and the lines to choose from"
    _write(out, draft)
    return f"A draft is written to {out}: settle the lines marked TO BE SETTLED there"


def _print_all(proposal: Proposal, units: str) -> None:
    from service.cli.show import console

    screen = console()
    _print_columns(screen, proposal)
    _print_list(screen, "Why", proposal.reasons)
    _print_left_out(screen, proposal)
    for n, pull in enumerate(proposal.read.pulls, start=1):
        _print_curve(screen, n, pull, units)
    _print_list(screen, "To be settled", proposal.doubts)


def _print_columns(screen: Console, proposal: Proposal) -> None:
    from service.cli.show import plain_table

    table = plain_table("channel", "column", "unit")
    for channel, column in proposal.mapping.columns.items():
        table.add_row(channel, ", ".join(str(place) for place in column.places), _unit_in_words(column))
    for fact, column in proposal.mapping.air.items():
        table.add_row(f"air: {fact.replace('_', ' ')}", str(column.places[0]), column.unit)
    if proposal.mapping.file.pull_column is not None:
        table.add_row("number of the pull", str(proposal.mapping.file.pull_column), "")
    screen.print(table)


def _unit_in_words(column: Column) -> str:
    above = ", above the barometer" if column.gauge else ""
    scale = f", {column.stoichiometric:g} is lambda 1" if column.stoichiometric else ""
    return column.unit + above + scale


def _print_list(screen: Console, heading: str, lines: tuple[str, ...]) -> None:
    if lines:
        screen.print(f"\n{heading}", style="bold")
        for line in lines:
            screen.print(f"- {line}", soft_wrap=True)


def _print_left_out(screen: Console, proposal: Proposal) -> None:
    faults = proposal.read.faults
    shown = [f"line {fault.line}: {fault.why}" if fault.line else fault.why for fault in faults[:MOST_FAULTS]]
    if len(faults) > MOST_FAULTS:
        shown.append(f"and {len(faults) - MOST_FAULTS} more")
    _print_list(screen, "Left out", tuple(shown))


def _print_curve(screen: Console, n: int, pull: FilePull, units: str) -> None:
    """One pull in words and drawn; a torque of the axle alone is not drawn, it is on another scale."""
    from service.cli.bay.drawing import drawn
    from service.domain.units import from_si, power_kw, symbol, torque_nm

    channels = pull.channels
    rpm = channels["rpm"]
    said = f"Pull {n}: {rpm.size} rows, lines {pull.lines[0]} to {pull.lines[1]}, {rpm.min():.0f} to {rpm.max():.0f} rpm"
    screen.print(f"\n{said}", style="bold", soft_wrap=True)
    if "torque" not in channels and "power" not in channels:
        return
    power = channels["power"] if "power" in channels else power_kw(channels["torque"], rpm)
    torque = channels["torque"] if "torque" in channels else torque_nm(channels["power"], rpm)
    shown = from_si(power, "power", units), from_si(torque, "torque", units)
    for line in drawn(
        rpm.tolist(), shown[0].tolist(), shown[1].tolist(), (symbol("power", units), symbol("torque", units))
    ):
        screen.print(line, soft_wrap=True)


def _write(out: Path, learned: Proposal | Draft) -> None:
    from service.tables.mapping import MARK, written

    said = [*learned.reasons, *(f"{MARK}: {doubt}" for doubt in learned.doubts)]
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with out.open("x", encoding="utf-8") as file:
            file.write(written(learned.mapping, said, learned.open))
    except OSError as error:
        raise CouldNotError(f"--out {out}: {error.strerror or error}; name another place") from None
