"""Histories that the bench asks: data folders of ledgers as large as wanted, built once and kept.

    with history_of(100_000, Path("/somewhere/wide")) as folder:   # stopped, and yours: a copy, gone afterwards
        with service_in(folder) as service: ...

A kept history lies in `keep/<pulls>-<key>`; the key covers the schema, the way of deriving and the loader's own source, so
one that would come out otherwise today is not taken. It is written aside and renamed when it is whole. Beside the ledger
lies `loaded.json`: what loading took.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import psycopg
from psycopg import sql

from service.cli.ledger import migrate_aside, newest_revision, open_ledger
from service.domain.derive import METHOD
from service.local import LocalServer
from service.settings import Settings
from tests.bench.copied import load
from tests.bench.lived import fill_shop, lived
from tests.bench.planned import plan_of
from tests.bench.serving import ROOT, SERVICE

SOURCES = ("lives.py", "templates.py", "planned.py", "lived.py", "copied.py", "kept.py")
BYTES_A_PULL = 2200
"""At least so much is needed on disk."""
BYTES_BESIDE = 3_000_000_000
"""The server's log of changes while it is loaded, and some air."""
FACTS = "loaded.json"


class NoRoom(Exception):
    """The disk is too small for a history; the words say by how much."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a history came to, and what it took: wall clock [s], memory [MiB], disk with all indexes [bytes]."""

    pulls: int
    setups: int
    sessions: int
    cars: int
    lives_s: float
    load_s: float
    vacuum_s: float
    refit_s: float
    refit_cpu_s: float
    refit_mib: float
    bytes_a_pull: float
    bytes_of_table: dict[str, int]


@contextmanager
def history_of(pulls: int, keep: Path | None, *, own: bool = True) -> Iterator[Path]:
    """The data folder of a stopped ledger with about so many pulls, and its model fitted.

    keep: where histories are kept and looked for; None builds one for this once. own: False lends the kept folder itself
    instead of a copy, to those that change nothing in it.
    """
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            yield build(pulls, open_to_all(Path(folder)) / "ledger")
        return
    kept = kept_history(pulls, keep)
    if not own:
        yield kept
        return
    refuse_without_room(kept.parent, size_of(kept))
    with tempfile.TemporaryDirectory(prefix="copy-", dir=open_to_all(kept.parent)) as folder:
        yield copied(kept, open_to_all(Path(folder)) / "ledger")


def kept_history(pulls: int, keep: Path) -> Path:
    """The kept history of this size, built where there is none."""
    kept = keep / f"{pulls}-{key()}"
    if not kept.exists():
        keep.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix="building-", dir=open_to_all(keep)) as folder:
            built = build(pulls, open_to_all(Path(folder)) / "ledger")
            if not kept.exists():  # another run was not faster
                built.rename(kept)
    return kept


def key() -> str:
    """Of all that decides what a history holds."""
    here = Path(__file__).parent
    said = [
        str(newest_revision()).encode(),
        str(METHOD).encode(),
        *((here / name).read_bytes() for name in SOURCES),
    ]
    return hashlib.sha256(b"\0".join(said)).hexdigest()[:12]


def open_to_all(folder: Path) -> Path:
    """Root's server runs as somebody else, who must be able to walk in."""
    folder.chmod(folder.stat().st_mode | 0o011)
    return folder


def copied(history: Path, to: Path) -> Path:
    """A copy of a stopped history, with owners; on some file systems it takes no room until it is changed."""
    thrifty = ["--reflink=auto"] if sys.platform == "linux" else []
    subprocess.run(["cp", "-a", *thrifty, str(history), str(to)], check=True)
    return to


def size_of(folder: Path) -> int:
    """What a folder takes on disk [bytes]."""
    return sum(path.lstat().st_size for path in folder.rglob("*"))


def refuse_without_room(where: Path, needed: int) -> None:
    """Nothing is begun that the disk cannot hold."""
    free = shutil.disk_usage(where).free
    if free < needed:
        raise NoRoom(
            f"{where} has {free / 1e9:.1f} GB free, and {needed / 1e9:.1f} GB are needed: name another folder"
        )


def build(pulls: int, folder: Path) -> Path:
    """Make a ledger, load it, fit its model, and stop it."""
    refuse_without_room(folder.parent, BYTES_A_PULL * pulls + BYTES_BESIDE)
    with open_ledger(Settings(data_dir=folder)) as ledger:
        migrate_aside(ledger)
        assert ledger.server is not None
        facts = filled(ledger.server, folder, pulls)
    (folder / FACTS).write_text(json.dumps(asdict(facts), indent=1))
    return folder


def filled(server: LocalServer, folder: Path, pulls: int) -> Loaded:
    """Load a migrated ledger."""
    shop, plan = plan_of(pulls)
    began = time.monotonic()
    fill_shop(server.service_url, server.owner_url, shop)
    with beside(server, "lives") as urls:
        of_lives = lived(*urls, np.unique(plan.life).tolist())
    lives = time.monotonic()
    load(server.superuser_url, shop, plan, of_lives)
    loaded = time.monotonic()
    with psycopg.connect(server.superuser_url, autocommit=True) as conn:
        conn.execute("VACUUM ANALYZE")
        vacuumed = time.monotonic()
        wall_s, cpu_s, mib = refitted(folder)
        sizes = bytes_of_tables(conn)
        conn.execute("CHECKPOINT")
    return Loaded(
        pulls=plan.pulls,
        setups=plan.setup.size,
        sessions=plan.car.size,
        cars=len(plan.tag),
        lives_s=lives - began,
        load_s=loaded - lives,
        vacuum_s=vacuumed - loaded,
        refit_s=wall_s,
        refit_cpu_s=cpu_s,
        refit_mib=mib,
        bytes_a_pull=sum(sizes.values()) / plan.pulls,
        bytes_of_table=sizes,
    )


@contextmanager
def beside(server: LocalServer, name: str) -> Iterator[tuple[str, str, str]]:
    """A copy of the ledger's database while the block runs: its addresses as service, owner and superuser."""
    with psycopg.connect(server.superuser_url.replace("/bayledger?", "/postgres?"), autocommit=True) as conn:
        database = sql.Identifier(name)
        conn.execute(sql.SQL("CREATE DATABASE {} TEMPLATE bayledger OWNER bayledger_owner").format(database))
        conn.execute(sql.SQL("ALTER DATABASE {} SET synchronous_commit = off").format(database))
        urls = (server.service_url, server.owner_url, server.superuser_url)
        service, owner, above = (url.replace("/bayledger?", f"/{name}?") for url in urls)
        yield service, owner, above
        conn.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(database))


def refitted(folder: Path) -> tuple[float, float, float]:
    """Estimate the history model as `bayledger refit` does: wall clock and CPU [s], most memory [MiB]."""
    command = [*SERVICE, "refit", "--wait", "--quiet", "--data-dir", str(folder)]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("BAYLEDGER_")}
    began = time.monotonic()
    process = subprocess.Popen(command, cwd=ROOT, env=environment)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise RuntimeError(f"refit ended with {process.returncode}")
    kib = used.ru_maxrss if sys.platform == "linux" else used.ru_maxrss / 1024.0
    return time.monotonic() - began, used.ru_utime + used.ru_stime, kib / 1024.0


def bytes_of_tables(conn: "psycopg.Connection[tuple[str, int]]") -> dict[str, int]:
    """What each table takes with its indexes and what is stored beside it, largest first."""
    rows = conn.execute("""
        SELECT relname, pg_total_relation_size(oid) FROM pg_class
        WHERE  relkind = 'r' AND relnamespace = 'public'::regnamespace ORDER BY 2 DESC
    """)
    return dict(rows.fetchall())


def facts_of(folder: Path) -> Loaded:
    """What loading a history took."""
    return Loaded(**json.loads((folder / FACTS).read_text()))
