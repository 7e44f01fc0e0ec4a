"""`bayledger selfcheck`: whether the ledger still is what it must be."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import COULD_NOT, DONE, CouldNotError
from service.cli.ledger import must_be_ready, owner_connection

if TYPE_CHECKING:
    from service.store.selfchecks import Outcome

SHOWN = 5  # places named of one self-check; --json names them all


@click.command("selfcheck")
@options.database
@options.setting("owner_database_url")
@options.flag(
    "--limit", type=click.FloatRange(min=0, min_open=True), default=60.0, show_default=True,
    help="seconds that one self-check may take.",
)  # fmt: skip
@options.flag(
    "--sample", type=click.IntRange(min=1), default=300, show_default=True,
    help="cars, and pulls, that are looked at where all would take too long.",
)  # fmt: skip
@options.flag(
    "--backup-days", type=click.FloatRange(min=0, min_open=True), default=3.0, show_default=True,
    help="how old the last verified backup may be.",
)  # fmt: skip
@options.flag("--quiet", is_flag=True, help="say nothing when all is well.")
@options.flag("--json", "as_json", is_flag=True, help="as JSON, with every place.")
def command(
    data_dir: Path | None, database_url: str | None, owner_database_url: str | None,
    limit: float, sample: int, backup_days: float, quiet: bool, as_json: bool,
) -> int:  # fmt: skip
    """Look whether what is kept fits together: no row without the one it belongs to, summaries, curves and comparisons
    as the pulls make them, a history without gaps, a model that keeps up, a backup that is not old.

    Changes nothing, and may run while the ledger serves. Each fault is said with what it means and the way out. Exit code
    0 where all hold, 1 where one does not or could not be told: made for cron.

    \b
    bayledger selfcheck
    15 5 * * *  bayledger selfcheck --quiet --data-dir /srv/ledger
    """
    from service.store.selfchecks import is_owner, selfcheck

    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    with owner_connection(settings) as connection:
        must_be_ready(connection)
        if not is_owner(connection):
            raise CouldNotError(
                "the service's role may not look at everything: give --owner-database-url, the address of the role that "
                "owns the schema."
            )
        outcomes = list(selfcheck(connection, limit, sample, backup_days))
    broken = [one for one in outcomes if not one.holds]
    if as_json:
        _show_json(outcomes, broken)
    elif broken or not quiet:
        _show(outcomes, broken)
    return COULD_NOT if broken else DONE


def _show(outcomes: list[Outcome], broken: list[Outcome]) -> None:
    for one in broken:
        click.echo(f"{one.name}: {one.why_not or _how_many(one)}")
        click.echo(f"    means: {one.meaning}")
        click.echo(f"    way out: {one.way_out}")
        for place in one.places[:SHOWN]:
            click.echo(f"    {place}")
    looked = "; ".join(f"{one.name}: {one.looked}" for one in outcomes if one.looked)
    took = sum(one.seconds for one in outcomes)
    click.echo(
        f"{len(outcomes) - len(broken)} of {len(outcomes)} self-checks hold, {took:.1f} s (by sample: {looked})"
    )


def _how_many(one: Outcome) -> str:
    from service.store.selfchecks import MOST_PLACES

    more = " or more" if len(one.places) >= MOST_PLACES else ""
    return f"{len(one.places)}{more} found"


def _show_json(outcomes: list[Outcome], broken: list[Outcome]) -> None:
    import json

    checks = [{**asdict(one), "holds": one.holds, "seconds": round(one.seconds, 3)} for one in outcomes]
    click.echo(json.dumps({"holds": not broken, "selfchecks": checks}, indent=2))
