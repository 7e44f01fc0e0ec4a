"""`bayledger bay unit`: the unit file that keeps `bayledger bay watch`, or the page, running under systemd."""

from __future__ import annotations

import getpass
import sys
from importlib import resources
from pathlib import Path
from typing import Any

import click

from service.cli.bay.common import folder_of, open_bay, where

TEMPLATE = "bayledger-bay.service"


@click.command("unit")
@where
@click.option("--user", default=None, help="whose program it is; default: the one who asks.")
@click.option(
    "--page", is_flag=True, help="run `bayledger bay page` instead: the tablet's page takes the files."
)
def command(user: str | None, page: bool, **given: Any) -> None:
    """Print a systemd unit that runs `bayledger bay watch` for this bay from boot on, and starts it again if it ends.

    It needs no network to start. On Windows there is no systemd: let the task planner run `bayledger bay watch` at log-on.

    \b
    bayledger bay unit > bayledger-bay.service
    bayledger bay unit --page > bayledger-bay.service      # in a bay with a tablet
    """
    bay = open_bay(given)
    folder_of(bay.settings, None)
    template = resources.files("service.bay").joinpath(TEMPLATE).read_text(encoding="utf-8")
    filled = {
        "@USER@": user or getpass.getuser(),
        "@PROGRAM@": program(),
        "@WORD@": "page" if page else "watch",
        "@FOLDER@": str(bay.settings.folder.resolve()),
    }
    for place, words in filled.items():
        template = template.replace(
            place, words.replace("%", "%%")
        )  # systemd reads % as the begin of a specifier
    click.echo(template, nl=False)


def program() -> str:
    """How this very program is started: the command beside this Python, else the module."""
    beside = Path(sys.executable).with_name("bayledger")
    return f'"{beside}"' if beside.exists() else f'"{sys.executable}" -m service'
