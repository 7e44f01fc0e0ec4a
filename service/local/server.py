"""Start, share and stop the ledger's own Postgres."""

from __future__ import annotations

import os
import subprocess
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType
from urllib.parse import quote

from service.local import locks
from service.local.binaries import choose_binaries
from service.local.cluster import Cluster
from service.local.errors import LocalServerError
from service.local.identity import Identity, identity_for
from service.local.places import PORT, Places, make_root, places_of
from service.local.roles import DATABASE, OWNER, SERVICE, prepare_database


@dataclass
class LocalServer:
    """A running server, used by this process until `stop`. The last user's `stop` ends the server."""

    cluster: Cluster
    _use: int | None
    _child: subprocess.Popen[bytes] | None
    _made_by: int = field(default_factory=os.getpid)

    @property
    def data_dir(self) -> Path:
        return self.cluster.places.root

    @property
    def version(self) -> str:
        return self.cluster.binaries.version

    @property
    def owner_url(self) -> str:
        """For migrations: the role that owns the schema."""
        return _url(self.cluster.places, OWNER, DATABASE)

    @property
    def service_url(self) -> str:
        """For the service: least rights."""
        return _url(self.cluster.places, SERVICE, DATABASE)

    @property
    def superuser_url(self) -> str:
        """For tests and backup only."""
        return _url(self.cluster.places, "postgres", DATABASE)

    def program(self, name: str) -> Path:
        """Path of a Postgres program of the server's own version, such as `pg_dump`."""
        return self.cluster.binaries.folder / name

    def ensure_running(self) -> bool:
        """Start the server again if it died under us; answers whether that was needed."""
        self._reap()
        if self._use is None or self.cluster.running_pid() is not None:
            return False
        with locks.starting(self.cluster.places.start_lock):
            self._child = self.cluster.start_or_adopt() or self._child
        return True

    def stop(self) -> None:
        """Give up our use; the last user stops the server. Does nothing in a forked child, or a second time."""
        if os.getpid() != self._made_by or self._use is None:
            return
        with locks.starting(self.cluster.places.start_lock):
            os.close(self._use)
            self._use = None
            _stop_if_unused(self.cluster)
        self._reap()

    def _reap(self) -> None:
        """If the server was our child and has ended, let it rest."""
        if self._child is not None:
            self._child.poll()

    def __enter__(self) -> LocalServer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


def start_server(data_dir: Path, *, lasting: bool = True) -> LocalServer:
    """Bring up the Postgres of a data folder and use it: make it on first use, adopt it when it runs already.

    Parameters
    ----------
    data_dir: the ledger's data folder; made when missing
    lasting: its data must outlast the machine; else it is faster
    """
    places = places_of(Path(data_dir))
    # Before anything is made or locked: folders of another version or another user stay untouched.
    _cluster(places)
    make_root(places.root)
    with locks.starting(places.start_lock):
        cluster = replace(_cluster(places), lasting=lasting)
        _let_in(places, cluster.identity)
        cluster.make_if_missing()
        use = locks.take_use(places.use_lock)
        try:
            child = cluster.start_or_adopt()
            prepare_database(_url(places, "postgres", DATABASE), _url(places, "postgres", "postgres"))
        except LocalServerError:
            # One that needs longer, as for a long recovery, goes on; the next start finds it further.
            os.close(use)
            raise
        except BaseException:
            os.close(use)
            _stop_if_unused(cluster)
            raise
    return LocalServer(cluster, use, child)


def _stop_if_unused(cluster: Cluster) -> None:
    """The caller holds the start lock."""
    if not locks.anybody_uses(cluster.places.use_lock):
        cluster.stop()


def _cluster(places: Places) -> Cluster:
    identity = identity_for(places.postgres)
    return Cluster(places, choose_binaries(identity, places.written_by_major()), identity)


def _let_in(places: Places, identity: Identity) -> None:
    """Root's server running as somebody else must be able to walk into the data folder."""
    if identity.kind != "user" or places.root.stat().st_uid == identity.uid:
        return
    places.root.chmod(places.root.stat().st_mode | 0o011)
    if identity.run(["/bin/sh", "-c", 'cd "$0"', str(places.root)]).returncode != 0:
        raise LocalServerError(
            f"the user that must run Postgres here cannot enter {places.root}. "
            "Start as an ordinary user, or choose a --data-dir whose parent folders are open to all."
        )


def _url(places: Places, user: str, database: str) -> str:
    return f"postgresql://{user}@/{database}?host={quote(str(places.socket))}&port={PORT}"
