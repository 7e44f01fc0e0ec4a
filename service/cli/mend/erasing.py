"""`bayledger mend erase`: a car's identity forgotten for good."""

from __future__ import annotations

import sys
from typing import Any

import click

from service.cli.errors import CouldNotError
from service.cli.mend.common import Mender, address, changing, open_mender, reason

NOT_REACHED = "Not reached: backups, logs, printed sheets, earlier exports, and what this shell remembers of the line you typed."


@click.command("erase")
@click.argument("tag")
@reason
@click.option("--yes", is_flag=True, allow_from_autoenv=False, help="it is meant; do not ask for the tag again.")  # fmt: skip
@changing
def erase(tag: str, reason: str, yes: bool, **given: Any) -> None:
    """Forget for good whose car it was.

    Gone are its tags, VIN, odometer, operators, labels, notes and prices, in the history too. Nobody can take this
    back. What was measured stays, pooled under an invented tag, so no answer moves; a sheet of it names the car no
    more. Not reached: backups, logs, printed sheets, earlier exports, and this shell's own memory of the line. The
    reason stays on record and must not name the car. Asks for the tag once more; where nobody can be asked, --yes
    says so.

    \b
    bayledger mend erase stoat-014 --reason "asked for by its owner"
    """
    with open_mender(given) as mender:
        mender.says(f"{what_goes(mender, tag)} This cannot be taken back by anybody.", NOT_REACHED)
        if not mender.dry_run and not yes:
            ask_for_tag(tag)
        body = {"reason": reason, "confirm": True}
        after = mender.change(address("vehicles", tag, "erase"), body, flags={"reason": "--reason"})
        if after is not None:
            sessions = after["sessions"]
            mender.says(
                f"Done. {sessions} of its sessions {'stays' if sessions == 1 else 'stay'}. {after['says']}"
            )


def what_goes(mender: Mender, tag: str) -> str:
    """What would be erased."""
    car = mender.get(address("vehicles", tag))
    merged = ", ".join(car.get("merged_from") or [])
    beside = f", with {merged} that was merged into it" if merged else ""
    vin = " and its VIN" if car.get("vin_known") else ""
    return f"Erased for good: who {tag}{beside} is{vin}, and what people wrote about it."


def ask_for_tag(tag: str) -> None:
    """The tag, typed once more by a person at a terminal."""
    if not sys.stdin.isatty():
        raise click.UsageError(f"erasing {tag} cannot be taken back: add --yes if it is meant.")
    typed = click.prompt(f"Type {tag} once more to erase it", default="", show_default=False, err=True)
    if typed.strip() != tag:
        raise CouldNotError(f"{typed.strip() or 'nothing'} was typed, not {tag}: nothing was erased.")
