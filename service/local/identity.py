"""As whom the server's programs run.

Postgres refuses to run as root. An ordinary user runs it plainly. Root runs it in a user namespace of its own: the
programs see an unprivileged user, outside the files stay root's, nothing is handed over. Where namespaces are refused
(many containers) root runs it as `nobody`, who then owns the data. An existing data folder decides: its owner runs it.
"""

from __future__ import annotations

import ctypes
import os
import pwd
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.local.errors import LocalServerError

CLONE_NEWUSER = 0x10000000  # linux/sched.h
ROOT = 0


@dataclass(frozen=True)
class Identity:
    """Who runs the server's programs and owns its files."""

    kind: str  # "plain", "namespace" or "user"
    uid: int
    gid: int

    def run(self, command: Sequence[str]) -> subprocess.CompletedProcess[str]:
        """Run a program to its end and keep what it said."""
        return subprocess.run(
            command,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
            stdin=subprocess.DEVNULL,
            **self._how(),
        )

    def launch(self, command: Sequence[str], log: int) -> subprocess.Popen[bytes]:
        """Start a program that outlives this one, its words going to the open file `log`."""
        return subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True, **self._how()
        )

    def give(self, path: Path) -> None:
        """Hand a file of ours to whoever runs the server."""
        if self.kind == "user":
            os.chown(path, self.uid, self.gid)

    def _how(self) -> dict[str, Any]:
        how: dict[str, Any] = {"cwd": "/", "env": _environment(os.environ)}
        if self.kind == "user":
            how |= {"user": self.uid, "group": self.gid, "extra_groups": []}
        elif self.kind == "namespace":
            how["preexec_fn"] = _namespace_entrance()
        return how


def identity_for(pgdata: Path) -> Identity:
    """Who shall run the server of this data folder."""
    owner = _owner_of(pgdata)
    me = os.geteuid()
    if me != ROOT:
        return _ordinary(pgdata, owner, me)
    if owner is not None and owner[0] != ROOT:
        return Identity("user", *owner)
    if namespaces_allowed():
        return Identity("namespace", ROOT, ROOT)
    if owner is not None:
        raise LocalServerError(
            f"{pgdata} belongs to root, and this machine refuses the user namespace in which it was made. "
            "Give the folder to an ordinary user (chown -R) and start as that user."
        )
    nobody = pwd.getpwnam("nobody")
    return Identity("user", nobody.pw_uid, nobody.pw_gid)


def _ordinary(pgdata: Path, owner: tuple[int, int] | None, me: int) -> Identity:
    if owner is not None and owner[0] != me:
        raise LocalServerError(
            f"{pgdata} belongs to {_name(owner[0])}. Start as that user, or choose another --data-dir."
        )
    return Identity("plain", me, os.getegid())


def _owner_of(folder: Path) -> tuple[int, int] | None:
    try:
        found = folder.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except PermissionError as error:
        raise LocalServerError(
            f"{folder} cannot be entered by this user. Start as its owner, or choose another --data-dir."
        ) from error
    return found.st_uid, found.st_gid


def _name(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"


def namespaces_allowed() -> bool:
    """Try the namespace in a child that does nothing else."""
    try:
        tried = Identity("namespace", ROOT, ROOT).run(["/bin/sh", "-c", "exit 0"])
    except (OSError, subprocess.SubprocessError):
        return False
    return tried.returncode == 0


def _namespace_entrance() -> Callable[[], None]:
    # Looked up before the fork: the child then makes one system call and nothing else.
    try:
        unshare = ctypes.CDLL(None, use_errno=True).unshare
    except (AttributeError, OSError) as error:
        raise LocalServerError("this system has no user namespaces. Start as an ordinary user.") from error

    def enter() -> None:
        if unshare(CLONE_NEWUSER) != 0:
            raise OSError(ctypes.get_errno(), "user namespace refused")

    return enter


def _environment(given: Mapping[str, str]) -> dict[str, str]:
    """Without the PG... settings of the person's shell, which would steer the programs, and in plain English."""
    kept = {name: value for name, value in given.items() if not name.startswith(("PG", "LC_", "LANG"))}
    return kept | {"LC_ALL": "C"}
