"""A history served by the real service, with everything that is asked of it at hand."""

import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg

from service.domain.codec import FLOAT_ENCODING, STEPS_ENCODING
from service.local import LocalServer, start_server
from service.store.fits import estimating
from tests.bench.cases import Asker, Case, deep_page, every_case, gain
from tests.bench.clients import Crowd
from tests.bench.direct import Direct, RawStore, every_direct, raw_store
from tests.bench.importing import ran
from tests.bench.kept import facts_of
from tests.bench.line import Line
from tests.bench.lives import ASKED_HATCH, ASKED_MANY
from tests.bench.meter import Meter
from tests.bench.posting import BAYS, Posting
from tests.bench.serving import Service, service_in

Connection = psycopg.Connection[Any]
MIB_TO_GB = 2**20 / 1e9
PATIENCE_S, POLL_S = 900.0, 0.2
NOT_YET = "is not in it yet"
"""What an answer says while a post is taken in behind it (service/answers/cautions.py)."""


@dataclass(frozen=True)
class Estimate:
    """What estimating the model took: CPU of the program and the database [min], most memory of the program [GB]."""

    cpu_min: float
    peak_gb: float


@dataclass(frozen=True)
class Served:
    """One history under measurement. `estimate` is what estimating its model anew took, `loaded_mb` the memory of the
    serving process once each kind of request was answered, `stepped_kb` disk per pull before anything was posted."""

    pulls: int
    service: Service
    server: LocalServer
    line: Line
    crowd: Crowd
    meter: Meter
    posting: Posting
    raw: RawStore
    cases: list[Case]
    directs: list[Direct]
    estimate: Estimate
    loaded_mb: float
    stepped_kb: float

    @property
    def of(self) -> str:
        """How the report calls it."""
        return f"{self.pulls:,} pulls"


@contextmanager
def served(folder: Path, run: str, *, cars: int, estimate_anew: bool, processes: int) -> Iterator[Served]:
    """Serve the ledger of a data folder by so many processes, its statistics fresh and its model estimated: now, or as it was
    loaded. Posts go to so many cars of the run's own."""
    with ExitStack() as stack:
        server = stack.enter_context(start_server(folder))
        with psycopg.connect(server.owner_url, autocommit=True) as owner:
            owner.execute("VACUUM (ANALYZE)")
        estimate = estimated(server) if estimate_anew else as_loaded(folder)
        pulls, stepped_kb = disk_of(server.owner_url)
        service = stack.enter_context(service_in(folder, processes))
        stack.enter_context(no_other_estimate(server.service_url))
        postgres = server.cluster.running_pid()
        assert postgres is not None
        line = stack.enter_context(Line(service.url, service.token))
        posting = Posting(line, run, cars)
        raw = stack.enter_context(raw_store(server.owner_url, run))
        conn = stack.enter_context(psycopg.connect(server.service_url, autocommit=True))
        cases = every_case(Asker(line, posting), deep_page(server.owner_url))
        wait_for_model(line)
        for case in cases:
            line.send(case.request())
        yield Served(
            pulls=pulls,
            service=service,
            server=server,
            line=line,
            crowd=stack.enter_context(Crowd(service.url, service.token, BAYS)),
            meter=Meter(service.pid, postgres),
            posting=posting,
            raw=raw,
            cases=cases,
            directs=every_direct(conn, posting, raw),
            estimate=estimate,
            loaded_mb=service.pss_mb(),
            stepped_kb=stepped_kb,
        )


def estimated(server: LocalServer) -> Estimate:
    """Estimate the model once more, by this commit's code."""
    cost = ran(server, ["refit", "--wait", "--quiet"])
    return Estimate(cost.cpu_s / 60.0, cost.peak_mib * MIB_TO_GB)


def as_loaded(folder: Path) -> Estimate:
    """What it took when the history was loaded."""
    facts = facts_of(folder)
    return Estimate(facts.refit_cpu_s / 60.0, facts.refit_mib * MIB_TO_GB)


@contextmanager
def no_other_estimate(url: str) -> Iterator[None]:
    """Hold the lock of whoever estimates the model, so that no estimate in the background begins while it is measured
    (what the bench posts would call for one)."""
    deadline = time.monotonic() + PATIENCE_S
    with psycopg.connect(url, autocommit=True) as lock:
        while True:
            with estimating(lock) as alone:
                if alone:
                    yield
                    return
            if time.monotonic() > deadline:
                raise TimeoutError("another estimate of the model has not ended")
            time.sleep(POLL_S)


def wait_for_model(line: Line) -> None:
    """Ask until the service has solved the history: until then it answers without its model, and all too soon."""
    deadline = time.monotonic() + PATIENCE_S
    while not line.json("GET", f"/v1/outliers?platform={ASKED_HATCH}&limit=1")["looked_at"]:
        if time.monotonic() > deadline:
            raise TimeoutError("the service has not solved the history's model")
        time.sleep(POLL_S)


def wait_until_taken_in(line: Line) -> None:
    """Ask until all that was posted is in the answers: a large history's model follows behind them."""
    deadline = time.monotonic() + PATIENCE_S
    asked = gain(ASKED_MANY, curve=True, model=True)
    while any(NOT_YET in caution for caution in line.json("GET", asked)["cautions"]):
        if time.monotonic() > deadline:
            raise TimeoutError("the service has not taken in what was posted")
        time.sleep(POLL_S)


def disk_of(owner_url: str) -> tuple[int, float]:
    """How many pulls a ledger holds, and the disk for each, all tables and indexes together [kB]."""
    with psycopg.connect(owner_url) as conn:
        row = conn.execute(
            """
            SELECT (SELECT count(*) FROM pull), sum(pg_total_relation_size(oid))
            FROM   pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace
            """
        ).fetchone()
    assert row is not None
    return int(row[0]), float(row[1]) / int(row[0]) / 1000.0


def unstepped_kb(owner_url: str, stepped_kb: float) -> float:
    """Disk per pull where no resolution was declared [kB]: as with it, but for the samples, which are kept as float32."""
    with psycopg.connect(owner_url) as conn:
        rows = conn.execute(
            "SELECT enc, avg(pg_column_size(raw))::float8 FROM pull_raw GROUP BY enc"
        ).fetchall()
    sizes: dict[int, float] = dict(rows)
    return stepped_kb + (sizes[FLOAT_ENCODING] - sizes[STEPS_ENCODING]) / 1000.0
