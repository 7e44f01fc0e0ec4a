"""`bayledger bay learn`: a sample file in, a proposed mapping out, with the reasons and what must be chosen."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import CouldNotError

if TYPE_CHECKING:
    from rich.console import Console

    from service.tables.learning import Proposal
    from service.tables.records import Column, FilePull

UNITS = ("si", "us", "ps")
MOST_FAULTS = 10  # lines left out that are listed; the rest is counted


@click.command("learn")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@options.flag(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="write the mapping here; never over a file.",
)
@options.flag("--units", type=click.Choice(UNITS), default="si", help="units of the drawing; default si.")
def command(file: Path, out: Path | None, units: str) -> None:
    """Learn how a bay's files are written from one sample: columns, units, notation, with the reasons.

    What only a person can know stands under "To be settled". Nothing is sent. Needs no server.

    \b
    bayledger bay learn pull.csv
    bayledger bay learn pull.csv --out bay-2.toml
    """
    from service.cli.show import console
    from service.tables.errors import TableError
    from service.tables.learning import propose

    if out is not None and out.exists():
        raise CouldNotError(f"--out {out}: there is such a file already; name another or remove it first")
    try:
        proposal = propose(file.read_bytes())
    except TableError as error:
        raise CouldNotError(f"{file}: {error}") from None
    screen = console()
    _print_columns(screen, proposal)
    _print_list(screen, "Why", proposal.reasons)
    _print_left_out(screen, proposal)
    for n, pull in enumerate(proposal.read.pulls, start=1):
        _print_curve(screen, n, pull, units)
    _print_list(screen, "To be settled", proposal.doubts)
    if out is not None:
        _write(out, proposal)
        screen.print(
            f"Written to {out}." + (" Settle what is open there." if proposal.doubts else ""), soft_wrap=True
        )


def _print_columns(screen: Console, proposal: Proposal) -> None:
    from service.cli.show import plain_table

    table = plain_table("channel", "column", "unit")
    for channel, column in proposal.mapping.columns.items():
        table.add_row(channel, ", ".join(str(place) for place in column.places), _unit_in_words(column))
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


def _write(out: Path, proposal: Proposal) -> None:
    from service.tables.mapping import written

    said = [*proposal.reasons, *(f"TO BE SETTLED: {doubt}" for doubt in proposal.doubts)]
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with out.open("x", encoding="utf-8") as file:
            file.write(written(proposal.mapping, said))
    except OSError as error:
        raise CouldNotError(f"--out {out}: {error.strerror or error}; name another place") from None
