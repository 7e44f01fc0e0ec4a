"""What a first user of a bay stumbled over: files that grow, a machine's clock that is ahead, another version's session."""

import json
import re
from datetime import UTC, datetime, timedelta

import pytest

from service.bay.clock import local_now
from service.bay.page.memory import Memory
from service.cli.bay.common import Spoken
from tests.cli.bays import bay as bay
from tests.cli.bays import ledger as ledger
from tests.cli.bays import settings_for

CAR = ("--car", "stoat-014", "--parts", "none")


def test_a_file_that_grew_since_it_was_sent_is_taken_anew_and_said(bay, ledger):
    file = bay.file("w_4.csv", 1)
    whole = file.read_text()
    file.write_text(whole[: whole.index("4100;")])
    assert bay("send", file, *CAR).code == 0
    file.write_text(whole[: whole.index("5000;") + 4])
    cut_off = bay("send", file)
    assert (
        "careful: its end looks cut off. Where the machine is still writing it, send it again" in cut_off.err
    )
    file.write_text(whole)
    ran = bay("send", file, "--done")
    assert ran.out.splitlines()[0] == (
        "w_4.csv grew: its pull was taken anew, 1 pull into session 1 of stoat-014, setup 1 (nothing fitted)."
    )
    (pull,) = ledger.posts[0]["setups"][0]["pulls"]
    assert len(pull["curve"]["rpm"]) == 30
    file.write_text(whole + "6500;100,0\n")
    late = bay("send", file, *CAR)
    assert late.code == 1
    assert (
        "w_4.csv grew after it went with session 1, which is closed: what was posted is put right" in late.err
    )


def with_times(bay):
    """Files that say in their first line when they were recorded."""
    mapping = bay.folder / "mapping.toml"
    text = (
        mapping.read_text()
        .replace("names_line = 1", "names_line = 2")
        .replace("first_row = 2", "first_row = 3")
    )
    mapping.write_text(text + '[header]\nstarted_at = { key = "Date", format = "%Y-%m-%d %H:%M:%S" }\n')


def recorded(bay, name, seed, at):
    file = bay.file(name, seed)
    file.write_text(f"Date: {at:%Y-%m-%d %H:%M:%S}\n{file.read_text()}")
    return file


def test_a_machine_whose_clock_is_ahead_is_said_when_its_file_is_taken_with_the_way_out(bay):
    with_times(bay)
    written = local_now().replace(microsecond=0) + timedelta(seconds=181)
    ran = bay("send", recorded(bay, "a.csv", 1, written), *CAR)
    at_least = (written - local_now()).total_seconds()
    assert ran.code == 0
    assert (
        "careful: it says that it was recorded 3 min from now: the machine's clock is ahead of this"
        in ran.err
    )
    (told,) = re.findall(r"write machine_clock_ahead_s = (\d+) into bay\.toml", ran.err)
    assert at_least - 0.5 <= int(told) <= 181
    assert "clock" not in bay("send", recorded(bay, "b.csv", 2, local_now())).err


def test_what_the_machines_clock_is_ahead_is_taken_off_the_times_of_its_files(bay, ledger):
    bay.settings(settings_for(ledger.url, "machine_clock_ahead_s = 180\n"))
    with_times(bay)
    said = datetime(2026, 3, 18, 10, 3, tzinfo=UTC).astimezone()
    ran = bay("send", recorded(bay, "a.csv", 1, said), *CAR, "--done")
    assert ran.err == ""
    began = ledger.posts[0]["setups"][0]["pulls"][0]["started_at"]
    assert datetime.fromisoformat(began) == said - timedelta(minutes=3)


@pytest.mark.parametrize("place", ["session", "state", "run"])
def test_a_session_kept_by_a_newer_program_is_left_to_that(bay, place):
    bay("send", bay.file("a.csv", 1), *CAR)
    path = bay.folder / "work" / "session.json"
    work = json.loads(path.read_bytes())
    {"session": work, "state": work["states"][0], "run": work["states"][0]["runs"][0]}[place]["tilt"] = 3
    path.write_text(json.dumps(work))
    before = path.read_bytes()
    ran = bay("send", bay.file("b.csv", 2))
    assert ran.code == 1
    assert (
        "was written by a newer version of this program (tilt): use that one; nothing was changed" in ran.err
    )
    assert "move it away" not in ran.err
    assert path.read_bytes() == before


def test_a_car_that_was_sent_from_the_command_line_is_one_of_those_that_the_page_offers(bay):
    bay("send", bay.file("a.csv", 1), *CAR, "--gear", "4")
    remembered = Memory(bay.folder / "page")
    assert remembered.cars() == ["stoat-014"]
    assert remembered.setup("stoat-014").said == {"parts": [], "gear": 4}


def test_a_wait_that_is_over_before_it_is_read_is_not_announced(capsys):
    for seconds in (0.0, 0.99, 1.0):
        Spoken().waits("the line broke", seconds)
    assert capsys.readouterr().err == "Not yet: the line broke. Trying again in 1 s.\n"
