"""`bayledger mend move`, `swap`, `amend`, `record`: what was recorded wrong, said right."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.mend.common import FOLLOW, Mender, address, changing, open_mender, reason, way_back
from service.cli.mend.moved import moved
from service.cli.mend.targets import (
    MEASURED,
    SESSION,
    Seen,
    Target,
    TargetType,
    fitted,
    look,
    without_prefix,
)
from service.cli.mend.values import as_typed, body_of, typed_back

ONE_SESSION = TargetType(SESSION)
FILE = click.Path(path_type=Path, dir_okay=False, exists=True)
RECORD = re.compile(
    r"(?:vehicles|parts|platforms|bays)/[^/]+|bays/[^/]+/events/\d+|vehicles/[^/]+/modifications/\d+"
)
file_flag = options.flag("--file", type=FILE, default=None, help="the fields as one JSON object.")


@click.command("move")
@click.argument("session", type=ONE_SESSION)
@options.flag("--to", required=True, metavar="TAG", help="the car that was really on the rollers.")
@reason
@changing
def move(session: Target, to: str, reason: str, **given: Any) -> None:
    """Move a session to the car that was really strapped down.

    Both cars' comparisons are made anew: the one loses what was measured, the other gains it. Where the other is of
    another kind, the session counts for that kind from then on, and factors that need the engine are worked out with
    its engine.

    \b
    bayledger mend move 5b0e63f2-0270-5161-84a0-fcc745f0503a --to stoat-015 --reason "the wrong sheet was open"
    """
    with open_mender(given) as mender:
        seen, car = look(mender, session), mender.get(address("vehicles", to))
        own, before = car.get("merged_into") or car["tag"], seen.session["vehicle"]
        if own == before:
            raise CouldNotError(f"--to {to}: session {session.typed} is of {before} already.")
        old, new = seen.session["platform"], car["platform"]
        kind = "" if new == old else f", a {new}, not a {old}"
        mender.says(f"{seen.name}.", f"From {before} to {own}{kind}: all its setups and pulls go with it.")
        back = way_back("move", session.typed, "--to", before)
        amended(mender, seen, {"vehicle": to, "reason": reason}, back, flags={"vehicle": "--to"})


@click.command("swap")
@click.argument("session", type=ONE_SESSION)
@click.argument("one", type=click.IntRange(min=1))
@click.argument("other", type=click.IntRange(min=1))
@reason
@changing
def swap(session: Target, one: int, other: int, reason: str, **given: Any) -> None:
    """Swap the states of two setups of a session.

    For two that were taken for each other: label, parts, and how sure these are change places. Their pulls stay where
    they are, so a gain changes its sign.

    \b
    bayledger mend swap 5b0e63f2-0270-5161-84a0-fcc745f0503a 1 2 --reason "before and after were mixed up"
    """
    with open_mender(given) as mender:
        seen = look(mender, session)
        states = {setup["n"]: fitted(setup) for setup in seen.session["setups"]}
        said = " and ".join(f"setup {n} ({states.get(n, 'not there')})" for n in (one, other))
        mender.says(f"{seen.name}.", f"The states of {said} change places.")
        back = way_back("swap", session.typed, one, other)
        amended(mender, seen, {"setups": [one, other], "reason": reason}, back, path=f"{session.path}/setups")


@click.command("amend")
@click.argument("target", type=MEASURED)
@click.argument("values", nargs=-1, metavar="[FIELD=VALUE]...")
@file_flag
@options.flag("--reason", metavar="WHY", help="why; it stays on the record. Needed here or in the file.")
@changing
def amend(
    target: Target, values: tuple[str, ...], file: Path | None, reason: str | None, **given: Any
) -> None:
    """Say right what was recorded wrong of a session.

    Or of one of its setups or pulls. Curves and conditions stay as they were posted.

    \b
    SESSION    vehicle, started_at, operator, gear, tyre_size, tyre_pressure (with units)
    SESSION/2  label, parts, parts_known, stock_checked, fuel.ethanol, fuel.octane, fuel.octane_method,
               spark_advance, lambda_probe
    PULL       status: accepted, settling or rejected

    The session is looked at again: means, comparisons and doubts follow. A value is read as JSON where it is JSON:
    null takes it away, and a text that looks like a number is quoted (operator='"12"'). Parts as
    `parts=wide-pipe,road-map` or `parts=none`.

    \b
    bayledger mend amend 5b0e63f2-0270-5161-84a0-fcc745f0503a gear=4 --reason "read off the trace"
    bayledger mend amend 5b0e63f2-0270-5161-84a0-fcc745f0503a/2 parts=wide-pipe --reason "the filter was stock"
    bayledger mend amend 381 status=rejected --reason "clutch slipped"
    """
    body = body_of(values, file)
    why = reason if reason is not None else body.pop("reason", None)
    body.pop("reason", None)
    if not body or why is None:
        raise click.UsageError("say at least one FIELD=VALUE and a --reason, or both in a --file.")
    with open_mender(given) as mender:
        seen = look(mender, target)
        said = list(typed_back(body, {**seen.itself, "units": seen.session["units"]}))
        mender.says(f"{seen.name}.", f"Now: {', '.join(said) or 'not said'}. From then on: {as_typed(body)}.")
        amended(mender, seen, {**body, "reason": why}, way_back("amend", target.typed, *said))


def amended(
    mender: Mender,
    seen: Seen,
    body: dict[str, Any],
    back: str,
    *,
    path: str | None = None,
    flags: dict[str, str] | None = None,
) -> None:
    """Send an amendment, and say what moved in its session."""
    named = {"reason": "--reason", **(flags or {})}
    after = mender.change(path or seen.target.path, body, method="PATCH", etag=seen.etag, flags=named)
    if after is not None:
        mender.says("Done. What moved in its session:", *moved(seen.session, after), FOLLOW, back)


@click.command("record")
@click.argument("record", metavar="RECORD")
@click.argument("values", nargs=-1, metavar="[FIELD=VALUE]...")
@file_flag
@changing
def record(record: str, values: tuple[str, ...], file: Path | None, **given: Any) -> None:
    """Put a car, a part, a kind of car or a bay right.

    Or an event of a bay, or a modification of a car: what stands beside the measurements. Fields are those of the
    record's page at /v1/docs. No reason is kept of these; the history keeps who, when, and from what to what. What a
    part costs moves answers about money, a platform's engine figures move what diesel standards need; a bay's event
    tells the model that its level may have stepped.

    \b
    bayledger mend record vehicles/stoat-014 model_year=2021 odometer_km=88000
    bayledger mend record vehicles/stoat-014 vin=null
    bayledger mend record parts/wide-pipe price=480 currency=GBP
    bayledger mend record bays/north/events/3 at=2026-03-05T07:00:00+00:00
    """
    bare, body = without_prefix(record), body_of(values, file)
    if not RECORD.fullmatch(bare):
        raise click.UsageError(
            f"{record} is no record that can be put right here; name vehicles/TAG, parts/SLUG, platforms/SLUG, bays/SLUG, "
            "bays/SLUG/events/NUMBER or vehicles/TAG/modifications/NUMBER."
        )
    if not body:
        raise click.UsageError("say at least one FIELD=VALUE, or a --file.")
    with open_mender(given) as mender:
        path = address(*bare.split("/"))
        before, etag = mender.version(path)
        said = list(typed_back(body, before))
        mender.says(f"{bare}, now: {', '.join(said) or 'not shown'}. From then on: {as_typed(body)}.")
        after = mender.change(path, body, method="PATCH", etag=etag)
        if after is not None:
            mender.says("Done.", FOLLOW, *record_back(bare, body, before, after))


def record_back(
    bare: str, body: dict[str, Any], before: dict[str, Any], after: dict[str, Any]
) -> Iterator[str]:
    """How to take the change of a record back, under the name it has now; and of what nobody can tell the former value."""
    hidden = [name for name in body if name not in before]
    if hidden:
        yield f"The ledger does not show {', '.join(hidden)}: to take that back, type what it was."
    said = list(typed_back(body, before))
    if said:
        kind, _, rest = bare.partition("/")
        named = rest if "/" in rest else after.get("tag") or after.get("slug")
        yield way_back("record", f"{kind}/{named}", *said, needs_reason=False)
