"""`bayledger backup`: the whole ledger in a file that can be put back."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import open_kept_ledger
from service.settings import Settings

if TYPE_CHECKING:
    from service.keeping.manifest import Manifest
    from service.keeping.programs import Address
    from service.keeping.proving import Proof

FOLDER = "backups"
BYTES_PER_MB = 1_000_000


class Said(NamedTuple):
    """What a backup or a restore has to say: what went well, and what somebody should see to though it is good."""

    news: list[str]
    warnings: list[str]


@click.command("backup")
@options.database
@options.setting("owner_database_url")
@options.flag(
    "--to", "folder", type=click.Path(path_type=Path, file_okay=False, readable=False), default=None,
    help="folder of the backups, on another disk; without it `backups` in data_dir.",
)  # fmt: skip
@options.flag("--verify", is_flag=True, help="put it back into a Postgres made for that, and compare.")
@options.flag(
    "--keep", type=click.IntRange(min=1), default=None, help="remove all but the newest so many backups."
)
@options.flag(
    "--keep-days", type=click.IntRange(min=1), default=None,
    help="remove backups older than this; with --keep only those that neither keeps.",
)  # fmt: skip
@options.flag("--quiet", is_flag=True, help="say nothing of what went well.")
def command(
    folder: Path | None,
    verify: bool,
    keep: int | None,
    keep_days: int | None,
    quiet: bool,
    data_dir: Path | None,
    database_url: str | None,
    owner_database_url: str | None,
) -> None:
    """Back the whole ledger up, tokens and history model too, of one moment and while it serves.

    Four files: the dump, its manifest, the SHA-256 of both, and with --verify the proof. The newest verified backup is
    never removed, nor is anything that is not a backup of this ledger. The key for VINs is not in it: keep a copy of the
    file `secret` of data_dir elsewhere, once. `bayledger restore` puts a backup back. The ledger remembers of which moment its
    last verified backup is; /metrics and `bayledger selfcheck` tell its age.

    \b
    bayledger backup
    bayledger backup --to /mnt/other-disk/ledger --verify --keep 7 --keep-days 30
    BAYLEDGER_OWNER_DATABASE_URL=postgresql://... bayledger backup --to /mnt/other-disk/ledger
    """
    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    with in_words(), ended_by_sigterm():
        said = _backed_up(settings, folder or settings.data_dir / FOLDER, verify, keep, keep_days)
    say(said, quiet=quiet)


def say(said: Said, *, quiet: bool = False) -> None:
    """What went well on standard output, the rest on standard error; quiet: the rest alone."""
    for line in [] if quiet else said.news:
        click.echo(line)
    for line in said.warnings:
        click.echo(line, err=True)


def _backed_up(
    settings: Settings, folder: Path, verify: bool, keep: int | None, keep_days: int | None
) -> Said:
    """Take it, prove it, and only then let others go; answers what to say."""
    from service.cli import VERSION
    from service.keeping.proving import prove
    from service.keeping.shelf import Rule, backups_in, the_only_one, thin_out
    from service.keeping.taking import take, tell_ledger

    with ledger_of(settings) as address, the_only_one(folder):
        taken = take(address, folder, program=VERSION, vin_key=key_mark(settings))
        news = [f"{taken.dump}: {held(taken.manifest)}, {taken.size / BYTES_PER_MB:.1f} MB"]
        warnings = []
        if taken.manifest.unanswered is not None:
            warnings.append(f"the ledger could not be asked anything: {taken.manifest.unanswered}")
        if verify:
            news.append(f"verified: {proved(prove(taken))}")
            warnings += not_told(tell_ledger(address, taken))
        else:
            news.append("not put back and compared (--verify): /metrics and selfcheck count only what was")
        gone = thin_out(folder, Rule(keep, keep_days), taken, datetime.now(UTC))
        news += [f"removed {one.dump.name}" for one in gone]
        warnings += [f"left alone: {words}" for words in backups_in(folder)[1]]
    return Said(news, warnings)


def not_told(why_not: str | None) -> list[str]:
    """What to say where the ledger does not know of its backup."""
    if why_not is None:
        return []
    return [f"the ledger could not be told ({why_not}): /metrics and selfcheck count on from the one before"]


@contextmanager
def ledger_of(settings: Settings) -> Iterator[Address]:
    """The address of the ledger, as its owner."""
    from service.keeping.programs import Address

    if given := settings.owner_database_url or settings.database_url:
        yield Address(given)
        return
    with open_kept_ledger(settings) as ledger:
        yield Address(ledger.owner_url)


def key_mark(settings: Settings) -> str | None:
    """The fingerprint of the key for VINs, where there is one here; none is made."""
    from service.keeping.manifest import fingerprint

    kept = settings.data_dir / "secret"
    return fingerprint(
        settings.secret or (kept.read_text(encoding="ascii").strip() if kept.is_file() else None)
    )


def held(manifest: Manifest) -> str:
    """What is in it, for a person."""
    rows = manifest.rows
    return f"{rows['session']} sessions with {rows['pull']} pulls of {rows['vehicle']} cars"


def proved(proof: Proof) -> str:
    """What was compared, for a person."""
    said = f"put back, {proof.rows} rows in {proof.tables} tables"
    if proof.why_none is not None:
        return f"{said}; answers were not compared: {proof.why_none}"
    if not proof.answers:
        return f"{said}; the ledger has nothing measured to answer from yet"
    return f"{said} and {len(proof.answers)} of 3 answers are the same"


@contextmanager
def in_words() -> Iterator[None]:
    """What keeping says is a sentence already."""
    from service.keeping.errors import KeepingError

    try:
        yield
    except KeepingError as error:
        raise CouldNotError(f"{error}.") from error


@contextmanager
def ended_by_sigterm() -> Iterator[None]:
    """A timer that stops the command lets it clear up."""
    before = signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
