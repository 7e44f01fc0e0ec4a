"""A network, processes and mounts apart from this machine's, so that an installation can run just as it is (as root).

Its ports are free whatever runs here, nothing outside hears from it, and when it ends all that ran in it has ended.
"""

import ctypes
import fcntl
import socket
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

SIOCSIFFLAGS = 0x8914  # linux/sockios.h
UP_AND_RUNNING = 0x41  # linux/if.h: IFF_UP, IFF_RUNNING
# The first process is left with the orphans of others; who ignores SIGCHLD need not wait for them (signal(7)). It ends
# when nobody holds its standard input any more, also where the test was killed, and all others with it.
FIRST = "trap '' CHLD; echo ready; exec cat > /dev/null"


@dataclass(frozen=True)
class Apart:
    """The place, by the number that its first process has outside of it."""

    pid: int

    def command(self, *words: str | Path) -> list[str]:
        """The command that runs a program there."""
        return ["nsenter", f"--target={self.pid}", "--net", "--pid", "--mount", "--", *map(str, words)]

    @contextmanager
    def network(self) -> Iterator[None]:
        """Sockets that this thread opens are in the network of the place."""
        with open("/proc/thread-self/ns/net") as ours, open(f"/proc/{self.pid}/ns/net") as theirs:
            enter(theirs.fileno())
            try:
                yield
            finally:
                enter(ours.fileno())


def enter(namespace: int) -> None:
    """setns(2), which Python itself has from 3.12 on."""
    if ctypes.CDLL(None, use_errno=True).setns(namespace, 0):
        raise OSError(ctypes.get_errno(), "setns")


@contextmanager
def apart() -> Iterator[Apart]:
    """A place in which nothing runs yet, with loopback addresses of its own."""
    command = ["unshare", "--net", "--pid", "--mount-proc", "--fork", "sh", "-c", FIRST]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "ready\n"
        (first,) = children_of(holder.pid)
        place = Apart(first)
        with place.network(), socket.socket() as any_one:
            fcntl.ioctl(any_one, SIOCSIFFLAGS, struct.pack("16sh14x", b"lo", UP_AND_RUNNING))
        yield place


def children_of(pid: int) -> list[int]:
    """The processes that a process started and that are still there; none, where it is gone itself."""
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except (FileNotFoundError, ProcessLookupError):
        return []


@contextmanager
def memory(prefix: str) -> Iterator[Path]:
    """A folder held in memory, 4 GB at most: whole systems are written to it, and are gone at once in the end."""
    folder = Path(tempfile.mkdtemp(prefix=prefix))
    try:
        subprocess.run(["mount", "-t", "tmpfs", "-o", "mode=755,size=4g", "none", folder], check=True)
        try:
            yield folder
        finally:
            subprocess.run(["umount", folder], check=True)
    finally:
        folder.rmdir()


@contextmanager
def written_over(below: Path, prefix: str) -> Iterator[Path]:
    """A folder that holds what another one does; what is written to it is held in memory, and the other stays as it is."""
    with memory(prefix) as outer:
        for name in ("written", "work", "all"):
            (outer / name).mkdir()
        folder = outer / "all"
        layers = f"lowerdir={below},upperdir={outer / 'written'},workdir={outer / 'work'}"
        subprocess.run(["mount", "-t", "overlay", "-o", layers, "none", folder], check=True)
        try:
            yield folder
        finally:
            subprocess.run(["umount", folder], check=True)
