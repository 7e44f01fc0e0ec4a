"""On what, from which state of the code, and beside what other work a run of the bench was made."""

import os
import platform
import subprocess
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.bench.serving import ROOT

BUSY_WITH_OTHERS = 0.10
"""Share of the cores that others may use before the report warns of it (our choice)."""
LOOK_S = 0.5
"""How long the machine is watched while the bench itself does nothing (our choice)."""


@dataclass(frozen=True)
class Load:
    """What a machine had to do besides: load averages (1, 5, 15 min) and the share of its cores that was in use while
    the bench did nothing."""

    averages: tuple[float, float, float]
    in_use: float

    @property
    def disturbed(self) -> bool:
        """Whether somebody else was at work."""
        return self.in_use > BUSY_WITH_OTHERS

    def __str__(self) -> str:
        averages = ", ".join(f"{value:.2f}" for value in self.averages)
        return f"load average {averages}; others used {100.0 * self.in_use:.0f} % of the cores"


def load_now() -> Load:
    """What others do, watched for half a second; to be asked while nothing of the bench runs."""
    before = jiffies()
    time.sleep(LOOK_S)
    idle, total = (now - then for now, then in zip(jiffies(), before, strict=True))
    return Load(os.getloadavg(), 1.0 - idle / total if total else 0.0)


def jiffies() -> tuple[int, int]:
    """(idle, all) ticks of all cores since the machine started (Linux, proc(5))."""
    user, nice, system, idle, iowait, *rest = map(
        int, Path("/proc/stat").read_text().split("\n")[0].split()[1:9]
    )
    return idle + iowait, user + nice + system + idle + iowait + sum(rest)


def machine(postgres: str | None) -> Mapping[str, str | int | float]:
    """The machine by name: processor, cores this process may use, memory, kernel, Python, Postgres (None: none ran)."""
    return {
        "processor": first_value(Path("/proc/cpuinfo"), "model name") or platform.processor() or "unknown",
        "cores": len(os.sched_getaffinity(0)),
        "memory_gib": round(memory_kib() / 2**20, 1),
        "kernel": platform.release(),
        "python": platform.python_version(),
        "postgres": postgres or "none ran",
    }


def memory_kib() -> int:
    """The machine's memory [KiB] (Linux)."""
    return int((first_value(Path("/proc/meminfo"), "MemTotal") or "0 kB").split()[0])


def first_value(file: Path, name: str) -> str | None:
    """What stands behind `name:` in one of the kernel's files."""
    for line in file.read_text().splitlines():
        key, _, value = line.partition(":")
        if key.strip() == name:
            return value.strip()
    return None


def code_state() -> tuple[str, bool]:
    """(commit, whether files differ from it); a checkout without git is of an unknown commit."""
    commit, changed = git("rev-parse", "HEAD"), git("status", "--porcelain")
    return (commit or "unknown").strip(), bool(changed and changed.strip())


def git(*words: str) -> str | None:
    """What git says, or None where it cannot be asked."""
    try:
        said = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    except OSError:
        return None
    return said.stdout if said.returncode == 0 else None
