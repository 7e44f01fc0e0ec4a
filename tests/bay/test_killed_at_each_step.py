"""The program killed at each single step by which it changes the disk, one after the other."""

import contextlib
import json
import os
from pathlib import Path

import pytest

from tests.bay.desks import CAR, Hands, desk_in, plain_file

pytestmark = pytest.mark.slow

FILES = ("a.txt", "b.txt", "c.txt", "d.txt")
OTHER_CAR = {"car": "car-01", "parts": []}


class Killed(BaseException):
    """No `except Exception` and no clean-up of ours sees a kill."""


class Steps:
    """Lets so many steps through and kills the next, before or just after it."""

    def __init__(self, monkeypatch):
        self.left, self.after, self.count = None, False, 0
        # A killed process leaves what it wrote to the system: only a power cut needs the real one.
        monkeypatch.setattr(os, "fsync", self.counted(lambda _: None))
        for name in ("replace", "unlink", "mkdir"):
            monkeypatch.setattr(Path, name, self.counted(getattr(Path, name)))

    def counted(self, step):
        def run(*args, **how):
            self.count += 1
            if self.left == 0 and not self.after:
                raise Killed
            result = step(*args, **how)
            if self.left == 0:
                raise Killed
            if self.left is not None:
                self.left -= 1
            return result

        return run


@pytest.fixture
def steps(monkeypatch):
    return Steps(monkeypatch)


def a_day(folder: Path, clock: Hands, sent: dict[str, bytes]) -> None:
    """Two cars, the first in two gears, four files, and a ledger that keeps what it is sent by its id."""
    desk = desk_in(folder, clock)
    for name, said in (
        ("a.txt", CAR | {"gear": 4}),
        ("b.txt", {}),
        ("c.txt", {"gear": 3}),
        ("d.txt", OTHER_CAR),
    ):
        desk.take(folder / name, said)
    desk.close()
    for entry in desk.spool.waiting():
        body = desk.spool.body(entry)
        assert sent.setdefault(entry.id, body) == body, "the same session, with other content"
        desk.spool.sent(entry)


def test_a_kill_at_any_step_loses_no_file_and_doubles_none(tmp_path, steps):
    (whole := tmp_path / "whole").mkdir()
    for n, name in enumerate(FILES):
        plain_file(whole, name, n)
    a_day(whole, Hands(), {})
    all_steps = steps.count
    assert all_steps > 50, "too few steps to prove anything"

    for kill in range(all_steps):
        for after in (False, True):
            folder = tmp_path / f"{kill}-{after}"
            folder.mkdir()
            for n, name in enumerate(FILES):
                plain_file(folder, name, n)
            clock, sent = Hands(), {}
            steps.left, steps.after = kill, after
            with contextlib.suppress(Killed):
                a_day(folder, clock, sent)
            steps.left = None
            a_day(folder, clock, sent)
            sessions = [json.loads(body) for body in sent.values()]
            curves = [
                (session["vehicle"], pull["curve"]["torque"][0])
                for session in sessions
                for setup in session["setups"]
                for pull in setup["pulls"]
            ]
            assert sorted(car for car, _ in curves) == ["car-00", "car-00", "car-00", "car-01"], (kill, after)
            assert len(set(curves)) == 4


def a_growing_day(
    folder: Path, clock: Hands, sent: dict[str, bytes], whole: str, said, *, begins: bool
) -> None:
    """A file that is taken by half, then grows; after a kill the machine has written all of it."""
    desk, file = desk_in(folder, clock), folder / "grows.txt"
    if begins:
        file.write_text(whole[: whole.index("4100 ")])
        desk.take(folder / "a.txt", CAR)
        desk.take(file, CAR)
    file.write_text(whole)
    if not begins:
        desk.take(folder / "a.txt", CAR)
    desk.take(file, said)
    desk.close()
    for entry in desk.spool.waiting():
        body = desk.spool.body(entry)
        assert sent.setdefault(entry.id, body) == body, "the same session, with other content"
        desk.spool.sent(entry)


@pytest.mark.parametrize("said", [CAR, OTHER_CAR], ids=["its car", "another car"])
def test_a_kill_at_any_step_of_a_file_that_grows_leaves_one_pull_of_it_and_that_whole(tmp_path, steps, said):
    whole = plain_file(tmp_path, "one.txt", 7).read_text()

    def day(folder, sent, *, begins=True):
        a_growing_day(folder, Hands(), sent, whole, said, begins=begins)

    (first := tmp_path / "first").mkdir()
    plain_file(first, "a.txt", 1)
    steps.count = 0
    day(first, {})
    all_steps = steps.count
    assert all_steps > 20, "too few steps to prove anything"
    for kill in range(all_steps):
        folder, sent = tmp_path / f"{kill}", {}
        folder.mkdir()
        plain_file(folder, "a.txt", 1)
        steps.left, steps.after = kill, bool(kill % 2)
        with contextlib.suppress(Killed):
            day(folder, sent)
        steps.left = None
        day(folder, sent, begins=False)
        pulls = [
            len(pull["curve"]["rpm"])
            for body in sent.values()
            for setup in json.loads(body)["setups"]
            for pull in setup["pulls"]
        ]
        assert pulls == [30, 30], kill
