"""`bayledger serve`: the ledger, its dashboard and, unless one is given, its database."""

from __future__ import annotations

import ctypes
import ipaddress
import os
import signal
import socket
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import migrate_aside, one_connection, open_ledger
from service.cli.logs import set_up
from service.settings import Settings, kept_secret

if TYPE_CHECKING:
    from service.local import LocalServer

# Numerical libraries otherwise start a thread, and keep its memory, for each core; the requests are the threads.
SINGLE_THREADED = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

M_ARENA_MAX, HEAPS = -8, 2
"""An option of glibc's mallopt(3), and how many heaps the threads share (our choice): with one for nearly each thread, as is
usual, what one freed is of no use to another, and eight bays and readers took a quarter more memory."""


@click.command("serve")
@options.setting("host")
@options.setting("port", int)
@options.database
@options.setting("owner_database_url")
@options.setting("read_database_url")
@options.setting("read_max_lag_s", float)
@options.setting("processes", int)
@options.setting("threads", int)
@options.setting("worker_elsewhere", bool)
@options.setting("behind_tls", bool)
@options.setting("tls_cert", click.Path(path_type=Path))
@options.setting("tls_key", click.Path(path_type=Path))
@options.setting("names")
@options.setting("max_body_bytes", int)
@options.setting("log_level")
@options.setting("log_format")
def command(**given: object) -> None:
    """Serve the ledger and its dashboard until Ctrl-C or SIGTERM; requests under way are finished first.

    Without --database-url the ledger keeps a Postgres of its own in the data folder, started and stopped with it.
    Stopping and starting again keeps everything.

    \b
    bayledger serve
    bayledger serve --port 9000 --data-dir /srv/ledger
    bayledger serve --host 0.0.0.0 --tls-cert chain.pem --tls-key key.pem
    BAYLEDGER_DATABASE_URL=postgresql://... bayledger serve --host 0.0.0.0 --behind-tls
    """
    serve(options.read_settings(**given))


def serve(settings: Settings, *, and_also: list[str] | None = None) -> None:
    """Serve until told to stop; `and_also` is a command run beside it once it listens, and ended with it."""
    set_up(settings.log_level, settings.log_format)
    _check_exposure(settings)
    _check_certificates(settings)
    for name in SINGLE_THREADED:
        os.environ.setdefault(name, "1")
    share_heaps()
    stop = _Stop()
    signal.signal(signal.SIGTERM, stop.told)
    door = _take_port(settings)
    with open_ledger(settings) as ledger:
        migrate_aside(ledger)
        stop.if_told()
        _forget_old_answers(ledger.settings.database_url)
        ready = replace(ledger.settings, secret=kept_secret(settings))
        stop.if_told()
        _run(ready, door, ledger.server, and_also)


def share_heaps() -> None:
    """Let the threads of this process, and of those it forks, share a few heaps, unless the environment says how many; only
    glibc can be told."""
    if "MALLOC_ARENA_MAX" not in os.environ:
        with suppress(AttributeError):
            ctypes.CDLL(None).mallopt(M_ARENA_MAX, HEAPS)


class _Stop:
    """Until the web server takes the signals over, SIGTERM must still run the clean-up of a start.

    Python drops what a handler raises inside some of its own callbacks (after a fork, say), so the word is kept too.
    """

    def __init__(self) -> None:
        self._came = False

    def told(self, *_: object) -> None:
        """The handler."""
        self._came = True
        sys.exit(0)

    def if_told(self) -> None:
        """End here where the word came and was dropped."""
        if self._came:
            sys.exit(0)


def _forget_old_answers(database_url: str) -> None:
    """Answers kept for repeated posts are promised for a while; older ones go when the service starts."""
    from service.store.kept_answers import drop_old_answers

    with one_connection(database_url) as connection:
        drop_old_answers(connection)


def _run(
    settings: Settings, door: socket.socket, server: LocalServer | None, and_also: list[str] | None
) -> None:
    from service.cli.web import WebServer

    WebServer(settings, door, server, and_also).run_until_told()


def url_of(settings: Settings, door: socket.socket) -> str:
    """The address a person on this machine types in."""
    host, port = door.getsockname()[:2]
    if ipaddress.ip_address(host).is_unspecified:
        host = "127.0.0.1" if door.family == socket.AF_INET else "::1"
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if settings.tls_cert else 'http'}://{shown}:{port}"


def is_loopback(host: str) -> bool:
    """Is this host name or address this machine's own, whatever it resolves to?"""
    try:
        found = {entry[4][0] for entry in socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)}
    except OSError as error:
        raise CouldNotError(f"--host {host} is no address of this machine: {error}.") from error
    return all(ipaddress.ip_address(str(address).partition("%")[0]).is_loopback for address in found)


def _check_exposure(settings: Settings) -> None:
    if settings.tls_cert or settings.behind_tls or is_loopback(settings.host):
        return
    raise click.UsageError(
        f"--host {settings.host} can be reached from other machines, and tokens would cross the wire in the clear. "
        "Give --tls-cert and --tls-key, or --behind-tls if a proxy speaks TLS in front."
    )


def _check_certificates(settings: Settings) -> None:
    if settings.tls_cert is None or settings.tls_key is None:
        return
    import ssl

    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(
            settings.tls_cert, settings.tls_key
        )
    except (OSError, ssl.SSLError) as error:
        raise CouldNotError(f"{settings.tls_cert} and {settings.tls_key} cannot be used: {error}.") from error


def _take_port(settings: Settings) -> socket.socket:
    """Bind before anything else is started, so that a second ledger on one port fails at once."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    door = socket.socket(family, socket.SOCK_STREAM)
    door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        door.bind((settings.host, settings.port))
        # Two sockets may be bound to a port while neither listens, so this one listens now; a client that comes
        # early waits in the queue until the service takes its request.
        door.listen()
    except OSError as error:
        door.close()
        raise CouldNotError(
            f"{settings.host} port {settings.port} cannot be used: {error.strerror}. Another ledger may be running "
            "there: stop it, or choose another --port."
        ) from error
    return door
