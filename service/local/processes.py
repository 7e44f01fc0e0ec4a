"""Is that process really alive, and is it ours?

`kill(pid, 0)` says yes to a zombie, and after a restart of a machine or container to a stranger that got the same
number. Both would keep a dead server's lock file in force, so the state and the folder are looked at too.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

PROC = Path("/proc")
DEAD_STATES = "ZXx"


def serves(pid: int, pgdata: Path) -> bool:
    """Is `pid` a living Postgres server of this data folder?"""
    state, command = state_and_command(pid)
    if not state or state[0] in DEAD_STATES:
        return False
    return f"-D {pgdata} " in command or works_in(pid, pgdata)


def state_and_command(pid: int) -> tuple[str, str]:
    """State letter and command line of a process, both empty when there is none."""
    if not PROC.joinpath("self").exists():
        return _ask_ps(pid)
    try:
        # The name in brackets may itself hold brackets and blanks: the state follows the last one.
        state = (PROC / str(pid) / "stat").read_text(errors="replace").rpartition(") ")[2][:1]
        command = (PROC / str(pid) / "cmdline").read_bytes().replace(b"\0", b" ")
    except (FileNotFoundError, ProcessLookupError):
        return "", ""
    return state, os.fsdecode(command)


def _ask_ps(pid: int) -> tuple[str, str]:
    told = subprocess.run(
        ["ps", "-o", "state=,command=", "-p", str(pid)], capture_output=True, text=True, check=False
    )
    state, _, command = told.stdout.strip().partition(" ")
    return state, command


def works_in(pid: int, pgdata: Path) -> bool:
    """Is this a Postgres process whose working folder is the data folder, as it is for every part of a server?"""
    try:
        at_home = (PROC / str(pid) / "cwd").samefile(pgdata)
    except OSError:
        return False
    return at_home and "postgres" in state_and_command(pid)[1]


def living_in(pgdata: Path) -> list[int]:
    """All living Postgres processes of the data folder; empty where there is no /proc."""
    if not PROC.joinpath("self").exists():
        return []
    numbers = [int(entry.name) for entry in PROC.iterdir() if entry.name.isdigit()]
    return [pid for pid in numbers if works_in(pid, pgdata) and state_and_command(pid)[0] not in DEAD_STATES]


def exists(pid: int) -> bool:
    """Would Postgres's own check take this number for a living process?"""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return False  # Postgres too takes somebody else's process for a stranger
    return True
