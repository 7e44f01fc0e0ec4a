"""The real service, as `bayledger serve` starts it, in a data folder of its own; and what its processes weigh."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60.0
SERVICE = [sys.executable, "-m", "service"]
SERVERS = (b"postgres", b"\0serve\0", b"\0demo\0")
"""What is in the command of a server."""


@dataclass(frozen=True)
class Service:
    """A serving process."""

    url: str
    pid: int
    token: str

    def pss_mb(self) -> float:
        """Proportional set size of the master and its worker [MB], Postgres left out."""
        return sum(pss_kb(pid) for pid in (self.pid, *workers_of(self.pid))) / 1000.0


@contextmanager
def service_in(folder: Path, processes: int = 1) -> Iterator[Service]:
    """Serve `folder`, made where there is none, on a free port by so many processes until the block ends."""
    folder.mkdir(mode=0o700, exist_ok=True)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("BAYLEDGER_")}
    command = [*SERVICE, "serve", "--data-dir", str(folder), "--port", "0", "--processes", str(processes)]
    with (folder / "serve.log").open("wb") as log:  # a line for each answer, as a shop's has
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=log)
    try:
        url = address(process, folder)
        made = [*SERVICE, "token", "create", "--scope", "admin", "--data-dir", str(folder)]
        token = subprocess.run(made, cwd=ROOT, env=environment, check=True, capture_output=True, text=True)
        yield Service(url, process.pid, token.stdout.strip())
    finally:
        process.terminate()
        process.wait(timeout=PATIENCE_S)


def address(process: "subprocess.Popen[bytes]", folder: Path) -> str:
    """Where it serves, once it does: the note it leaves in its folder."""
    note, deadline = folder / "serve.json", time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise RuntimeError(f"the service did not start: {(folder / 'serve.log').read_text()[-500:]}")
        if note.exists() and (said := json.loads(note.read_text()))["pid"] == process.pid:
            return str(said["url"])
        time.sleep(0.02)
    raise TimeoutError("the service was not ready in time")


def workers_of(master: int) -> list[int]:
    """The master's children that run the service (its database is another program)."""
    children = Path(f"/proc/{master}/task/{master}/children").read_text().split()
    return [int(pid) for pid in children if b"service" in Path(f"/proc/{pid}/cmdline").read_bytes()]


def end_helpers() -> None:
    """End what this process started to do some work and wait for: everything but servers, which are stopped in order."""
    for pid in map(int, Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()):
        with contextlib.suppress(OSError):
            if not any(name in Path(f"/proc/{pid}/cmdline").read_bytes() for name in SERVERS):
                os.kill(pid, signal.SIGTERM)


def pss_kb(pid: int) -> int:
    """Memory of one process with shared pages divided among those who share them [kB] (Linux)."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1])
    raise LookupError(f"no Pss of process {pid}")
