"""Files that a machine writes slowly: half of one is no pull of its own, and what was taken too soon is taken anew."""

import json
import os
import time

import pytest

from service.bay.handed import GrewTooLate, NotReadable
from service.bay.mending import Mark
from service.bay.taken import GROWS_FOR_S, Gone
from service.bay.whole import looks_cut_short
from tests.bay.desks import CAR, Hands, closed, desk_in, plain_file


@pytest.fixture
def desk(tmp_path):
    return desk_in(tmp_path)


def half(folder, name, seed, pulls=1):
    """A file cut in the middle of its last line but ten; answers it, and what it is when it is whole."""
    file = plain_file(folder, name, seed, pulls)
    whole = file.read_text()
    file.write_text(whole[: whole.rindex("\n", 0, len(whole) - 120)])
    return file, whole


def rows(session):
    return [len(pull["curve"]["rpm"]) for setup in session["setups"] for pull in setup["pulls"]]


def test_a_file_that_grew_takes_the_place_of_its_half(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    desk.take(file, CAR)
    file.write_text(whole)
    taken = desk.take(file, {})
    assert (taken.grew, taken.pulls, taken.before) == (True, 1, False)
    assert rows(closed(desk)) == [30]


def test_the_half_counts_as_taken_in_work_and_afterwards(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    copy = tmp_path / "copy of the half.csv"
    copy.write_text(file.read_text())
    desk.take(file, CAR)
    file.write_text(whole)
    desk.take(file, {})
    assert desk.take(copy, {}).before
    desk.close()
    assert desk.take(copy, CAR).before


def test_it_stays_in_its_setup_with_its_mark_its_words_and_its_place(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    desk.take(file, CAR | {"temperature": 21.0, "coolant": 88.0})
    desk.mark("w_4.csv", Mark("rejected", "tyre slip"))
    desk.take(plain_file(tmp_path, "next.csv", 2), {"temperature": 25.0})
    desk.take(plain_file(tmp_path, "other.csv", 3), {"parts": ["wide-pipe"]})
    file.write_text(whole)
    desk.take(file, {})
    session = closed(desk)
    assert [(setup["parts"], len(setup["pulls"])) for setup in session["setups"]] == [
        ([], 2),
        (["wide-pipe"], 1),
    ]
    first = session["setups"][0]["pulls"][0]
    assert (first["status"], first["reason"]) == ("rejected", "tyre slip")
    assert (first["ambient"], first["engine"]) == ({"temperature": 21.0}, {"coolant": 88.0})
    assert rows(session) == [30, 30, 30]


def test_what_is_said_with_the_whole_file_counts_before_the_words_of_then(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    desk.take(file, CAR | {"humidity": 0.4, "status": "rejected", "reason": "cut off"})
    file.write_text(whole)
    desk.take(file, {"status": "accepted", "dew_point": 9.0})
    (pull,) = closed(desk)["setups"][0]["pulls"]
    assert (pull["status"], pull["ambient"]) == ("accepted", {"dew_point": 9.0})
    assert "reason" not in pull


def test_what_was_said_of_the_engine_then_stands_beside_what_is_said_with_the_whole_file(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    desk.take(file, CAR | {"coolant": 88.0, "inlet": 25.0})
    file.write_text(whole)
    desk.take(file, {"oil": 95.0, "inlet": 27.0})
    (pull,) = closed(desk)["setups"][0]["pulls"]
    assert pull["engine"] == {"coolant": 88.0, "inlet": 27.0, "oil": 95.0}


def test_pulls_that_a_machine_writes_below_each_other_follow_those_before(desk, tmp_path):
    file = plain_file(tmp_path, "day.csv", 1, pulls=3)
    all_three = file.read_text()
    file.write_text(all_three.split("\n\n")[0] + "\n")
    desk.take(file, CAR)
    desk.take(plain_file(tmp_path, "another.csv", 9), {})
    file.write_text(all_three)
    assert desk.take(file, {}).pulls == 3
    assert [run.file for run in desk.work().runs] == ["day.csv"] * 3 + ["another.csv"]


def test_it_grows_again_and_again_and_stays_one_pull(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    lines = whole.splitlines(keepends=True)
    for end in (10, 15, 20, 30):
        file.write_text("".join(lines[:end]))
        desk.take(file, CAR)
    assert rows(closed(desk)) == [30]


def test_said_to_be_of_another_car_it_leaves_the_session_of_the_first(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    desk.take(plain_file(tmp_path, "a.csv", 2), CAR)
    desk.take(file, {})
    file.write_text(whole)
    taken = desk.take(file, {"car": "car-01", "parts": []})
    assert (taken.grew, [run.file for run in taken.work.runs]) == (True, ["w_4.csv"])
    (entry,) = desk.spool.waiting()
    assert rows(json.loads(desk.spool.body(entry))) == [30]


def test_a_file_that_grew_after_its_session_was_closed_is_trouble_and_no_new_pull(desk, tmp_path):
    file, whole = half(tmp_path, "w_4.csv", 1)
    desk.take(file, CAR)
    desk.close()
    file.write_text(whole)
    with pytest.raises(GrewTooLate, match=r"w_4\.csv grew after it went with session 1.*amend or strike"):
        desk.take(file, CAR)
    assert desk.work() is None
    assert issubclass(GrewTooLate, NotReadable)


def test_another_file_of_the_same_name_is_a_pull_of_its_own(desk, tmp_path):
    desk.take(plain_file(tmp_path, "pull.csv", 1), CAR)
    taken = desk.take(plain_file(tmp_path, "pull.csv", 2), {})
    assert (taken.grew, len(taken.work.runs)) == (False, 2)


def test_growth_is_one_file_written_whole(desk, tmp_path, monkeypatch):
    """A disk that will not leaves the half as it was, and the whole to be taken later."""
    file, whole = half(tmp_path, "w_4.csv", 1)
    desk.take(file, CAR)
    before = (tmp_path / "desk" / "work" / "session.json").read_bytes()
    file.write_text(whole)
    written = []

    def full(path, content):
        written.append(path.name)
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("service.bay.desk.write_whole", full)
    with pytest.raises(OSError, match="No space"):
        desk.take(file, {})
    monkeypatch.undo()
    assert (written, (tmp_path / "desk" / "work" / "session.json").read_bytes()) == (["session.json"], before)
    assert desk_in(tmp_path, Hands()).take(file, {}).grew


def test_growth_beyond_what_a_post_takes_is_said_and_the_half_stays(desk, tmp_path):
    file = plain_file(tmp_path, "day.csv", 1, pulls=50)
    whole = file.read_text()
    file.write_text(whole.split("\n\n")[0] + "\n")
    desk.take(file, CAR)
    desk.take(plain_file(tmp_path, "b.csv", 2), {})
    file.write_text(whole)
    with pytest.raises(NotReadable, match="grew to more than one post takes; close the session"):
        desk.take(file, {})
    assert len(desk.work().runs) == 2


@pytest.mark.parametrize(
    ("content", "cut_short"),
    [
        ("rpm;Nm\n2000;200,5\n2100;201,5\n", False),
        ("rpm;Nm\r\n2000;200,5\r\n2100;201,5\r\n\r\n", False),
        ("rpm;Nm\n2000;200,5\n2100;201,5", True),
        ("rpm;Nm;C\n2000;200,5;20\n2050;201,5;20\n2100;2\n", True),
        ("rpm;Nm;C\n2000;200;\n2050;201;\n2100;20", True),
        ("rpm;Nm;C\n2000;200,5;20,5\n2050;201,5;20,5\n2100;202,5;21\n", False),
        ("rpm;Nm;C\n2000;200,5;20,5\n2050;201,5;20,5\n2100;202,5\n", True),
        ("rpm,Nm,C\n2000,200.5,20\n2050,201.5,20\n2100,202\n", True),
        ("", False),
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_file_looks_cut_short_by_its_last_line(content, cut_short, encoding):
    assert looks_cut_short(content.encode(encoding)) is cut_short


def test_what_is_no_text_is_not_judged():
    assert not looks_cut_short(b"\xff\xfe\x00")


def test_the_marks_of_years_are_not_read_for_each_file_that_comes(tmp_path):
    gone = Gone(tmp_path / "taken")
    old, new = (tmp_path / "taken" / f"{name * 32}.json" for name in ("0a", "0b"))
    new.write_text(json.dumps({"file": "w_1.csv", "session": "a", "sequence": 2, "size": 1}))
    old.write_text("spoilt long ago")
    with pytest.raises(json.JSONDecodeError):
        gone.before_it_grew("w_1.csv", b"whole")
    os.utime(old, (time.time() - GROWS_FOR_S - 60,) * 2)
    assert gone.before_it_grew("w_1.csv", b"whole") is None
