"""Make, start and stop the Postgres server of one data folder."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from service.local import processes
from service.local.binaries import Binaries
from service.local.errors import LocalServerError, NoRoomError
from service.local.identity import Identity
from service.local.places import PORT, Places, make_private_folder

UNFINISHED = "postgres.unfinished-"
ROOM_NEEDED_MB = 100  # a fresh folder takes 63 MB; the rest lets the first posts in (our choice)
FULL_DISK = ("No space left on device", "Disk quota exceeded")
READY_PATIENCE_S = 90.0  # our choice: a long recovery after a crash
STOP_PATIENCE_S = 60.0  # our choice
LEFTOVER_PATIENCE_S = 10.0  # our choice: helpers of a killed server notice its death within a second or so
POLL_S = 0.01
LARGEST_LOG_BYTES = 5_000_000  # our choice: then the log of the last starts moves aside
BUILTIN_LOCALE_SINCE = 17
BYTES_PER_MB = 1_000_000


@dataclass(frozen=True)
class Cluster:
    """One data folder with the programs and the user that run it."""

    places: Places
    binaries: Binaries
    identity: Identity
    lasting: bool = True  # else nothing waits for the disk: for data that need not outlast the machine

    # ---- first use

    def make_if_missing(self) -> None:
        """initdb into a folder of another name, renamed when complete: a cut in the middle leaves nothing half-made."""
        if self.places.postgres.exists():
            return
        self._check_room()
        for leftover in self.places.root.glob(f"{UNFINISHED}*"):
            shutil.rmtree(leftover, ignore_errors=True)
        # A new name each time: helpers of an initdb that was killed may still write into theirs for a moment.
        unfinished = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=self.places.root))
        self.identity.give(unfinished)
        try:
            made = self.identity.run(self._initdb_command(unfinished))
            if made.returncode != 0:
                raise self._failure("the database could not be made", made.stderr)
            unfinished.rename(self.places.postgres)
        except BaseException:
            shutil.rmtree(unfinished, ignore_errors=True)
            raise

    def _initdb_command(self, folder: Path) -> list[str]:
        command = [self.binaries.program("initdb"), "-D", str(folder), "-U", "postgres"]
        command += ["--auth=trust", "--encoding=UTF8", "--locale=C", "--no-instructions"]
        if int(self.binaries.major) >= BUILTIN_LOCALE_SINCE:
            # sorts alike on every operating system
            command += ["--locale-provider=builtin", "--builtin-locale=C.UTF-8"]
        return command if self.lasting else [*command, "--no-sync"]

    def _check_room(self) -> None:
        free_mb = shutil.disk_usage(self.places.root).free / BYTES_PER_MB
        if free_mb < ROOM_NEEDED_MB:
            raise NoRoomError(
                f"no room: {free_mb:.0f} MB free where {self.places.root} lies, a new ledger needs {ROOM_NEEDED_MB} MB. "
                "Free some, or choose another --data-dir."
            )

    # ---- start and stop

    def start_or_adopt(self) -> subprocess.Popen[bytes] | None:
        """Bring the server up; None when it already ran. The caller holds the start lock."""
        if (pid := self.running_pid()) is not None:
            self._wait_until_ready(
                lambda: not processes.serves(pid, self.places.postgres), log_from=self._log_size()
            )
            return None
        self._wait_for_helpers()
        if self._answers_from_elsewhere():
            return None
        self._clear_leftovers()
        make_private_folder(self.places.socket, self.identity.uid, self.identity.gid)
        return self._start()

    def running_pid(self) -> int | None:
        """Process number of the living server, None when there is none."""
        lines = self._pid_lines()
        if not lines or not lines[0].lstrip("-").isdigit():
            return None
        pid = abs(int(lines[0]))
        return pid if processes.serves(pid, self.places.postgres) else None

    def _answers_from_elsewhere(self) -> bool:
        """Does a server answer whose process cannot be seen here, as when two containers share the folder?"""
        with socket.socket(socket.AF_UNIX) as door:
            try:
                door.connect(str(self.places.socket / f".s.PGSQL.{PORT}"))
            except OSError:
                return False
        return True

    def _start(self) -> subprocess.Popen[bytes]:
        log_from = self._prepare_log()
        log = os.open(self.places.log, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
        try:
            with _signals_held():
                started = self.identity.launch(self._server_command(), log)
        except OSError as error:
            raise LocalServerError(f"the server program could not be started: {error}") from error
        finally:
            os.close(log)
        try:
            self._wait_until_ready(lambda: started.poll() is not None, log_from)
        except (KeyboardInterrupt, SystemExit):
            started.send_signal(signal.SIGINT)
            started.wait(STOP_PATIENCE_S)
            raise
        return started

    def _server_command(self) -> list[str]:
        settings = {
            "listen_addresses": "",
            "port": str(PORT),
            "unix_socket_directories": str(self.places.socket),
            "unix_socket_permissions": "0700",
            "jit": "off",  # measured: no win for the ledger's short questions
            # Today's disks seek at no cost; taken for slow ones, a small ledger is walked whole for its newest setups.
            "random_page_cost": "1.1",
            "timezone": "UTC",
            "log_timezone": "UTC",
        }
        if not self.lasting:
            settings |= {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}
        command = [self.binaries.program("postgres"), "-D", str(self.places.postgres)]
        return command + [word for name, value in settings.items() for word in ("-c", f"{name}={value}")]

    def _wait_until_ready(self, gone: Callable[[], bool], log_from: int) -> None:
        """Wait for the word `ready` in the pid file, where the server itself writes it."""
        deadline = time.monotonic() + READY_PATIENCE_S
        while not self._says_ready():
            if gone():
                raise self._failure("the server did not start", self._log_since(log_from))
            if time.monotonic() > deadline:
                raise self._failure(
                    f"the server was not ready after {READY_PATIENCE_S:.0f} s", self._log_since(log_from)
                )
            time.sleep(POLL_S)

    def _says_ready(self) -> bool:
        lines = self._pid_lines()
        return len(lines) > 7 and lines[7].strip() == "ready" and self.running_pid() is not None

    def stop(self) -> None:
        """Stop the server: sessions are ended, everything committed is on disk. The caller holds the start lock."""
        pid = self.running_pid()
        if pid is None:
            return
        for order, patience_s in ((signal.SIGINT, STOP_PATIENCE_S), (signal.SIGQUIT, LEFTOVER_PATIENCE_S)):
            with suppress(ProcessLookupError):
                os.kill(pid, order)
            if self._wait_until_gone(pid, patience_s):
                self.places.forget_socket_folder()
                return
        raise LocalServerError(f"the server (process {pid}) does not stop; see {self.places.log}.")

    def _wait_until_gone(self, pid: int, patience_s: float) -> bool:
        deadline = time.monotonic() + patience_s
        while processes.serves(pid, self.places.postgres):
            if time.monotonic() > deadline:
                return False
            time.sleep(POLL_S)
        return True

    # ---- after a crash

    def _clear_leftovers(self) -> None:
        """Take away a dead server's lock files where Postgres itself would take them for a living one's.

        Its check is kill(pid, 0), which a zombie passes, and a stranger with the same number after a restart of the
        container. The caller has made sure that no process works in the folder: two servers on one would ruin the data.
        """
        for lock in (self.places.pid_file, self.places.socket_lock):
            pid = _first_number(lock)
            if pid is not None and processes.exists(pid):
                lock.unlink(missing_ok=True)

    def _wait_for_helpers(self) -> None:
        deadline = time.monotonic() + LEFTOVER_PATIENCE_S
        while helpers := processes.living_in(self.places.postgres):
            if time.monotonic() > deadline:
                numbers = ", ".join(str(pid) for pid in helpers)
                raise LocalServerError(
                    f"processes of a server that died still run ({numbers}). End them and start again."
                )
            time.sleep(POLL_S)

    # ---- files

    def _pid_lines(self) -> list[str]:
        try:
            return self.places.pid_file.read_text(errors="replace").splitlines()
        except OSError:
            return []

    def _prepare_log(self) -> int:
        """Make the log, or move a long one aside; answers where the new words will begin [bytes]."""
        log = self.places.log
        if self._log_size() > LARGEST_LOG_BYTES:
            log.replace(log.with_suffix(".log.old"))
        try:
            os.close(os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o600))
            self.identity.give(log)
        except OSError as error:
            raise LocalServerError(f"{log} cannot be written: {error.strerror}.") from error
        return self._log_size()

    def _log_size(self) -> int:
        try:
            return self.places.log.stat().st_size
        except OSError:
            return 0

    def _log_since(self, start: int) -> str:
        try:
            with self.places.log.open("rb") as log:
                log.seek(start)
                return log.read().decode(errors="replace")
        except OSError:
            return ""

    def _failure(self, what: str, words: str) -> LocalServerError:
        """The right error for what a program said."""
        if any(sign in words for sign in FULL_DISK) or _disk_is_full(self.places.root):
            return NoRoomError(
                f"{what}: the disk that holds {self.places.root} is full. Free some room and start again."
            )
        return LocalServerError(f"{what}: {_last_words(words)} (more in {self.places.log})")


@contextmanager
def _signals_held() -> Iterator[None]:
    """Ctrl-C and SIGTERM wait for the end of the block: between fork and return nobody would know the new process.

    Postgres sets its own signal mask, so that it inherits this one does no harm.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _disk_is_full(folder: Path) -> bool:
    return shutil.disk_usage(folder).free < BYTES_PER_MB


def _last_words(words: str) -> str:
    """The last two lines, without their times: the reason often stands before the line that gives up."""
    lines = [re.sub(r"^.*?(LOG|FATAL|PANIC|ERROR): +", "", line).strip() for line in words.splitlines()]
    return " / ".join([line for line in lines if line][-2:]) or "it said nothing"


def _first_number(path: Path) -> int | None:
    try:
        first = path.read_text(errors="replace").split(maxsplit=1)
    except OSError:
        return None
    return abs(int(first[0])) if first and first[0].lstrip("-").isdigit() else None
