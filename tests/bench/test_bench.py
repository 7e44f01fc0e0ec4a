"""The bench itself, the real one at its smallest: the smallest history, one round of one request, no time judged.

It prints every promise, measures what one history can show, and leaves nothing on the machine.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from service.local import processes
from tests.bench import names
from tests.bench.promises import PROMISES
from tests.bench.serving import ROOT

pytestmark = pytest.mark.machine


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose `kept` holds the loaded history for both runs, and whose `tmp` is all the temporary room they have."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "tmp").mkdir()
    return folder


def started(workshop: Path) -> "subprocess.Popen[str]":
    """The smoke run in a session of its own."""
    words = ["--only", "questions", "--smoke", "--pulls", "1", "--processes", "2"]
    kept = ["--keep", str(workshop / "kept"), "--results", str(workshop / "run.json")]
    return subprocess.Popen(
        [sys.executable, "-m", "tests.bench", *words, *kept],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(workshop / "tmp")},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


@pytest.fixture(scope="module")
def smoke(workshop: Path) -> tuple[str, dict[str, Any]]:
    """What one run printed and what it wrote."""
    process = started(workshop)
    try:
        printed, said = process.communicate()
    finally:
        stopped(process)
    assert process.returncode == 0, said
    return printed, json.loads((workshop / "run.json").read_text())


def test_a_run_prints_every_promise_and_measures_all_that_one_history_can_show(
    smoke: tuple[str, dict[str, Any]],
) -> None:
    printed, document = smoke
    for promise in PROMISES:
        assert promise.what in printed
    assert ": served by 2; 8 clients at once took " in printed
    measured = {figure["name"] for figure in document["figures"]}
    of_questions = {
        target.figure for promise in PROMISES if promise.part == "questions" for target in promise.targets
    }
    assert of_questions - measured == {
        names.growth(case) for case in names.GROWING
    }  # which takes two histories


def test_a_run_asks_with_one_client_and_with_eight(smoke: tuple[str, dict[str, Any]]) -> None:
    times = {(one["name"], one["clients"]): one for one in smoke[1]["times"]}
    for name in (
        names.PING,
        names.ROW,
        names.PAIRS_SCALARS_MANY,
        names.STOCK_SPREAD,
        names.FIRST_PAGE,
        names.POST,
    ):
        for clients in (1, 8):
            assert times[name, clients]["median_ms"] > 0.0
            assert times[name, clients]["cpu_ms"] > 0.0


def test_eight_bays_posting_at_once_lose_and_double_nothing(smoke: tuple[str, dict[str, Any]]) -> None:
    figures = {one["name"]: one for one in smoke[1]["figures"]}
    for name in (names.POSTS_LOST, names.POSTS_DOUBLED, names.PAIRS_APART):
        assert figures[name]["value"] == 0, figures[name]
        assert ", 0 pairs" not in figures[name]["unit"]


def test_a_run_says_where_and_from_what_it_was_made(smoke: tuple[str, dict[str, Any]]) -> None:
    document = smoke[1]
    assert {"processor", "cores", "memory_gib", "kernel", "python", "postgres"} <= set(document["machine"])
    assert document["commit"]
    assert document["load_after"]["averages"]


def test_a_run_leaves_nothing_behind(smoke: tuple[str, dict[str, Any]], workshop: Path) -> None:
    assert what_is_left(workshop) == []


def test_a_run_that_is_stopped_in_the_middle_leaves_nothing_behind(
    smoke: tuple[str, dict[str, Any]], workshop: Path
) -> None:
    (workshop / "run.json").unlink()
    process = started(workshop)
    assert process.stderr is not None
    try:
        said = []
        while "round 1" not in (line := process.stderr.readline()):
            said.append(line)
            assert line, f"it ended before it measured anything: {''.join(said)}"
        process.send_signal(signal.SIGINT)
        process.communicate()
    finally:
        stopped(process)
    assert process.returncode == 130
    assert not (workshop / "run.json").exists()
    assert what_is_left(workshop) == []


def stopped(process: "subprocess.Popen[str]") -> None:
    """Nothing of ours outlives a failed test."""
    process.terminate()
    process.wait()


def what_is_left(workshop: Path) -> list[str]:
    """Temporary files and folders, and living processes that work in the run's folders; what ends is given a moment."""
    end = time.monotonic() + 5.0
    while (found := left_now(workshop)) and time.monotonic() < end:
        time.sleep(0.05)
    return found


def left_now(workshop: Path) -> list[str]:
    """The same at this moment."""
    pids = [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit()]
    commands = {pid: processes.state_and_command(pid) for pid in pids if pid != os.getpid()}
    living = [
        command for state, command in commands.values() if str(workshop) in command and state not in "ZXx"
    ]
    others = [path.name for path in workshop.iterdir() if path.name not in ("tmp", "kept", "run.json")]
    kept = [
        path.name for path in (workshop / "kept").iterdir() if path.name.startswith(("copy-", "building-"))
    ]
    return living + others + kept + [path.name for path in (workshop / "tmp").iterdir()]
