"""A primary and a hot standby that follows it, both of the ledger's own Postgres, on one machine."""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import psycopg
from psycopg import sql

from service.local import LocalServer, processes, start_server
from service.local.cluster import Cluster
from service.local.places import PORT, make_root, places_of
from service.local.roles import DATABASE, OWNER, SERVICE

PATIENCE_S = 60.0
POLL_S = 0.005
APPLICATION = "standby"
REPLAY = "SELECT (pg_last_wal_replay_lsn() - '0/0')::bigint"
FLUSHED = "SELECT (pg_current_wal_flush_lsn() - '0/0')::bigint"


@dataclass(frozen=True)
class TwoClusters:
    """Both servers; `primary` is the ledger's own, started and stopped by whoever made it."""

    primary: LocalServer
    standby: Cluster

    @property
    def url(self) -> str:
        """The primary, for the service."""
        return self.primary.service_url

    @property
    def read_url(self) -> str:
        """The standby, for the service."""
        return self._standby_url(SERVICE)

    @property
    def either_url(self) -> str:
        """Whichever of the two is the primary, for the service (libpq: several hosts, a session that may write)."""
        sockets = f"{quote(str(self.primary.cluster.places.socket))},{quote(str(self.standby.places.socket))}"
        return f"postgresql://{SERVICE}@/{DATABASE}?host={sockets}&port={PORT},{PORT}&target_session_attrs=read-write"

    @property
    def standby_owner_url(self) -> str:
        """The standby, as the role that owns the schema: once it is promoted, tokens can be made there."""
        return self._standby_url(OWNER)

    def _standby_url(self, role: str) -> str:
        return f"postgresql://{role}@/{DATABASE}?host={quote(str(self.standby.places.socket))}&port={PORT}"

    def on_standby(self, statement: str) -> object:
        """One value, asked of the standby as its superuser."""
        return scalar(self._standby_url("postgres"), statement)

    def on_primary(self, statement: str) -> object:
        """One value, asked of the primary as its superuser."""
        return scalar(self.primary.superuser_url, statement)

    def pause(self) -> None:
        """Keep the standby from replaying: it answers on, and knows nothing new."""
        self.on_standby("SELECT pg_wal_replay_pause()")
        wait_until(lambda: self.on_standby("SELECT pg_get_wal_replay_pause_state()") == "paused")

    def resume(self) -> None:
        """Let it replay again."""
        self.on_standby("SELECT pg_wal_replay_resume()")

    @contextmanager
    def paused(self) -> Iterator[None]:
        """While the standby answers and replays nothing."""
        self.pause()
        try:
            yield
        finally:
            self.resume()
            self.caught_up()

    def stop_standby(self) -> None:
        """Stop it in good order: its sessions are told."""
        self.standby.stop()

    def kill_standby(self) -> None:
        """Kill its processes, as a power cut would."""
        pid = self.standby.running_pid()
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        wait_until(lambda: not processes.living_in(self.standby.places.postgres))

    def start_standby(self) -> None:
        """Start it again; it goes on where it was."""
        self.standby.start_or_adopt()

    def lose_primary(self) -> None:
        """Stop the primary; what the standby has not received by now is lost."""
        self.primary.cluster.stop()

    def promote(self) -> None:
        """Make the standby a primary of its own, with a history of its own from here on."""
        assert self.on_standby("SELECT pg_promote(wait => true)")

    @contextmanager
    def locked(self, table: str) -> Iterator[psycopg.Connection]:
        """A transaction at the primary that lets nobody read a table; the lock is replayed at the standby too."""
        with psycopg.connect(self.primary.superuser_url) as holder:
            holder.execute(sql.SQL("LOCK TABLE {} IN ACCESS EXCLUSIVE MODE").format(sql.Identifier(table)))
            scalar(self.primary.superuser_url, "SELECT pg_switch_wal()")  # written out now, not in a while
            yield holder

    def caught_up(self) -> None:
        """Wait until the standby has replayed all that the primary has kept."""
        kept = self.on_primary(FLUSHED)
        wait_until(lambda: self.on_standby(REPLAY) >= kept)  # type: ignore[operator]


@contextmanager
def standby_of(primary: LocalServer, folder: Path) -> Iterator[TwoClusters]:
    """A standby of a running server in a data folder of its own, streaming; stopped at the end, the folder left."""
    places = places_of(folder)
    make_root(places.root)
    cluster = Cluster(places, primary.cluster.binaries, primary.cluster.identity)
    copy_running(primary, cluster)
    cluster.start_or_adopt()
    two = TwoClusters(primary, cluster)
    try:
        wait_until(lambda: primary_sends(primary))
        yield two
    finally:
        cluster.stop()


@contextmanager
def two_clusters(data_dir: Path, standby_dir: Path) -> Iterator[TwoClusters]:
    """The Postgres of a ledger's data folder and a standby of it, both running."""
    with start_server(data_dir) as primary, standby_of(primary, standby_dir) as two:
        yield two


def copy_running(primary: LocalServer, standby: Cluster) -> None:
    """A base backup that knows whom to follow (`-R`), taken as whoever runs the server."""
    standby.identity.give(standby.places.root)
    command = [standby.binaries.program("pg_basebackup"), "-D", str(standby.places.postgres), "-R"]
    command += ["-c", "fast", "-X", "stream", "--no-sync"]
    command += ["-d", f"host={primary.cluster.places.socket} port={PORT} user=postgres"]
    command[-1] += f" application_name={APPLICATION}"
    taken = standby.identity.run(command)
    assert taken.returncode == 0, taken.stderr


def primary_sends(primary: LocalServer) -> bool:
    """Whether the standby is connected and streams."""
    asked = f"SELECT state FROM pg_stat_replication WHERE application_name = '{APPLICATION}'"
    return scalar(primary.superuser_url, asked) == "streaming"


def scalar(url: str, statement: str) -> object:
    """The one value that a statement gives; None where it gives no row."""
    with psycopg.connect(url, autocommit=True) as conn:
        row = conn.execute(statement).fetchone()  # type: ignore[arg-type]
        return None if row is None else row[0]


def wait_until(condition, patience_s: float = PATIENCE_S) -> None:
    """Wait until a condition holds, or fail."""
    end = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(POLL_S)
