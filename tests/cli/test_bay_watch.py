"""`bayledger bay watch`: a real program over a real folder, ended as a service manager ends it."""

import os
import random
import re
import signal
import time

import pytest

from tests.bay.answering import Answer, answering, kept, problem
from tests.bay.computer import Computer, table
from tests.local.conftest import wait_until

PATIENCE_S = 60.0


@pytest.fixture
def ledger():
    with answering(kept) as ledger:
        yield ledger


@pytest.fixture
def computer(tmp_path, ledger):
    return Computer(tmp_path, "north", ledger.url, "t", watch=str(tmp_path / "export"))


def ended(process, how):
    """End it by a signal; answers its exit code."""
    os.kill(process.pid, how)
    process.join(timeout=PATIENCE_S)
    return process.exitcode


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_files_are_taken_as_they_come_and_a_signal_ends_it_cleanly(computer, ledger, how):
    assert computer.runs("send", "--car", "stoat-014", "--parts", "none") == 0
    computer.machine_writes("from before.csv", random.Random(1))
    process = computer.starts("watch", "--settled", "0.2")
    wait_until(lambda: "1 file from before left alone" in computer.said, PATIENCE_S)
    computer.machine_writes("a.csv", random.Random(2))
    wait_until(lambda: "a.csv: 1 pull into session 1 of stoat-014" in computer.said, PATIENCE_S)
    assert ended(process, how) == 0
    assert computer.said.endswith("Stopped. What was taken and what waits is on the disk.\n")
    assert "from before.csv" not in computer.said
    assert all(re.match(r"\d\d:\d\d:\d\d \S", line) for line in computer.said.splitlines()[1:])


def test_a_file_that_is_written_slowly_is_taken_whole(computer, ledger):
    """Its two halves come 0.5 s apart; a file counts as complete after 4 s, so that a busy machine may be eight times as
    slow. The first half alone would be a table too."""
    assert computer.runs("send", "--car", "stoat-014", "--parts", "none") == 0
    process = computer.starts("watch", "--settled", "4")
    wait_until(lambda: "Watching" in computer.said, PATIENCE_S)
    text = table(random.Random(3))
    half = text.index("4100;")
    with (computer.export / "slow.csv").open("w") as file:
        file.write(text[:half])
        file.flush()
        time.sleep(0.5)
        file.write(text[half:])
    wait_until(lambda: "slow.csv: 1 pull" in computer.said, PATIENCE_S)
    assert ended(process, signal.SIGTERM) == 0
    assert computer.runs("done") == 0
    (session,) = ledger.posts
    assert len(session["setups"][0]["pulls"][0]["curve"]["rpm"]) == 30


def test_half_a_file_that_is_taken_because_the_wait_was_set_short_is_taken_anew_when_it_is_whole(
    tmp_path, ledger
):
    computer = Computer(tmp_path, "north", ledger.url, "t", watch=str(tmp_path / "export"))
    with (computer.bay_dir / "bay.toml").open("a") as settings:
        settings.write("cut_short_wait_s = 0\n")
    assert computer.runs("send", "--car", "stoat-014", "--parts", "none") == 0
    process = computer.starts("watch", "--settled", "0")
    wait_until(lambda: "Watching" in computer.said, PATIENCE_S)
    text = table(random.Random(3))
    with (computer.export / "w_4.csv").open("w") as file:
        file.write(text[: text.index("4100;") + 3])
        file.flush()
        wait_until(lambda: "w_4.csv: 1 pull" in computer.said, PATIENCE_S)
        file.write(text[text.index("4100;") + 3 :])
    wait_until(lambda: "w_4.csv grew: its pull was taken anew" in computer.said, PATIENCE_S)
    assert ended(process, signal.SIGTERM) == 0
    assert computer.runs("done") == 0
    (session,) = ledger.posts
    assert [len(pull["curve"]["rpm"]) for pull in session["setups"][0]["pulls"]] == [30]


def test_a_closed_session_is_sent_while_the_folder_is_watched(computer, ledger):
    assert computer.runs("send", "--car", "stoat-014", "--parts", "none") == 0
    process = computer.starts("watch", "--settled", "0")
    wait_until(lambda: "Watching" in computer.said, PATIENCE_S)
    computer.machine_writes("a.csv", random.Random(2), 'car = "heron-002"\nparts = ["wide-pipe"]\n')
    computer.machine_writes("b.csv", random.Random(3), 'car = "stoat-014"\nparts = []\n')
    wait_until(lambda: "Session 1 of heron-002: kept." in computer.said, PATIENCE_S)
    assert ended(process, signal.SIGTERM) == 0
    assert [post["vehicle"] for post in ledger.posts] == ["heron-002"]


def test_a_car_or_part_that_the_ledger_does_not_know_is_said_while_the_car_still_stands_there(tmp_path):
    def ask(path):
        known = path in ("/v1/parts/wide-pipe", "/v1/ready")
        return Answer(200, {}) if known else problem(404, f"there is no {path.rpartition('/')[2]}")

    with answering(kept, ask) as ledger:
        computer = Computer(tmp_path, "north", ledger.url, "t", watch=str(tmp_path / "export"))
        process = computer.starts("watch", "--settled", "0")
        wait_until(lambda: "Watching" in computer.said, PATIENCE_S)
        sidecar = 'car = "stoat-041"\nparts = ["wide-pipe", "mesh-pip"]\n'
        computer.machine_writes("a.csv", random.Random(1), sidecar)
        computer.machine_writes("b.csv", random.Random(2), sidecar)
        wait_until(lambda: "b.csv: 1 pull" in computer.said, PATIENCE_S)
        assert ended(process, signal.SIGTERM) == 0
    assert [line.partition(" ")[2] for line in computer.said.splitlines() if "Careful" in line] == [
        f"Careful: there is no {name}. Taken all the same; unless the ledger knows it by then, the session will be refused."
        for name in ("stoat-041", "mesh-pip")
    ]


def test_a_file_given_up_is_taken_when_the_mapping_was_mended_meanwhile(computer, ledger):
    assert computer.runs("send", "--car", "stoat-014", "--parts", "none") == 0
    mapping = computer.bay_dir / "mapping.toml"
    right = mapping.read_text()
    mapping.write_text(right.replace("Torque (Nm)", "Torque (N.m)"))
    process = computer.starts("watch", "--settled", "0")
    wait_until(lambda: "Watching" in computer.said, PATIENCE_S)
    computer.machine_writes("a.csv", random.Random(2))
    wait_until(lambda: "Not taken: a.csv: columns.torque.name" in computer.said, PATIENCE_S)
    mapping.write_text(right)
    wait_until(lambda: "a.csv: 1 pull into session 1 of stoat-014" in computer.said, PATIENCE_S)
    assert ended(process, signal.SIGTERM) == 0


def test_a_folder_that_is_not_there_is_said(computer):
    assert computer.runs("watch", str(computer.export / "none")) == 1
    assert f"{computer.export / 'none'} is no folder" in computer.said
