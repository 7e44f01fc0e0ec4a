"""The CPU that a service and its database take, to the microsecond, while requests are answered.

A machine that others use makes requests wait, and waiting is not the ledger's doing; CPU is little moved by it. Linux
gives every process's CPU clock to whoever may look (clock_getcpuclockid(3)).
"""

import contextlib
import time
from pathlib import Path

from tests.bench.serving import workers_of

CLOCK_OF_PROCESS = 2
"""CPUCLOCK_SCHED: the precise clock of a process, in the low bits of its clock's number (linux/posix-timers.h)."""


class Meter:
    """The CPU of some processes: a service's workers, and a Postgres with the processes it has at this moment."""

    def __init__(self, service: int, postgres: int) -> None:
        self._service, self._postgres = service, postgres
        self._clocks: list[int] = []

    def look(self) -> None:
        """Find the processes anew: Postgres makes one for each connection."""
        children = Path(f"/proc/{self._postgres}/task/{self._postgres}/children").read_text().split()
        self._clocks = [clock_of(pid) for pid in [*workers_of(self._service), *map(int, children)]]

    def cpu_ms(self) -> float:
        """CPU of them all since they began [ms]; what has ended no longer counts."""
        return 1000.0 * sum(map(read, self._clocks))


def clock_of(pid: int) -> int:
    """The number of a process's CPU clock."""
    return (~pid << 3) | CLOCK_OF_PROCESS


def read(clock: int) -> float:
    """A clock [s]; nought of a process that has ended."""
    with contextlib.suppress(OSError):
        return time.clock_gettime(clock)
    return 0.0
