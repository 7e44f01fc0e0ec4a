"""A real PgBouncer between the ledger and its Postgres, pooling by transaction."""

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
from psycopg.rows import dict_row

from service.local import LocalServer
from service.local.places import PORT

POOLER_PORT = 6432
PATIENCE_S = 60.0
CONSOLE = "console"

SETTINGS = """\
[databases]
* = host={socket} port={server_port}

[pgbouncer]
listen_port = {port}
unix_socket_dir = {socket}
auth_type = trust
auth_file = {users}
admin_users = {console}
pool_mode = transaction
default_pool_size = {size}
max_client_conn = 400
"""
"""No `ignore_startup_parameters` and no `server_reset_query_always`: the service must need no leniency."""


@dataclass(frozen=True)
class Pooler:
    """A running PgBouncer in front of a server. A role has at most `size` server connections to a database."""

    server: LocalServer
    size: int
    process: subprocess.Popen[bytes]

    @property
    def service_url(self) -> str:
        """The ledger as its service reaches it through the pooler."""
        return through(self.server.service_url)

    @property
    def owner_url(self) -> str:
        """The same as the schema's owner."""
        return through(self.server.owner_url)

    def pools(self) -> list[dict[str, Any]]:
        """What the pooler's own console says of its pools: clients (`cl_`) and server connections (`sv_`)."""
        with console(self.server) as line:
            return line.execute("SHOW POOLS").fetchall()

    def end(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.wait(PATIENCE_S)


def through(url: str) -> str:
    """The address of a database as it is reached through the pooler."""
    assert f"port={PORT}" in url, url
    return url.replace(f"port={PORT}", f"port={POOLER_PORT}")


@contextmanager
def pooler_before(server: LocalServer, size: int) -> Iterator[Pooler]:
    """PgBouncer beside a server's socket, run by whoever runs the server: it refuses to be root."""
    program = shutil.which("pgbouncer", path=f"{os.environ['PATH']}{os.pathsep}/usr/sbin")
    assert program, "PgBouncer is not installed; on Debian: apt-get install pgbouncer"
    settings, log = _settings(server, size), server.data_dir / "pooler.log"
    with log.open("wb") as out:
        process = server.cluster.identity.launch([program, str(settings)], out.fileno())
    pooler = Pooler(server, size, process)
    try:
        _wait_until_ready(pooler, log)
        yield pooler
    finally:
        pooler.end()


def console(server: LocalServer) -> psycopg.Connection[dict[str, Any]]:
    """A connection to the pooler's own console."""
    socket = server.cluster.places.socket
    return psycopg.connect(
        host=str(socket),
        port=POOLER_PORT,
        user=CONSOLE,
        dbname="pgbouncer",
        autocommit=True,
        row_factory=dict_row,
    )


def _settings(server: LocalServer, size: int) -> Path:
    """Its two files, in the data folder, which the user that runs the server can enter."""
    users, settings = server.data_dir / "pooler-users.txt", server.data_dir / "pooler.ini"
    users.write_text("".join(f'"{name}" ""\n' for name in ("bayledger_service", "bayledger_owner", CONSOLE)))
    values = {"socket": server.cluster.places.socket, "server_port": PORT, "port": POOLER_PORT}
    settings.write_text(SETTINGS.format(**values, users=users, console=CONSOLE, size=size))
    for file in (users, settings):
        server.cluster.identity.give(file)
    return settings


def _wait_until_ready(pooler: Pooler, log: Path) -> None:
    end = time.monotonic() + PATIENCE_S
    while pooler.process.poll() is None and time.monotonic() < end:
        try:
            pooler.pools()
            return
        except psycopg.OperationalError:
            time.sleep(0.05)
    raise AssertionError(f"the pooler did not start: {log.read_text()}")
