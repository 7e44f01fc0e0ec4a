"""The web server around the service: one master process, and one or several serving ones with threads."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from gunicorn.app.base import BaseApplication
from gunicorn.arbiter import Arbiter
from gunicorn.glogging import Logger

from service.cli.errors import CouldNotError
from service.cli.ledger import ROOT
from service.cli.note import Serving, leave_note, take_note_away
from service.cli.slow_clients import CONNECTIONS, WAITED_FOR, PatientWorker, Places, Waits, Wsgi
from service.settings import Settings

if TYPE_CHECKING:
    from flask import Flask

    from service.local import LocalServer
    from service.worker.loop import Worker

GRACE_S = 30  # for requests under way when told to stop (our choice)
HUNG_S = 120  # a worker whose main thread is silent for so long is replaced (our choice)
KILLED_S = 5.0  # for killed workers to be gone (our choice)
REAP_S = 0.02
KEEP_ALIVE_S = 30  # the dashboard's next click comes on the same line (our choice)
DATABASE_LOOK_S = 2.0  # how often the master looks whether its database lives (our choice)
COUNTERS = "PROMETHEUS_MULTIPROC_DIR"  # prometheus-client's own name for it
COUNTED = "counted-"
SHARED_MEMORY = Path("/dev/shm")  # nosec B108 # noqa: S108 - only gunicorn's own heartbeat file, made safely by it


class WebServer(BaseApplication):
    """Gunicorn, set up in code. One serving process imports the app itself, so that the master stays small; several
    share what the master has imported."""

    def __init__(
        self,
        settings: Settings,
        door: socket.socket,
        database: LocalServer | None,
        and_also: list[str] | None,
    ) -> None:
        from service.cli.serve import url_of

        self.settings = settings
        self.url = url_of(settings, door)
        self.database = database
        self.and_also = and_also
        self.waits = Waits()
        self._door = door.detach()
        self._app: Flask | None = None
        self._estimating: Worker | None = None
        self._estimates: int | None = None
        self._counted = settings.data_dir / f"{COUNTED}{os.getpid()}"
        super().__init__()

    def load_config(self) -> None:
        chosen: dict[str, Any] = {
            "bind": f"fd://{self._door}",
            "worker_class": PatientWorker,
            "workers": self.settings.processes,
            "preload_app": self._several,
            "threads": self.settings.threads + WAITED_FOR,
            "worker_connections": CONNECTIONS,
            "timeout": HUNG_S,
            "graceful_timeout": GRACE_S,
            "keepalive": KEEP_ALIVE_S,
            "control_socket_disable": True,
            "logger_class": OneLog,
            "loglevel": "debug" if self.settings.log_level == "debug" else "warning",
            "umask": 0o077,
            "pre_fork": self._before_fork,
            "post_fork": self._after_fork,
            "post_worker_init": self._worker_is_up,
            "worker_exit": self._worker_ends,
            "child_exit": self._worker_has_ended,
        }
        if self.settings.tls_cert:
            chosen |= {"certfile": str(self.settings.tls_cert), "keyfile": str(self.settings.tls_key)}
        if os.access(SHARED_MEMORY, os.W_OK):
            chosen["worker_tmp_dir"] = str(SHARED_MEMORY)
        for name, value in chosen.items():
            self.cfg.set(name, value)

    @property
    def _several(self) -> bool:
        return self.settings.processes > 1

    def load(self) -> Wsgi:
        if self._several:
            os.environ[COUNTERS] = str(self._counted)  # read when the counters are imported
        from service.app import create_app

        self._app = create_app(self.settings)
        if self._several:
            gc.collect()
            gc.freeze()  # a collection would write into every page that the processes share
        return Places(self._app, self.settings.threads, self.waits)

    def count(self, status: int, readable: bool) -> None:
        """In the worker: it has answered what the app never saw, or gave no answer to."""
        if self._app is not None:
            self._app.extensions["metrics"].not_seen(status, readable)

    def run_until_told(self) -> None:
        """Serve; ends with SystemExit when gunicorn does, after its own clean-up."""
        clear_counted(self.settings.data_dir)
        if self._several:
            self._counted.mkdir(mode=0o700, parents=True)
        beside = (
            None
            if self.and_also is None
            else subprocess.Popen(self.and_also, cwd=ROOT, stdin=subprocess.DEVNULL)
        )
        try:
            Keeper(self, self.database).run()
        except SystemExit as leaving:
            if leaving.code:
                raise CouldNotError("the service did not start; the lines above say why.") from leaving
        finally:
            _end(beside)
            take_note_away(self.settings.data_dir, os.getpid())
            shutil.rmtree(self._counted, ignore_errors=True)

    def _before_fork(self, master: Any, worker: Any) -> None:
        """In the master: one of the serving processes looks whether the model wants estimating; when that one has ended,
        the next to come does."""
        if self.settings.worker_elsewhere:
            return
        if self._estimates not in {living.age for living in master.WORKERS.values()}:
            self._estimates = worker.age

    def _after_fork(self, _master: Any, _worker: Any) -> None:
        """In the worker: until it heeds signals itself they must end it, not lie in a copy of the master's queue."""
        signal.signal(signal.SIGTERM, signal.SIG_DFL)

    def _worker_is_up(self, worker: Any) -> None:
        """In the worker: it can answer now. A replaced worker need not say so again."""
        # Ctrl-C reaches every process of the terminal; the master passes it on as the gentler SIGTERM.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        if self._estimates == worker.age:
            from service.cli.worker import worker_of

            self._estimating = worker_of(self.settings.database_url)
            self._estimating.start()
        if self._several and self._app is not None:
            self._app.extensions["metrics"].tell_pools(self._app.extensions["bayledger"])
        if self._app is not None:
            threading.Thread(target=self._app.extensions["bayledger"].warm, daemon=True).start()
        if worker.age == 1:
            leave_note(self.settings.data_dir, Serving(self.url, worker.ppid))
            click.echo(f"Bayledger serves {self.url} (Ctrl-C stops it)")
            sys.stdout.flush()

    def _worker_ends(self, _master: Any, _worker: Any) -> None:
        """In the worker, at its end: what it started ends with it, and the pool's threads must not be waited for."""
        if self._estimating is not None:
            self._estimating.stop()
        if self._app is not None:
            self._app.extensions["bayledger"].close()

    def _worker_has_ended(self, _master: Any, worker: Any) -> None:
        """In the master: what it counted stays, what it held is held no more."""
        for held in self._counted.glob(f"gauge_live*_{worker.pid}.db"):
            held.unlink(missing_ok=True)


class OneLog(Logger):
    """What gunicorn says goes where everything else goes, in the same form."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for log in (self.error_log, self.access_log):
            log.handlers.clear()
            log.propagate = True


def clear_counted(data_dir: Path) -> None:
    """Take away what a master that was killed has left counted."""
    from service.local.processes import exists

    for left in data_dir.glob(f"{COUNTED}*"):
        if not exists(int(left.name.removeprefix(COUNTED))):
            shutil.rmtree(left, ignore_errors=True)


class Keeper(Arbiter):
    """Gunicorn's master, that also keeps the ledger's own database running."""

    def __init__(self, app: WebServer, database: LocalServer | None) -> None:
        super().__init__(app)
        self._database = database
        self._next_look = time.monotonic() + DATABASE_LOOK_S
        self._stays_after_hang_up = signal.getsignal(signal.SIGHUP) == signal.SIG_IGN

    def manage_workers(self) -> None:
        super().manage_workers()
        if self._database is not None and time.monotonic() >= self._next_look:
            self._look_after_database(self._database)
            self._next_look = time.monotonic() + DATABASE_LOOK_S

    def _look_after_database(self, database: LocalServer) -> None:
        from service.local import LocalServerError

        try:
            if database.ensure_running():
                self.log.warning("the database had died and was started again")
        except LocalServerError as error:
            self.log.error("the database does not run: %s", error)

    def stop(self, graceful: bool = True) -> None:
        """Killed workers too must have ended: as long as one lives the database counts as used, and is not stopped."""
        super().stop(graceful)
        until = time.monotonic() + KILLED_S
        while self.WORKERS and time.monotonic() < until:
            time.sleep(REAP_S)
            self.reap_workers()

    def handle_int(self) -> None:
        """Ctrl-C finishes the requests under way, as SIGTERM does; a second one does not wait."""
        self.handle_term()

    def handle_usr2(self) -> None:
        """No second master: the database's use would be counted wrongly. Stop and start again instead."""

    def handle_hup(self) -> None:
        """The terminal was closed."""
        if not self._stays_after_hang_up:
            self.handle_term()


def _end(beside: subprocess.Popen[bytes] | None) -> None:
    if beside is None:
        return
    beside.terminate()
    try:
        beside.wait(timeout=10)
    except subprocess.TimeoutExpired:
        beside.kill()
        beside.wait()
