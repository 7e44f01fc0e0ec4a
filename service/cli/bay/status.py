"""`bayledger bay status`: how the bay stands, in a few lines."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from typing import Any

import click
import httpx

from service.bay.clock import Skew, local_now, measured, span
from service.bay.desk import Desk
from service.bay.handed import CannotTake
from service.bay.reading import mapping_in
from service.bay.rights import faults_of_rights
from service.bay.sender import Address
from service.bay.settings import BaySettings
from service.bay.weather import standing, weather_by
from service.bay.wire import document_of
from service.bay.wire import in_words as why_not
from service.bay.work import Work
from service.cli.bay.common import in_words, open_bay, parts_in_words, say_last_air, where
from service.cli.show import count

UNITS = {"temperature": " °C", "dew_point": " °C", "pressure": " kPa", "humidity": ""}
PATIENCE_S = 5.0
"""A person waits for this answer (our choice)."""


@click.command("status")
@where
def command(**given: Any) -> None:
    """Say what is in work, how many sessions are not yet sent, whether the ledger answers and takes this bay's sessions,
    whether the mapping can be read, and how far the clock is off.

    Exit code 1 where something of it cannot work, or a session was refused.
    """
    bay = open_bay(given)
    with in_words():
        click.echo(f"Bay {bay.settings.bay}, folder {bay.settings.folder}.")
        say_work(bay.desk)
        well = say_spool(bay.desk)
    say_air(bay.settings, bay.desk.work())
    say_last_air(bay)
    reads = say_mapping(bay.settings)
    reached = say_ledger(bay.settings)
    if not (well and reads and reached):
        raise click.exceptions.Exit(1)


def say_mapping(settings: BaySettings) -> bool:
    """Whether files can be read; silent where they can."""
    try:
        mapping_in(settings.mapping)
    except CannotTake as error:
        click.echo(f"No file can be read: {error}.")
        return False
    return True


def say_work(desk: Desk) -> None:
    """The session in work."""
    work = desk.work()
    if work is None:
        click.echo("No session is in work.")
        return
    last = work.states[-1].said if work.states else work.remembered
    since = span(max(timedelta(), work.idle_since(local_now())).total_seconds())
    click.echo(
        f"In work: session {work.sequence} of {work.car.get('car')}, {count(len(work.states), 'setup')}, "
        f"{count(len(work.runs), 'pull')}; now with {parts_in_words(last)}; last touched {since} ago. "
        "`bayledger bay done` closes and sends it."
    )


def say_spool(desk: Desk) -> bool:
    """What is not sent; answers whether nothing was refused."""
    waiting, refused = desk.spool.waiting(), desk.spool.refused()
    click.echo(f"{count(len(waiting), 'session')} not yet sent.")
    if refused:
        click.echo(f"{count(len(refused), 'session')} refused: see `bayledger bay spool`.")
    return not refused


def say_air(settings: BaySettings, work: Work | None) -> None:
    """What a pull of this moment would be given for its air, where the bay has a weather of its own."""
    if not settings.weather:
        return
    air = standing(settings, weather_by(settings)(local_now()), work)
    figures = ", ".join(
        f"{name.replace('_', ' ')} {value:g}{UNITS[name]}" for name, value in air.said.items()
    )
    why_not = air.why_not or "all of it was taken back"
    click.echo(f"Weather: {figures}." if figures else f"The weather is not known: {why_not}.")


def say_ledger(settings: BaySettings) -> bool:
    """Whether the ledger answers, and by its clock ours."""
    try:
        answer, skew, faults = ask_ledger(settings)
    except httpx.RequestError as error:
        click.echo(f"No ledger answers at {settings.url} ({why_not(error)}). Sessions wait here.")
        return False
    if answer.is_success:
        click.echo(f"The ledger at {settings.url} is ready.")
    else:
        detail = document_of(answer).get("detail")
        why = f": {str(detail).rstrip('.')}" if detail else ""
        click.echo(f"{settings.url} answers, but is not ready to take sessions{why}. They wait here.")
    for fault in faults:
        click.echo(fault)
    if skew is not None:
        click.echo(skew.in_words())
    return answer.is_success and not faults


def ask_ledger(settings: BaySettings) -> tuple[httpx.Response, Skew | None, list[str]]:
    """Its answer on whether it is ready, how far our clock is off, and what keeps it from taking this bay's sessions."""
    with Address(settings.url, settings.token, settings.authority).client(PATIENCE_S) as client:
        asked_at: datetime = local_now()
        begun = time.monotonic()
        answer = client.get("/v1/ready")
        took = timedelta(seconds=time.monotonic() - begun)
        faults = list(faults_of_rights(client, settings)) if answer.is_success else []
    return answer, measured(answer.headers.get("Date"), asked_at, took), faults
