"""`bayledger export`: everything in the ledger in one file."""

from __future__ import annotations

from pathlib import Path

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import must_be_ready, one_connection, open_kept_ledger


@click.command("export")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, writable=True))
@options.database
@options.flag(
    "--keyed-hashes", is_flag=True, help="with the hashes of VINs, for a ledger with the same secret."
)
@options.flag("--force", is_flag=True, help="write over a file that is there.")
def command(
    file: Path, data_dir: Path | None, database_url: str | None, keyed_hashes: bool, force: bool
) -> None:
    """Write everything in the ledger to one .zip: each table as CSV and as Parquet, and what every column means.

    All of one moment, while the ledger serves. `bayledger import` puts it into an empty ledger, where every answer is
    the same. No VIN, token or other secret goes out. The hashes of VINs recognise a car only under the secret of this
    ledger: they go out with --keyed-hashes alone.

    \b
    bayledger export ledger.zip
    bayledger import ledger.zip --data-dir elsewhere
    """
    from service.cli.progress import shown_progress
    from service.transfer.export import export

    settings = options.read_settings(data_dir=data_dir, database_url=database_url)
    if file.exists() and not force:
        raise CouldNotError(f"{file} is there already. Name another file, or add --force.")
    with (
        open_kept_ledger(settings) as ledger,
        one_connection(ledger.settings.database_url) as connection,
        shown_progress() as progress,
    ):
        must_be_ready(connection)
        written = export(connection, file, hashes=keyed_hashes, progress=progress)
    rows = {one.name: one.rows for one in written}
    click.echo(
        f"{file}: {rows['session']} sessions with {rows['pull']} pulls of {rows['vehicle']} cars, "
        f"{len(written)} tables in all."
    )
