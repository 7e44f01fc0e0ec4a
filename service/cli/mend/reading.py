"""`bayledger mend find`, `history`: what there is to mend, and what was mended."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import click

from service.cli import options
from service.cli.mend.common import Mender, address, open_mender, reading
from service.cli.mend.targets import fitted, look, moment, target_of, without_prefix
from service.cli.show import get, number, unit_of

LARGEST_PAGE = 500


@click.command("find")
@click.argument("car")
@options.flag(
    "--limit", type=click.IntRange(1, 100), default=5, show_default=True, help="how many sessions, newest first."
)  # fmt: skip
@reading
def find(car: str, limit: int, **given: Any) -> None:
    """List a car's sessions, setups and pulls by number.

    With the numbers that the other commands take. CAR is a tag, or a session's id, or a pull's number for its session
    alone.

    \b
    bayledger mend find stoat-014
    bayledger mend find 381
    """
    with open_mender(given) as mender:
        sessions = list(found(mender, car, limit))
        if mender.as_json:
            mender.shows(sessions)
            return
        for session in sessions:
            show_session(session)
        if not sessions:
            mender.says(f"Nothing was measured on {car} yet.")


def found(mender: Mender, car: str, limit: int) -> Iterator[dict[str, Any]]:
    """The sessions meant, whole."""
    target = target_of(car)
    if target is not None:
        yield look(mender, target).session
        return
    mender.get(address("vehicles", car))  # names the nearest tags where there is none
    rows = mender.pages("/v1/sessions", vehicle=car, limit=limit)
    for row in itertools.islice(rows, limit):
        yield mender.get(address("sessions", row["id"]))


def show_session(session: dict[str, Any]) -> None:
    """One session: a line, and a row for each pull."""
    from service.cli.show import console, plain_table

    out, units = console(), session["units"]
    where = f"{session['vehicle']} in {session['bay']}, {moment(session['started_at'])}"
    out.print(f"Session {session['id']}: {where}{struck(session)}", soft_wrap=True)
    table = plain_table("  setup", "parts", "pull", "counts as", "peak power", "state")
    for setup in session["setups"]:
        doubts = f"doubtful: {', '.join(setup['doubts'])}" if setup["doubts"] else ""
        for pull in setup["pulls"]:
            state = struck(pull) or struck(setup, "setup ") or doubts
            table.add_row(
                f"  {setup['n']}",
                fitted(setup),
                str(pull["id"]),
                pull["status"],
                peak(pull, units),
                state.lstrip(" :"),
            )
    out.print(table)


def struck(record: dict[str, Any], which: str = "") -> str:
    """That a record is struck, and why."""
    return "" if record["struck"] is None else f": {which}struck ({record['struck']})"


def peak(pull: dict[str, Any], units: str) -> str:
    """A pull's peak power as it was observed or posted."""
    value = get(pull, "observed", "peak_power") or get(pull, "as_posted", "peak_power")
    return "–" if value is None else f"{number(value)} {unit_of('power', units)}"


@click.command("history")
@click.argument("about", required=False)
@options.flag("--limit", type=click.IntRange(1, 5000), default=50, show_default=True, help="how many, newest first.")  # fmt: skip
@reading
def history(about: str | None, limit: int, **given: Any) -> None:
    """Say who changed what, when and why.

    ABOUT is a pull's number, a session's id (with all below it), SESSION/2 for a setup, or vehicles/TAG, parts/SLUG,
    bays/SLUG, bays/SLUG/corrections/NUMBER. Without it: everything. Of an erased car its tags are not in it any more.

    \b
    bayledger mend history 381
    bayledger mend history vehicles/stoat-014
    """
    with open_mender(given) as mender:
        place = None if about is None else place_of(mender, about)
        page = min(limit, LARGEST_PAGE)
        rows = list(itertools.islice(mender.pages("/v1/history", about=place, limit=page), limit))
        if mender.as_json:
            mender.shows(rows)
            return
        mender.says(*(line for row in rows for line in in_words(row)))
        if not rows:
            mender.says(f"Nothing was changed about {about or 'anything'} yet.")


def place_of(mender: Mender, about: str) -> str:
    """Where the history of something stands."""
    target = target_of(about)
    if target is None:
        bare = without_prefix(about)
        if "/" not in bare:
            raise click.UsageError(
                f"{about}: name a pull's number, a session's id, vehicles/TAG, parts/SLUG or bays/SLUG."
            )
        return bare
    seen = look(mender, target)
    place = f"sessions/{seen.session['id']}"
    if seen.setup is not None:
        place += f"/setups/{seen.setup['n']}"
    return place if target.pull is None else f"{place}/pulls/{target.pull}"


def in_words(row: dict[str, Any]) -> Iterator[str]:
    """A change: a line, and one for each field that it changed."""
    why = f": {row['reason']}" if row["reason"] else ""
    yield f"{moment(row['at'])}  {row['who']}  {row['action']} {row['about']}{why}"
    before, after = row["before"] or {}, row["after"] or {}
    for name in dict.fromkeys([*before, *after]):
        old, new = shown(before, name), shown(after, name)
        if old != new:
            yield f"    {name}: {old} -> {new}"


def shown(side: dict[str, Any], name: str) -> str:
    """A value of the history; a dash where there is none."""
    value = side.get(name)
    if value is None:
        return "–"
    return (", ".join(str(one) for one in value) or "none") if isinstance(value, list) else str(value)
