"""`bayledger bay page`: the real program, ended as a service manager ends it."""

import os
import re
import signal
from urllib.request import urlopen

import pytest

from tests.bay.computer import Computer
from tests.bay_page.conftest import NOWHERE
from tests.local.conftest import wait_until

PATIENCE_S = 60.0


@pytest.fixture
def computer(tmp_path):
    return Computer(tmp_path, "north", NOWHERE, "t", watch=str(tmp_path / "export"))


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_it_serves_on_this_machine_and_a_signal_ends_it_cleanly(computer, how):
    process = computer.starts("page", "--port", "0")
    wait_until(lambda: "The bay's page: " in computer.said, PATIENCE_S)
    url = re.search(r"http://127\.0\.0\.1:\d+/", computer.said)[0]
    with urlopen(url, timeout=PATIENCE_S) as answer:
        assert b"No car on the rollers" in answer.read()
    os.kill(process.pid, how)
    process.join(timeout=PATIENCE_S)
    assert process.exitcode == 0
    assert computer.said.endswith("Stopped. What was taken and what waits is on the disk.\n")


def test_other_machines_are_not_let_in_without_a_pin(computer):
    assert computer.runs("page", "--host", "0.0.0.0") == 2
    assert "give --pin-file too" in computer.said


def test_a_port_that_is_taken_is_said_with_the_way_out(computer):
    first = computer.starts("page", "--port", "0")
    wait_until(lambda: "The bay's page: " in computer.said, PATIENCE_S)
    port = re.search(r":(\d+)/", computer.said)[1]
    try:
        assert computer.runs("page", "--port", port) == 1
    finally:
        os.kill(first.pid, signal.SIGTERM)
        first.join(timeout=PATIENCE_S)
    assert (
        f"127.0.0.1:{port} cannot be served: Address already in use; is the page running already?"
        in computer.said
    )


def test_a_bay_without_a_mapping_says_how_to_make_one(computer):
    (computer.bay_dir / "mapping.toml").unlink()
    assert computer.runs("page", "--port", "0") == 1
    assert "bayledger bay learn FILE --out" in computer.said


def test_on_every_address_it_asks_for_the_pin_and_says_how_a_tablet_finds_it(computer, tmp_path):
    (tmp_path / "pin").write_text("123456\n")
    process = computer.starts("page", "--port", "0", "--host", "0.0.0.0", "--pin-file", str(tmp_path / "pin"))
    wait_until(lambda: "from a tablet port " in computer.said, PATIENCE_S)
    url = re.search(r"http://127\.0\.0\.1:\d+/", computer.said)[0]
    try:
        with urlopen(url, timeout=PATIENCE_S) as answer:
            assert answer.geturl() == f"{url}pin"
            assert b"No car on the rollers" not in answer.read()
    finally:
        os.kill(process.pid, signal.SIGTERM)
        process.join(timeout=PATIENCE_S)
    assert process.exitcode == 0
