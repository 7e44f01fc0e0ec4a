"""What a real ledger tells a bay with the bay's own token: who it is, which names it knows, what its session read."""

import random

from tests.bay.computer import Computer
from tests.bay_page.conftest import made


def test_status_is_well_with_the_bays_own_token_and_not_with_nonsense_or_another_bay(real_ledger, tmp_path):
    url, token = real_ledger.url(), real_ledger.post_token("bay-0")
    well = Computer(tmp_path / "a", "bay-0", url, token)
    assert well.runs("status") == 0, well.said
    nonsense = Computer(tmp_path / "b", "bay-0", url, "nonsense")
    assert nonsense.runs("status") == 1
    assert "the ledger does not know the token" in nonsense.said
    other = Computer(tmp_path / "c", "bay-1", url, token)
    assert other.runs("status") == 1
    assert "is of bay bay-0, and this is bay bay-1" in other.said
    nowhere = Computer(tmp_path / "d", "bay-77", url, token)
    assert nowhere.runs("status") == 1
    assert "The ledger says: there is no bay 'bay-77'" in nowhere.said


def test_a_wrong_part_is_said_at_once_put_right_when_refused_and_the_session_is_reviewed(
    real_ledger, tmp_path
):
    computer = Computer(tmp_path, "bay-2", real_ledger.url(), real_ledger.post_token("bay-2"))
    part = real_ledger.ask("GET", "/v1/parts").json()["items"][0]["slug"]
    wrong = part[:-1]
    file = computer.machine_writes("a.csv", random.Random(1))
    assert computer.runs("send", str(file), "--car", "car-01", "--parts", wrong) == 0
    assert f"Careful: there is no part '{wrong}'" in computer.said
    assert computer.runs("done") == 1
    assert f"setup 1: part '{wrong}' is not known; nearest: {part}" in computer.said
    assert computer.runs("spool", "retry", "1", "--part", f"{wrong}={part}") == 0, computer.said
    second = computer.machine_writes("b.csv", random.Random(2))
    assert computer.runs("send", str(second), "--car", "car-01", "--parts", "none") == 0
    assert computer.runs("done") == 0
    assert "Session 2 of car-01: kept." in computer.said
    assert "  Setup 1" in computer.said.partition("Session 2 of car-01: kept.")[2]


def test_what_a_pair_of_the_session_shows_and_why_it_counts_nowhere_is_said_at_once(real_ledger, tmp_path):
    computer = Computer(tmp_path, "bay-2", real_ledger.url(), real_ledger.post_token("bay-2"))
    part = real_ledger.ask("GET", "/v1/parts").json()["items"][0]["slug"]
    for seed, fitted in ((11, "none"), (12, part)):
        file = computer.machine_writes(f"{seed}.csv", random.Random(seed))
        assert computer.runs("send", str(file), "--car", "car-02", "--parts", fitted) == 0, computer.said
    assert computer.runs("done") == 0, computer.said
    (said,) = (line for line in computer.said.splitlines() if line.startswith(f"  {part}: "))
    assert ", in this session; left out of the answers while a doubt stands." in said


def test_a_car_is_added_from_the_page_and_its_session_is_kept_and_shown(real_ledger, tmp_path):
    bay = made(tmp_path, real_ledger.url(), bay="bay-3", token=real_ledger.post_token("bay-3"))
    bay.station.ledger.look()
    kind = bay.station.memory.names("kinds")[0]
    assert "heron-501 is in the ledger now." in bay.press("/add/heron-501", kind=kind, sure="yes").text
    bay.choose("heron-501")
    bay.machine_writes("a.csv")
    bay.attach("a.csv")
    bay.press("/off", session=bay.station.desk.work().id)
    bay.station.sender.send_all(attempts=1)
    bay.station.hear_review()
    page = bay.get("/")
    assert "heron-501: kept as session 1" in page
    assert "<li>Setup 1" in page
