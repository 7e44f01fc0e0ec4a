"""A real running ledger with the invented shop in it, as `python3 bootstrap.py run` leaves it."""

import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PATIENCE_S = 240.0
"""A loaded machine of two cores fills the shop in well under a minute (ours to be generous)."""


@dataclass(frozen=True)
class Live:
    """The running service: its address, its data folder, what it said while starting."""

    url: str
    data_dir: Path
    said: str

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run `bayledger` on its data folder."""
        return subprocess.run(
            [sys.executable, "-m", "service", *words, "--data-dir", str(self.data_dir)],
            cwd=ROOT,
            env=clean_environment(),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    def token(self, scope: str) -> str:
        """A token made on the command line while the service runs."""
        made = self.command("token", "create", "--scope", scope, "--name", f"test-{scope}")
        assert made.returncode == 0, made.stderr
        return made.stdout.strip()


def clean_environment() -> dict[str, str]:
    """This environment without settings of ours."""
    return {name: value for name, value in os.environ.items() if not name.startswith("BAYLEDGER_")}


LASTING = range(20000, 32768)
"""Ports that no system hands out by itself (Linux begins at 32768: ip(7), ip_local_port_range), so that one which is free stays
so until it is taken, and while a service is down that comes back to it."""


def free_port() -> int:
    """A port nobody listens on at this moment."""
    draw = random.SystemRandom()  # several processes of tests draw at the same time
    return next(port for port in iter(lambda: draw.choice(LASTING), None) if is_free(port))


def is_free(port: int) -> bool:
    """Whether a service could listen there."""
    with socket.socket() as door:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            door.bind(("127.0.0.1", port))
            door.listen()
        except OSError:
            return False
        return True


@contextmanager
def running_demo(folder: Path) -> Iterator[Live]:
    """`bayledger demo` in a process of its own, until it says that one can look around."""
    port = free_port()
    log = folder / "demo.log"
    words = ["demo", "--data-dir", str(folder / "data"), "--port", str(port)]
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", *words],
            cwd=ROOT,
            env=clean_environment(),
            stdout=out,
            stderr=subprocess.STDOUT,
        )
    try:
        said = wait_until_said(process, log, "Look around")
        yield Live(f"http://127.0.0.1:{port}", folder / "data", said)
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(timeout=60)
        except subprocess.TimeoutExpired:
            process.kill()
            raise


def wait_until_said(process: subprocess.Popen[bytes], log: Path, words: str) -> str:
    """Wait until a process has said something, or fail with all that it said."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        said = log.read_text()
        if words in said:
            return said
        assert process.poll() is None, said
        time.sleep(0.2)
    raise AssertionError(f"not said in {PATIENCE_S} s: {words}\n{log.read_text()}")
