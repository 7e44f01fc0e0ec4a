"""The bay's program killed -9 at fifty random moments while it takes files, fills the spool and sends."""

import random
import time
from collections import Counter

import pytest

from tests.bay.computer import Computer, kill
from tests.bay.conftest import BAYS, CARS
from tests.local.conftest import wait_until

pytestmark = pytest.mark.machine  # a minute and a half of kills

SEED = 18
KILLS = 50
FILES_A_ROUND = 5
MOST_LINES = 9
"""A life in which nothing is killed says about so much: five files taken, one or two sessions closed and kept."""
LONGEST_BETWEEN_S = 0.03
"""About one step, from one line to the next."""
NOTHING_MORE_S = 3.0
PATIENCE_S = 60.0
CAR_CHANGES_EVERY = 3


def a_life(computer: Computer, rng: random.Random) -> None:
    """Start watching, and kill it at a random moment of its work: by how far it has come, so that a slow machine is no
    other test."""
    before, lines = computer.said.count("Watching"), rng.randrange(MOST_LINES)
    process = computer.starts("watch", str(computer.export), "--settled", "0")
    wait_until(lambda: computer.said.count("Watching") > before or not process.is_alive(), PATIENCE_S)
    assert process.is_alive(), computer.said
    begun, end = computer.said.count("\n"), time.monotonic() + NOTHING_MORE_S
    while computer.said.count("\n") < begun + lines and time.monotonic() < end:
        time.sleep(0.002)
    time.sleep(rng.uniform(0.0, LONGEST_BETWEEN_S))
    kill(process)


def test_fifty_kills_lose_no_file_and_double_none(real_ledger, tmp_path):
    rng = random.Random(SEED)
    computer = Computer(tmp_path, BAYS[0], real_ledger.url(), real_ledger.post_token(BAYS[0]))
    assert computer.runs("send", "--car", CARS[0], "--parts", "none") == 0
    first = computer.starts("watch", str(computer.export))
    wait_until(lambda: "Watching" in computer.said, PATIENCE_S)
    kill(first)

    offered, car, unsent = Counter(), CARS[0], 0
    for life in range(KILLS):
        for n in range(FILES_A_ROUND):
            sidecar = None
            if (life * FILES_A_ROUND + n) % CAR_CHANGES_EVERY == 0:
                car = rng.choice([other for other in CARS[:10] if other != car])
                sidecar = f'car = "{car}"\nparts = []\n'
            computer.machine_writes(f"pull-{life:02d}-{n}.csv", rng, sidecar)
            offered[car] += 1
        a_life(computer, rng)
        unsent += bool(computer.waiting())

    last = computer.starts("watch", str(computer.export), "--settled", "0")
    name = f"pull-{KILLS - 1:02d}-{FILES_A_ROUND - 1}.csv"
    wait_until(
        lambda: f"{name}: 1 pull into" in computer.said or f"{name} was taken" in computer.said, PATIENCE_S
    )
    wait_until(lambda: not computer.waiting(), PATIENCE_S)
    kill(last)
    assert computer.runs("done") == 0
    assert computer.waiting() == []

    kept = Counter(
        dict(
            real_ledger.rows(
                "SELECT vehicle.tag, count(*) FROM pull JOIN setup USING (setup_id) JOIN session USING (session_id) "
                "JOIN vehicle USING (vehicle_id) GROUP BY vehicle.tag"
            )
        )
    )
    lost, doubled = offered - kept, kept - offered
    replayed = computer.said.count("was kept before")
    sessions = real_ledger.rows("SELECT count(*) FROM session")[0][0]
    print(
        f"\n{KILLS + 2} kills, {unsent} with sessions in the spool, {replayed} sessions sent again that the ledger had; "
        f"{offered.total()} files offered, {kept.total()} pulls in {sessions} sessions; lost {lost.total()}, "
        f"doubled {doubled.total()}"
    )
    assert lost == Counter()
    assert doubled == Counter()
    assert "refused" not in computer.said
    assert sessions == real_ledger.rows("SELECT count(DISTINCT sequence) FROM session")[0][0]
    assert unsent >= 5, "too few kills met a session under way to prove anything"
