"""The desk at its edges: how much a session holds, whose word counts, files that change while they are read."""

import os
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from service.bay.desk import CannotTake, Desk, ReadPull, ReadTable
from tests.bay.desks import CAR, NOON, Hands, closed, desk_in, plain_file


def one_pull(desk_of):
    """What a desk's first pull would be posted as."""
    return closed(desk_of)["setups"][0]["pulls"][0]


def test_a_session_holds_fifty_states_and_the_next_one_begins_another(tmp_path):
    desk = desk_in(tmp_path)
    states = [{"parts": [f"part-{n}"]} for n in range(51)]
    taken = [desk.take(plain_file(tmp_path, f"{n}.txt", n), CAR | said) for n, said in enumerate(states)]
    assert [n for n, one in enumerate(taken) if one.closed] == [50]
    assert taken[50].why == "a session holds 50 setups of 50 pulls"


def test_the_weather_counts_before_the_bays_defaults_and_what_was_said_before_both(tmp_path):
    air = {"temperature": 21.0, "pressure": 99.0, "humidity": 0.4}
    defaults = {"temperature": 15.0, "pressure": 95.0, "coolant": 80.0}
    desk = desk_in(tmp_path, air=lambda _: air, defaults=defaults)
    desk.say(CAR | {"pressure": 100.0})
    desk.take(plain_file(tmp_path, "a.txt", 1), {})
    pull = one_pull(desk)
    assert pull["ambient"] == {"temperature": 21.0, "pressure": 100.0, "humidity": 0.4}
    assert pull["engine"] == {"coolant": 80.0}


def test_a_dew_point_that_was_said_takes_the_place_of_the_weathers_humidity(tmp_path):
    desk = desk_in(tmp_path, air=lambda _: {"humidity": 0.4, "temperature": 21.0})
    desk.take(plain_file(tmp_path, "a.txt", 1), CAR | {"dew_point": 8.0})
    assert one_pull(desk)["ambient"] == {"dew_point": 8.0, "temperature": 21.0}


def test_what_a_file_says_of_itself_is_not_said_of_the_next(tmp_path):
    said = iter([{"basis": "observed", "test": "sweep", "temperature": 30.0}, {"basis": "observed"}])
    desk = Desk(
        tmp_path / "desk",
        "bay-0",
        lambda raw, _: ReadTable([ReadPull(plain(raw), next(said))]),
        clock=Hands(),
    )
    desk.take(plain_file(tmp_path, "a.txt", 1), CAR)
    desk.take(plain_file(tmp_path, "b.txt", 2), {})
    first, second = closed(desk)["setups"][0]["pulls"]
    assert (first["test"], first["ambient"]) == ("sweep", {"temperature": 30.0})
    assert not {"test", "ambient"} & second.keys()


def plain(raw):
    rpm, torque = zip(*(map(float, line.split()) for line in raw.decode().splitlines()), strict=True)
    return {"rpm": list(rpm), "torque": list(torque)}


def test_a_sample_keeps_as_many_digits_as_a_single_figure_has(tmp_path):
    """A float of 32 bits comes back from nine digits (IEEE 754: ceil(1 + 24 log10 2))."""
    sample = 0.1 + 2.0**-20
    channels = {"rpm": [2000.123456, 3000.0], "torque": [sample, 210.0]}
    desk = Desk(
        tmp_path / "desk",
        "bay-0",
        lambda *_: ReadTable([ReadPull(channels, {"basis": "observed"})]),
        clock=Hands(),
    )
    desk.take(plain_file(tmp_path, "a.txt", 1), CAR)
    curve = one_pull(desk)["curve"]
    assert np.float32(curve["torque"][0]) == np.float32(sample)
    assert curve["rpm"][0] == 2000.12346


@pytest.mark.parametrize("what", ["grows", "is written anew"])
def test_a_file_that_changes_while_it_is_read_is_not_taken(tmp_path, monkeypatch, what):
    file, read = plain_file(tmp_path, "a.txt", 1), Path.read_bytes

    def slowly(path):
        content = read(path)
        if path == file and what == "grows":
            file.write_bytes(content + b"\n6500 100.0")
        elif path == file:
            os.utime(file, (1.0, 1.0))
        return content

    monkeypatch.setattr(Path, "read_bytes", slowly)
    desk = desk_in(tmp_path)
    with pytest.raises(CannotTake, match=r"a\.txt is still being written; send it again when it is complete"):
        desk.take(file, CAR)
    assert desk.work() is None


def test_a_file_newer_than_the_clock_is_given_the_air_of_now(tmp_path):
    asked = []
    desk = desk_in(tmp_path, Hands(NOON), air=lambda moment: asked.append(moment) or {})
    file = plain_file(tmp_path, "a.txt", 1)
    later = (NOON + timedelta(hours=2)).timestamp()
    os.utime(file, (later, later))
    desk.take(file, CAR)
    assert set(asked) == {NOON}
