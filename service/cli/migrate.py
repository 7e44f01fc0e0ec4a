"""`bayledger migrate`: bring the schema up to date."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import ROOT, one_connection, open_kept_ledger

if TYPE_CHECKING:
    from alembic.config import Config


@click.command("migrate")
@options.database
@options.setting("owner_database_url")
@options.flag(
    "--to", "revision", default="head", show_default=True, help="revision to go to; an older one goes back."
)
@options.flag("--show", is_flag=True, help="only list the revisions and which one the database has.")
@options.flag("--yes", is_flag=True, help="go back without asking.")
@options.flag("--quiet", is_flag=True, help="say nothing when it went well.")
def command(
    data_dir: Path | None,
    database_url: str | None,
    owner_database_url: str | None,
    revision: str,
    show: bool,
    yes: bool,
    quiet: bool,
) -> None:
    """Bring the database's schema up to date, or to a given revision.

    What an earlier version derived from the posted pulls is derived anew. `serve` does this by itself. Several at once are harmless: one migrates, the others wait.

    \b
    bayledger migrate               to the newest
    bayledger migrate --show        where it stands
    bayledger migrate --to 0001     to this one; going back drops what came later
    bayledger migrate --to base     back to an empty database: everything kept is dropped
    """
    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    with open_kept_ledger(settings) as ledger:
        configuration = _configuration(ledger.owner_url)
        if show:
            _show(configuration)
        else:
            _move(configuration, revision, sure=yes)
            derived = _derive_outdated(ledger.owner_url) if revision == "head" else 0
            if not quiet:
                again = f"; {derived} sessions were derived anew from what was posted" if derived else ""
                click.echo(f"the schema is at {revision}{again}")


def _derive_outdated(url: str) -> int:
    """What an earlier version derived is derived by today's way; what was posted is kept raw."""
    from service.ledger.marking import derive_outdated

    with one_connection(url) as connection:
        return derive_outdated(connection)


def _configuration(url: str) -> Config:
    from alembic.config import Config

    configuration = Config(stdout=sys.stdout)
    configuration.set_main_option("script_location", str(ROOT / "migrations").replace("%", "%%"))
    configuration.attributes["url"] = url
    return configuration


def _show(configuration: Config) -> None:
    from alembic import command as alembic

    alembic.history(configuration, indicate_current=True)


def _move(configuration: Config, revision: str, *, sure: bool) -> None:
    """Forwards or backwards, whichever way the revision lies."""
    from alembic import command as alembic
    from alembic.script import ScriptDirectory
    from alembic.util import CommandError

    try:
        if revision == "base" or _lies_behind(configuration, revision):
            _ask_before_dropping(revision, sure)
            alembic.downgrade(configuration, revision)
        else:
            alembic.upgrade(configuration, revision)
    except CommandError as error:
        known = [one.revision for one in ScriptDirectory.from_config(configuration).walk_revisions()]
        raise CouldNotError(f"{error}. Known revisions: {', '.join(reversed(known))}.") from error


def _ask_before_dropping(revision: str, sure: bool) -> None:
    if sure:
        return
    if not sys.stdin.isatty():
        raise click.UsageError(
            f"going back to {revision} drops what was kept since. Make a backup, then add --yes."
        )
    click.confirm(f"Going back to {revision} drops what was kept since. Go on?", abort=True, err=True)


def _lies_behind(configuration: Config, revision: str) -> bool:
    """Is this revision an ancestor of the one the database has?"""
    if revision in ("head", "heads") or revision.startswith("+"):
        return False
    if revision.startswith("-"):
        return True
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory.from_config(configuration)
    behind: list[bool] = []

    def look(current: tuple[str, ...], _: object) -> list[object]:
        here = current[0] if current else "base"
        older = {one.revision for one in scripts.iterate_revisions(here, "base")} - {here}
        wanted = scripts.get_revision(revision)
        behind.append(wanted is not None and wanted.revision in older)
        return []

    with EnvironmentContext(configuration, scripts, fn=look):
        scripts.run_env()
    return behind[0]
