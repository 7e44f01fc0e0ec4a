"""`bayledger import`: old records from a spreadsheet, or a whole ledger from its export."""

from __future__ import annotations

from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import migrate_aside, must_be_ready, one_connection, open_kept_ledger, open_ledger

if TYPE_CHECKING:
    from service.settings import Settings
    from service.transfer.shelf import Shelf

SHOWN_ROWS = 40
"""Rows shown in the terminal: those that need a look come first; all of them stand in --fates (our choice)."""
SHOWN_REASONS = 12
FILE = click.Path(path_type=Path, dir_okay=False, exists=True)
NEW_FILE = click.Path(path_type=Path, dir_okay=False, writable=True)


@click.command("import")
@click.argument("file", type=FILE, required=False)
@options.database
@options.setting("owner_database_url")
@options.flag("--mapping", type=FILE, default=None, help="how to read the columns, as TOML.")
@options.flag("--example", is_flag=True, help="print a mapping to begin with.")
@options.flag("--dry-run", is_flag=True, help="only say what would become of each row.")
@options.flag("--fates", type=NEW_FILE, default=None, help="write what became of every row, as CSV.")
@options.flag("--errors", type=NEW_FILE, default=None, help="write the refused rows, to mend and feed again.")
@options.flag("--name", default=None, help="name of the batch; without it the file's own.")
@options.flag("--undo", default=None, metavar="BATCH", help="strike every session of a batch.")
@options.flag("--redo", default=None, metavar="BATCH", help="count again what --undo has struck.")
@options.flag("--reason", default=None, help="why a batch is undone.")
def command(
    file: Path | None,
    data_dir: Path | None,
    database_url: str | None,
    owner_database_url: str | None,
    mapping: Path | None,
    example: bool,
    dry_run: bool,
    fates: Path | None,
    errors: Path | None,
    name: str | None,
    undo: str | None,
    redo: str | None,
    reason: str | None,
) -> None:
    """Import old records from a spreadsheet (.xlsx) or delimited text, or a whole ledger from its export (.zip).

    Rows of one car, bay and day become one session, checked and paired as if its bay had posted it; whatever is not
    written stays unknown. Cut off, it is simply run again: what is kept already is passed by. A row that is refused
    holds back the others of its session; --errors writes them with the reason, in the shape of the file.

    \b
    bayledger import --example > old.toml
    bayledger import history.xlsx --mapping old.toml --dry-run --fates fates.csv
    bayledger import history.xlsx --mapping old.toml --errors refused.csv
    bayledger import refused.csv --mapping old.toml
    bayledger import --undo history --reason "the wrong bay"
    bayledger import ledger.zip --data-dir new-ledger
    """
    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    if example:
        from service.transfer.example_mapping import EXAMPLE

        click.echo(EXAMPLE, nl=False)
    elif undo is not None or redo is not None:
        _mark_batch(settings, undo, redo, reason)
    elif file is None:
        raise click.UsageError("name the FILE to import, or a batch to --undo.")
    elif file.suffix.lower() == ".zip":
        _import_export(settings, file)
    elif errors is not None and errors.suffix.lower() in (".xlsx", ".xlsm"):
        raise click.UsageError(f"--errors {errors}: it is written as delimited text; name a .csv file.")
    elif mapping is None:
        raise click.UsageError(
            "--mapping is needed: say how the columns are to be read; --example prints one."
        )
    else:
        _import_history(settings, file, mapping, name or file.stem, dry_run, fates, errors)


def _import_history(
    settings: Settings,
    file: Path,
    mapping: Path,
    name: str,
    dry_run: bool,
    fates: Path | None,
    errors: Path | None,
) -> None:
    from service.cli.progress import shown_progress
    from service.tables.errors import TableError
    from service.transfer.errors import TransferError
    from service.transfer.history_mapping import read_mapping
    from service.transfer.posting import Task, post_all, shelve
    from service.transfer.row_report import write_fates, write_refused
    from service.transfer.shelf import shelf

    try:
        task = Task(file, read_mapping(mapping.read_text(encoding="utf-8")), mapping.parent, name, dry_run)
        with open_kept_ledger(settings) as ledger, one_connection(ledger.settings.database_url) as connection:
            must_be_ready(connection)
            with shelf() as rows:
                with shown_progress() as progress:
                    head = shelve(connection, task, rows, progress)
                    post_all(connection, task, rows, progress)
                _show(rows, dry_run)
                if fates is not None:
                    write_fates(fates, rows)
                    click.echo(f"What became of every row stands in {fates}.")
                if errors is not None and write_refused(errors, rows, head, task.mapping.file):
                    click.echo(f"The refused rows stand in {errors}: mend them and import that file.")
    except (TransferError, TableError) as error:
        raise CouldNotError(str(error)) from error


def _mark_batch(settings: Settings, undo: str | None, redo: str | None, reason: str | None) -> None:
    """A batch struck, or counted again."""
    from service.cli.progress import shown_progress
    from service.transfer import undoing
    from service.transfer.errors import TransferError

    if undo is not None and (redo is not None or not reason):
        raise click.UsageError("--undo needs --reason, and goes without --redo.")
    try:
        with (
            open_kept_ledger(settings) as ledger,
            one_connection(ledger.settings.database_url) as connection,
            shown_progress() as progress,
        ):
            must_be_ready(connection)
            if undo is not None:
                marked = undoing.undo(connection, undo, reason or "", progress)
            else:
                marked = undoing.redo(connection, redo or "", progress)
    except TransferError as error:
        raise CouldNotError(str(error)) from error
    done = "struck" if undo is not None else "counted again"
    click.echo(f"{marked.now} of {marked.sessions} sessions of {undo or redo} were {done}.")


def _import_export(settings: Settings, file: Path) -> None:
    """Into a new ledger, made here where there is none yet."""
    from service.cli.progress import shown_progress
    from service.transfer.errors import TransferError
    from service.transfer.restore import restore

    try:
        with open_ledger(settings) as ledger:
            migrate_aside(ledger)
            with one_connection(ledger.owner_url) as connection, shown_progress() as progress:
                restored = restore(connection, file, progress)
    except TransferError as error:
        raise CouldNotError(str(error)) from error
    rows = restored.rows
    click.echo(
        f"{file}: {rows['session']} sessions with {rows['pull']} pulls of {rows['vehicle']} cars are in the ledger, as of "
        f"{restored.manifest['exported_at']}. Make new tokens with `bayledger token create`."
    )


def _show(rows: Shelf, dry_run: bool) -> None:
    """The rows that need a look and, of very many, the commonest reasons; then how many met each fate."""
    from service.cli.show import console, plain_table
    from service.transfer.shelf import ACCEPTED

    counts = rows.counts()
    few = sum(counts.values()) <= SHOWN_ROWS
    need_a_look = sum(counts.values()) - (0 if few else counts[ACCEPTED])
    table = plain_table("row", "fate", "vehicle", "bay", "day", "why")
    for one in islice((one for one in rows.fates() if few or one.fate != ACCEPTED), SHOWN_ROWS):
        table.add_row(str(one.line), one.fate, one.vehicle, one.bay, one.day, one.words or one.notes)
    out = console()
    if table.rows:
        out.print(table)
    if need_a_look > SHOWN_ROWS:
        out.print(f"and {need_a_look - SHOWN_ROWS} rows more; --fates FILE lists every one.", soft_wrap=True)
        reasons = plain_table("rows", "the commonest reasons, of all rows")
        for held, why in rows.reasons(SHOWN_REASONS):
            reasons.add_row(str(held), why)
        out.print(reasons)
    said = ", ".join(f"{count} {fate}" for fate, count in counts.items() if count) or "no rows"
    out.print(f"{'Tried only, nothing was kept: ' if dry_run else ''}{said}.", soft_wrap=True)
