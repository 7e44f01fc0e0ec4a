"""What an import of old history costs, beside a bare copy of as many rows into one table of the same database.

An invented shop's old spreadsheet: cars of six platforms that come back now and then with one part more or less, most of
it peaks alone, some with the air and the engine's temperatures written down. Figures are CPU, so that what else runs on a
machine adds little: of the program, and of Postgres with all its processes.
"""

import csv
import itertools
import math
import os
import random
import subprocess
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import islice
from pathlib import Path

import psycopg

from service.local import LocalServer, start_server
from tests.bench.serving import ROOT, SERVICE
from tests.old_columns import EVERY, headings, mapped

COLUMNS = (
    "date", "vehicle", "bay", "parts", "power", "power_rpm", "torque", "torque_rpm", "best_of", "temperature", "pressure",
    "humidity", "coolant", "inlet", "standard",
)  # fmt: skip
NAMES = headings(*COLUMNS)
MAPPING = (
    mapped(*COLUMNS)
    + EVERY
    + """
stock_checked = "declared"
[parts]
stock = []
[standards]
"as measured" = "observed"
"DIN" = "din-70020"
"""
)

PROGRAM, POSTGRES = "CPU of the program, a further row [ms]", "CPU of Postgres, a further row [ms]"
OVER_BARE = "CPU of both over a bare executemany"
AGAIN = "the same file again, over the first time"
AT_100K = "100,000 rows at that rate, CPU [min]"
MEMORY, FLAT = "peak memory [MiB]", "over that of a tenth of the rows"
TARGETS: Mapping[str, float] = {AT_100K: 5.0, FLAT: 1.25}

PLATFORMS, BAYS, PARTS = 6, 3, 24
ROWS_A_CAR = 6
ROWS_A_STRAP_DOWN = (1, 1, 1, 2, 2, 3)
YEARS = 20
AIR_KNOWN = 0.4
MOST_FITTED = 5
SEED = 20261126
LOOK_EVERY_S = 0.05


def old_rows(count: int) -> Iterator[tuple[str, ...]]:
    """So many rows of the spreadsheet, the oldest first: strap-downs evenly over the years; a car's parts stay on it, and
    now and then one more comes on."""
    rng, first, cars = random.Random(SEED), date(2004, 1, 5), cars_of(count)
    days_between = 365 * YEARS / (count / (sum(ROWS_A_STRAP_DOWN) / len(ROWS_A_STRAP_DOWN)))
    fitted: dict[int, list[int]] = defaultdict(list)

    def strap_down(n: int) -> Iterator[tuple[str, ...]]:
        day, car = first + timedelta(days=int(n * days_between)), rng.randrange(cars)
        air = (
            (rng.gauss(20, 4), rng.gauss(1008, 6), rng.uniform(30, 60)) if rng.random() < AIR_KNOWN else None
        )
        for i in range(rng.choice(ROWS_A_STRAP_DOWN)):
            new = rng.randrange(PARTS)
            if i and len(fitted[car]) < MOST_FITTED and new not in fitted[car]:
                fitted[car].append(new)
            yield old_row(rng, day, car, n % BAYS, fitted[car], air)

    return islice((row for n in itertools.count(1) for row in strap_down(n)), count)


def cars_of(rows: int) -> int:
    """Of how many cars so many rows speak."""
    return max(rows // ROWS_A_CAR, 1)


def old_row(
    rng: random.Random,
    day: date,
    car: int,
    bay: int,
    parts: Sequence[int],
    air: tuple[float, ...] | None,
) -> tuple[str, ...]:
    """One setup by its peaks: each part gains three percent, give or take."""
    level = (1.0 + 0.01 * (car % 7 - 3)) * 1.03 ** len(parts) * math.exp(rng.gauss(0.0, 0.008))
    power, torque = 110.0 * (1 + car % PLATFORMS * 0.2) * level, 190.0 * (1 + car % PLATFORMS * 0.2) * level
    weather = [f"{value:.1f}" for value in air] if air else ["", "", ""]
    engine = [f"{rng.gauss(89, 1):.0f}", f"{rng.gauss(26, 1):.0f}"] if air else ["", ""]
    basis = "as measured" if air else rng.choice(("DIN", "", ""))
    return (
        day.strftime("%d.%m.%Y"), f"car-{car:06d}", f"bay-{bay}", "+".join(f"part-{n}" for n in parts) or "stock",
        f"{power:.2f}", f"{rng.gauss(5600, 60):.0f}", f"{torque:.2f}", f"{rng.gauss(3400, 60):.0f}", rng.choice(("", "1", "3")),
        *weather, *engine, basis,
    )  # fmt: skip


def write_history(path: Path, count: int) -> None:
    """The spreadsheet as delimited text, and its mapping beside it."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(NAMES)
        table.writerows(old_rows(count))
    path.with_suffix(".toml").write_text(MAPPING, encoding="utf-8")


def fill_shop(connection: psycopg.Connection, count: int) -> None:
    """Bays, platforms, parts and as many cars as so many rows speak of."""
    slots = [row[0] for row in connection.execute("SELECT slug::text FROM slot ORDER BY slug").fetchall()]
    with connection.transaction(), connection.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO bay (slug, name, kind) VALUES (%s, %s, 'roller-loaded')",
            [(f"bay-{n}", f"Bay {n}") for n in range(BAYS)],
        )
        cursor.executemany(
            "INSERT INTO platform (slug, name, aspiration, ignition, rpm_limit) VALUES (%s, %s, 'turbo', 'spark', 6800)",
            [(f"platform-{n}", f"Platform {n}") for n in range(PLATFORMS)],
        )
        cursor.executemany(
            "WITH made AS (INSERT INTO part (slug, name) VALUES (%s, %s) RETURNING part_id)"
            " INSERT INTO part_slot (part_id, slot) SELECT part_id, %s FROM made",
            [(f"part-{n}", f"Part {n}", slots[n % len(slots)]) for n in range(PARTS)],
        )
        cursor.executemany(
            "INSERT INTO vehicle (tag, platform_id) SELECT %s, platform_id FROM platform WHERE slug = %s",
            [(f"car-{n:06d}", f"platform-{n % PLATFORMS}") for n in range(cars_of(count))],
        )


def postgres_seconds(server: LocalServer) -> float:
    """CPU of the database with all its processes, those that ended too [s] (Linux)."""
    master = server.cluster.running_pid()
    children = Path(f"/proc/{master}/task/{master}/children").read_text().split()
    return ticks(str(master), 4) + sum(ticks(pid, 2) for pid in children)


def ticks(pid: str, fields: int) -> float:
    """User and system time of a process, with `fields` = 4 that of its ended children too [s]."""
    try:
        rest = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    except FileNotFoundError:
        return 0.0
    return sum(map(int, rest[11 : 11 + fields])) / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Cost:
    """What a command took: CPU of the program and of Postgres [s], wall [s], peak memory of the program [MiB]."""

    program_s: float
    postgres_s: float
    wall_s: float
    peak_mib: float

    @property
    def cpu_s(self) -> float:
        """CPU in all [s]."""
        return self.program_s + self.postgres_s


def imported(server: LocalServer, file: Path) -> Cost:
    """Import a file by the command, in a process of its own."""
    return ran(server, ["import", str(file), "--mapping", str(file.with_suffix(".toml"))])


def ran(server: LocalServer, words: Sequence[str]) -> Cost:
    """Run a command of `bayledger` on a ledger to its end; one that fails is an error."""
    before, began, peak_mib = postgres_seconds(server), time.monotonic(), 0.0
    process = command(server, words)
    ended = 0
    try:
        while not ended:
            time.sleep(LOOK_EVERY_S)
            peak_mib = max(peak_mib, most_held_mib(process.pid))
            ended, status, used = os.wait4(process.pid, os.WNOHANG)
    except BaseException:  # nothing is left behind when the bench is stopped
        process.terminate()
        process.wait()
        raise
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise RuntimeError(f"{words[0]} ended with {process.returncode}")
    wall = time.monotonic() - began
    return Cost(used.ru_utime + used.ru_stime, postgres_seconds(server) - before, wall, peak_mib)


def most_held_mib(pid: int) -> float:
    """The most memory that a process held at once so far [MiB] (Linux). What the system says of an ended child counts in
    what its parent held as it was started."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024.0
    return 0.0


def command(server: LocalServer, words: Sequence[str]) -> "subprocess.Popen[bytes]":
    """A command of `bayledger` on a ledger, started."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("BAYLEDGER_")}
    words = [*SERVICE, *words, "--data-dir", str(server.data_dir)]
    return subprocess.Popen(words, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)


def bare_seconds(server: LocalServer, file: Path) -> float:
    """CPU of writing a file's rows as they are into one table, by executemany in one transaction, both sides [s]."""
    with file.open(newline="", encoding="utf-8") as text:
        rows = list(csv.reader(text))[1:]
    before, began = postgres_seconds(server), time.process_time()
    columns, values = ", ".join(f"c{n} text" for n in range(len(NAMES))), ", ".join(["%s"] * len(NAMES))
    with psycopg.connect(server.owner_url) as connection:
        connection.execute(f"CREATE TABLE bare ({columns})")
        connection.cursor().executemany(f"INSERT INTO bare VALUES ({values})", rows)
        connection.execute("DROP TABLE bare")
    return time.process_time() - began + postgres_seconds(server) - before


@contextmanager
def ledger_for(rows: int) -> Iterator[tuple[LocalServer, Path]]:
    """A ledger without sessions, and a spreadsheet of so many rows for it."""
    with (
        tempfile.TemporaryDirectory(prefix="bench-") as folder,
        start_server(Path(folder) / "ledger") as server,
    ):
        if command(server, ["migrate", "--quiet"]).wait() != 0:
            raise RuntimeError("the ledger could not be migrated")
        with psycopg.connect(server.owner_url, autocommit=True) as connection:
            fill_shop(connection, rows)
        file = Path(folder) / "old.csv"
        write_history(file, rows)
        yield server, file


def import_figures(rows: int) -> Mapping[str, float]:
    """What an import of so many rows costs, beside one of a tenth of them and a bare copy. A further row is what the rows
    cost that the tenth did not have: without starting."""
    with ledger_for(rows // 10) as (server, file):
        tenth = imported(server, file)
    with ledger_for(rows) as (server, file):
        cost, bare, again = imported(server, file), bare_seconds(server, file), imported(server, file)
    more = rows - rows // 10
    program_s, postgres_s = cost.program_s - tenth.program_s, cost.postgres_s - tenth.postgres_s
    return {
        PROGRAM: 1000.0 * program_s / more,
        POSTGRES: 1000.0 * postgres_s / more,
        OVER_BARE: cost.cpu_s / bare,
        AGAIN: again.cpu_s / cost.cpu_s,
        AT_100K: (program_s + postgres_s) / more * 100_000 / 60.0,
        MEMORY: cost.peak_mib,
        FLAT: cost.peak_mib / tenth.peak_mib,
    }
