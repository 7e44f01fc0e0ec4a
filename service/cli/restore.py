"""`bayledger restore`: a backup put back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.backup import Said, ended_by_sigterm, held, in_words, key_mark, not_told, proved, say
from service.cli.ledger import Ledger, known_revisions, migrate_aside, open_ledger
from service.settings import Settings

if TYPE_CHECKING:
    from service.keeping.restoring import PutBack, Target
    from service.keeping.shelf import Backup


@click.command("restore")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@options.database
@options.setting("owner_database_url")
@options.flag(
    "--into", metavar="NAME", default=None, help="the database; without it the one that the ledger uses."
)
@options.flag(
    "--overwrite", metavar="NAME", default=None,
    help="the ledger in this database may be put aside, under another name.",
)  # fmt: skip
@options.flag(
    "--maker-url", default=None,
    help="the server as a role that may make databases, where the owner may not; better as a variable.",
)  # fmt: skip
@options.flag("--check", is_flag=True, help="only put it back into a Postgres made for that, and compare.")
def command(
    file: Path,
    into: str | None,
    overwrite: str | None,
    maker_url: str | None,
    check: bool,
    data_dir: Path | None,
    database_url: str | None,
    owner_database_url: str | None,
) -> None:
    """Put a backup back: into a new data folder, or into a database of a Postgres of your own.

    It is put into a new database, compared with what the backup says it holds, brought to this version's schema, and only
    then takes its name: cut off, nothing has changed. A ledger that holds anything is put aside only when it is named, and
    kept under another name. The service must be stopped. FILE is the .dump; its .json and .sha256 must lie beside it.

    \b
    bayledger restore backups/ledger-20260301T020000Z.dump --check
    bayledger restore backups/ledger-20260301T020000Z.dump --data-dir new-folder
    bayledger restore backups/ledger-20260301T020000Z.dump --overwrite bayledger
    """
    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    with in_words(), ended_by_sigterm():
        said = _checked(file) if check else _put_back(file, settings, into, overwrite, maker_url)
    say(said)


def _checked(file: Path) -> Said:
    from service.keeping.proving import prove
    from service.keeping.shelf import open_backup

    backup = open_backup(file)
    return Said([f"{file}: {held(backup.manifest)}", f"verified: {proved(prove(backup))}"], [])


def _put_back(
    file: Path, settings: Settings, into: str | None, overwrite: str | None, maker_url: str | None
) -> Said:
    """Put it back; answers what to say."""
    from service.keeping.restoring import restore
    from service.keeping.shelf import check_dump, open_backup
    from service.keeping.taking import tell_ledger

    backup = open_backup(file)
    check_dump(backup)  # before a new data folder is made for it
    with _target(settings, into, maker_url) as target:
        if overwrite is not None and overwrite != target.database:
            raise click.UsageError(
                f"--overwrite {overwrite} is not the database that is restored into: {target.database}."
            )

        def migrate(url: str) -> None:
            migrate_aside(Ledger(replace(settings, database_url=url, owner_database_url=url), None))

        done = restore(backup, target, overwrite=overwrite, known=known_revisions(), migrate=migrate)
        told = not_told(tell_ledger(target.owner.other(target.database), backup))
        return Said([*_news(backup, target, done)], [*_warnings(backup, settings), *told])


@contextmanager
def _target(settings: Settings, into: str | None, maker_url: str | None) -> Iterator[Target]:
    """The database, its owner and who makes databases: the server's superuser where the server is the ledger's own."""
    from service.keeping.programs import Address
    from service.keeping.restoring import Target

    given = settings.owner_database_url or settings.database_url
    if given:
        owner = Address(given)
        yield Target(into or owner.database, owner, Address(maker_url or given))
        return
    with open_ledger(settings) as ledger:
        assert ledger.server is not None
        owner = Address(ledger.owner_url)
        yield Target(into or owner.database, owner, Address(ledger.server.superuser_url))


def _news(backup: Backup, target: Target, done: PutBack) -> Iterator[str]:
    yield f"{held(backup.manifest)} are in the database {target.database}: {proved(done.proof)}"
    if done.aside is not None:
        yield f'the ledger that was there is kept as the database {done.aside}; when all is well: DROP DATABASE "{done.aside}"'
    if target.database != target.owner.database:
        yield f"to use it, let BAYLEDGER_DATABASE_URL and BAYLEDGER_OWNER_DATABASE_URL name {target.database}"


def _warnings(backup: Backup, settings: Settings) -> Iterator[str]:
    taken = f"{backup.manifest.taken_at:%Y-%m-%d %H:%M:%S} UTC"
    yield f"what was posted, changed, erased or revoked after {taken} is not in it; look at `bayledger token list`"
    wanted = backup.manifest.vin_key
    if wanted is not None and key_mark(settings) != wanted:
        yield (
            f"{settings.data_dir} has not the key that VINs were hashed under: put the file `secret` of the old data "
            "folder there before anything is posted, or no VIN finds its car"
        )
