"""A real running ledger with the invented shop in it, as `python3 bootstrap.py run` leaves it."""

import os
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


def free_port() -> int:
    """A port nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


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
