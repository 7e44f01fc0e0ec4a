"""An import killed at any moment and run again: nothing is lost, nothing is doubled."""

import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.factories import a_shop
from tests.live import ROOT, clean_environment
from tests.transfer.conftest import OwnLedger, closed, own_ledger
from tests.transfer.old_files import COMMA, MAPPING, import_file, row, write_csv

CARS = 10
ONCE, AGAIN_AND_AGAIN = (30, 1), (90, 3)
"""Days of records, and how often their import is killed: once in every run, again and again where minutes are given."""
PATIENCE_S = 120
WHAT_IS_KEPT = """
    SELECT   session.id, tag::text, started_at, posted_by,
             ARRAY(SELECT (setup.n, label, parts_known, posted_power_kw, posted_torque_nm, power_kw)::text
                   FROM setup JOIN pull USING (setup_id) WHERE setup.session_id = session.session_id ORDER BY setup.n),
             ARRAY(SELECT code FROM finding WHERE finding.session_id = session.session_id ORDER BY 1),
             ARRAY(SELECT (action, after ->> 'row', after -> 'label')::text FROM history
                   WHERE about LIKE 'sessions/' || session.id || '%' ORDER BY history_id),
             (SELECT count(*) FROM pair JOIN setup ON setup_with = setup_id WHERE setup.session_id = session.session_id)
    FROM     session JOIN vehicle USING (vehicle_id)
    ORDER BY session.id
"""


@pytest.fixture
def ledgers(server) -> Iterator[tuple[OwnLedger, OwnLedger]]:
    """Two ledgers of the same small shop."""
    both = own_ledger(server, "killed"), own_ledger(server, "unkilled")
    for one in both:
        a_shop(one.client, CARS)
    yield both
    for one in both:
        closed(one)
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        for name in ("killed", "unkilled"):
            above.execute(f"DROP DATABASE {name} WITH (FORCE)")


def kept(ledger: OwnLedger) -> list[Any]:
    """Every session with all that an import wrote of it."""
    with psycopg.connect(ledger.service_url) as connection:
        return connection.execute(WHAT_IS_KEPT).fetchall()


def started(ledger: OwnLedger, file: Path) -> subprocess.Popen[bytes]:
    """The import in a process of its own."""
    command = [
        sys.executable,
        "-m",
        "service",
        "import",
        str(file),
        "--mapping",
        str(file.with_suffix(".toml")),
    ]
    environment = clean_environment() | {"BAYLEDGER_DATABASE_URL": ledger.service_url}
    return subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )


def kill_within(process: subprocess.Popen[bytes], ledger: OwnLedger, chance: random.Random) -> int:
    """Wait until it has kept more than there was, then a moment longer, and kill it; answers how many are kept."""
    with psycopg.connect(ledger.service_url, autocommit=True) as sight:
        before = sight.execute("SELECT count(*) FROM session").fetchone()[0]
        end = time.monotonic() + PATIENCE_S
        while (
            process.poll() is None and sight.execute("SELECT count(*) FROM session").fetchone()[0] == before
        ):
            assert time.monotonic() < end, "nothing was kept in time"
            time.sleep(0.005)
        time.sleep(chance.uniform(0.0, 0.2))
        process.kill()
        process.wait(timeout=PATIENCE_S)
        process.stderr.close()
        return int(sight.execute("SELECT count(*) FROM session").fetchone()[0])


@pytest.mark.parametrize(
    ("days", "kills"),
    [ONCE, pytest.param(*AGAIN_AND_AGAIN, marks=pytest.mark.machine)],
    ids=["once", "again"],
)
def test_a_killed_import_keeps_every_row_once_when_it_is_run_again(ledgers, tmp_path, days, kills):
    killed, unkilled = ledgers
    rows = [
        row(
            date=f"{day % 28 + 1:02d}.{day // 28 + 1:02d}.2019",
            car=f"stoat-{car}",
            fitted=fitted,
            kw=f"{150 + car + extra},5",
            notes=f"{day} {car}",
        )
        for day in range(1, days + 1)
        for car in range(1, CARS + 1)
        for fitted, extra in (("stock", 0), ("wide one", 6))[: 1 + (car + day) % 2]
    ]
    file = write_csv(tmp_path / "old.csv", rows)
    file.with_suffix(".toml").write_text(COMMA + MAPPING, encoding="utf-8")
    chance = random.Random(8)
    counts = [kill_within(started(killed, file), killed, chance) for _ in range(kills)]
    assert any(0 < count < CARS * days for count in counts)  # else nothing was cut
    last = started(killed, file)
    said = last.communicate(timeout=PATIENCE_S)[1]
    assert last.returncode == 0, said
    with psycopg.connect(unkilled.service_url, autocommit=True) as connection:
        done = import_file(connection, file)
    assert {one.fate for one in done.fates} <= {"accepted", "questioned"}
    assert len(kept(killed)) == CARS * days
    assert kept(killed) == kept(unkilled)
