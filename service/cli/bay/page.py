"""`bayledger bay page`: the tablet page of the bay, served by the bay's own computer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from service.cli import options
from service.cli.bay.common import folder_of, in_words, open_bay, where
from service.cli.errors import CouldNotError


@click.command("page")
@where
@options.flag(
    "--port", type=click.IntRange(0, 65_535), default=8322, show_default=True, help="where it is served."
)
@options.flag(
    "--host", default="127.0.0.1", show_default=True, help="address to listen on; any other needs --pin-file."
)
@options.flag(
    "--pin-file", type=click.Path(path_type=Path, dir_okay=False), default=None,
    help="file with the PIN that is asked for, six characters or more.",
)  # fmt: skip
def command(port: int, host: str, pin_file: Path | None, **given: Any) -> None:
    """Serve the bay's page until Ctrl-C or SIGTERM: choose the car, say what changed, attach the files, send.

    It works while the network is down: all it needs lies on this computer, and what is closed waits there until the
    ledger answers. It offers the new files of `watch` in bay.toml; run it instead of `bayledger bay watch`, which takes
    files without asking. By itself it is for this computer's own browser only. For a tablet give the address it reaches
    and a PIN: the PIN goes over the workshop's network unencrypted.

    \b
    bayledger bay page
    bayledger bay page --host 192.168.7.20 --pin-file pin.txt
    """
    from service.bay.page.serving import NotServed, door_for, serve
    from service.bay.page.station import Heard, station
    from service.bay.reading import mapping_in, reader_by

    heard = Heard()
    bay = open_bay(given, heard)
    if bay.settings.watch is not None:
        folder_of(bay.settings, None)
    with in_words():
        mapping_in(bay.settings.mapping)
        try:
            door = door_for(host, pin_file)
        except NotServed as error:
            raise click.UsageError(str(error)) from error
        served = station(
            bay.settings, bay.desk, bay.sender, heard,
            reader_by(bay.settings.mapping, bay.settings.machine_clock_ahead_s),
            lambda: mapping_in(bay.settings.mapping).pull.basis is not None or "basis" in bay.settings.defaults,
        )  # fmt: skip
    try:
        serve(served, host, port, door, click.echo)
    except OSError as error:
        raise CouldNotError(
            f"{host}:{port} cannot be served: {error.strerror or error}; is the page running already? Else give --port"
        ) from error
    click.echo("Stopped. What was taken and what waits is on the disk.")
