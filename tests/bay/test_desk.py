"""Files in, one session in work, closed sessions in the spool."""

import pytest
from filelock import FileLock

from service.bay.desk import Desk
from service.bay.handed import CannotTake, Missing, NotReadable, ReadPull, ReadTable
from service.bay.work import IDLE
from tests.bay.desks import CAR, NOON, Hands, closed, desk_in


@pytest.fixture
def clock():
    return Hands()


@pytest.fixture
def desk(tmp_path, clock):
    return desk_in(tmp_path, clock)


def test_pulls_of_one_state_become_one_setup_and_another_state_the_next_of_the_same_strap_down(desk, file):
    desk.take(file(), CAR)
    desk.take(file(), {})
    desk.take(file(), {"parts": ["wide-pipe"]})
    desk.take(file(), {"parts": []})
    session = closed(desk)
    assert [(setup["parts"], len(setup["pulls"])) for setup in session["setups"]] == [
        ([], 2), (["wide-pipe"], 1), ([], 1)
    ]  # fmt: skip
    assert (session["vehicle"], session["bay"], session["units"]) == ("car-00", "bay-0", "si")
    assert all(pull["source"] == "file" for setup in session["setups"] for pull in setup["pulls"])


def test_several_pulls_of_one_file_are_taken_together(desk, file):
    assert desk.take(file(pulls=3), CAR).pulls == 3
    assert [len(setup["pulls"]) for setup in closed(desk)["setups"]] == [3]


def test_what_nobody_said_is_not_in_the_post(desk, file):
    desk.take(file(), CAR)
    session = closed(desk)
    assert session.keys() == {"units", "id", "vehicle", "bay", "started_at", "sequence", "setups"}
    (setup,) = session["setups"]
    assert setup.keys() == {"parts", "pulls"}
    assert setup["pulls"][0].keys() == {"basis", "source", "curve"}


def test_the_air_and_the_fuel_hold_for_the_next_pull_and_the_engines_temperatures_do_not(desk, file):
    desk.take(file(), CAR | {"temperature": 21.0, "coolant": 88.0, "ethanol": 0.1, "status": "settling"})
    desk.take(file(), {})
    (setup,) = closed(desk)["setups"]
    first, second = setup["pulls"]
    assert setup["fuel"] == {"ethanol": 0.1}
    assert (first["ambient"], first["engine"], first["status"]) == (
        {"temperature": 21.0},
        {"coolant": 88.0},
        "settling",
    )
    assert second["ambient"] == {"temperature": 21.0}
    assert "engine" not in second
    assert "status" not in second


def test_a_label_is_of_the_state_it_was_said_of(desk, file):
    desk.take(file(), CAR | {"label": "as it came", "stock_checked": "verified"})
    desk.take(file(), {"parts": ["wide-pipe"]})
    first, second = closed(desk)["setups"]
    assert first["label"] == "as it came"
    assert "label" not in second
    assert second["stock_checked"] == "verified"


def test_another_car_closes_the_session_and_nothing_of_the_first_is_said_of_it(desk, file):
    desk.take(file(), CAR | {"temperature": 21.0, "gear": 4})
    taken = desk.take(file(), {"car": "car-01", "parts": []})
    assert taken.closed == desk.spool.waiting()[0]
    assert taken.why == "car is car-01, not car-00"
    assert taken.work.car == {"car": "car-01"}
    assert taken.work.remembered == {"car": "car-01", "parts": []}
    assert taken.work.sequence == taken.closed.sequence + 1


def test_another_car_whose_parts_nobody_said_is_not_given_the_first_ones(desk, file):
    desk.take(file(), CAR)
    with pytest.raises(Missing) as missing:
        desk.take(file(), {"car": "car-01"})
    assert missing.value.names == ("parts",)
    assert desk.spool.waiting() == []


@pytest.mark.parametrize("said", [{"gear": 3}, {"tyre_size": "205/50 R16"}, {"operator": "KB"}])
def test_another_gear_tyre_or_operator_begins_another_session_of_the_same_state(desk, file, said):
    desk.take(file(), CAR | {"gear": 4, "tyre_size": "225/45 R17", "operator": "JT"})
    taken = desk.take(file(), said)
    assert taken.closed is not None
    assert taken.work.car == {"car": "car-00", "gear": 4, "tyre_size": "225/45 R17", "operator": "JT"} | said
    assert taken.work.states[0].said == {"parts": []}


def test_what_becomes_known_of_the_car_later_begins_no_other_session(desk, file):
    desk.take(file(), CAR)
    assert desk.take(file(), {"gear": 4}).closed is None
    assert closed(desk)["gear"] == 4


def test_a_car_strapped_down_anew_begins_another_session_in_the_same_state(desk, file):
    desk.take(file(), CAR | {"ethanol": 0.1})
    taken = desk.take(file(), {}, anew=True)
    assert taken.why == "the car was strapped down anew"
    assert taken.work.states[0].said == {"parts": [], "ethanol": 0.1}


def test_after_four_idle_hours_nobody_remembers_which_car_it_was(desk, file, clock):
    desk.take(file(), CAR)
    clock.passes(seconds=IDLE.total_seconds() - 1)
    assert desk.close_if_idle() is None
    clock.passes(seconds=1)
    with pytest.raises(Missing) as missing:
        desk.take(file(), {})
    assert missing.value.names == ("car", "parts")
    assert desk.close_if_idle() == desk.spool.waiting()[0]
    assert desk.work() is None


def test_an_idle_session_is_closed_for_the_next_one_of_the_same_car(desk, file, clock):
    desk.take(file(), CAR)
    clock.passes(hours=5)
    assert desk.take(file(), CAR).why == "nothing was measured for 4 hours"


def test_a_file_is_taken_once_by_its_content_in_work_and_afterwards(desk, file):
    first = file()
    desk.take(first, CAR)
    copy = first.with_name("a copy.txt")
    copy.write_bytes(first.read_bytes())
    assert desk.take(copy, {}).before
    desk.close()
    assert desk.take(first, CAR).before
    assert desk.work() is None


def test_the_files_of_a_session_that_was_given_up_can_be_taken_again(desk, file):
    first = file("wrong car.txt")
    desk.take(first, CAR)
    entry = desk.close()
    desk.spool.drop(entry)
    assert desk.forget_files(entry.id) == ["wrong car.txt"]
    assert not desk.take(first, {"car": "car-01", "parts": []}).before


def test_what_is_said_before_any_file_holds_for_the_first(desk, file):
    desk.say(CAR | {"humidity": 0.4})
    desk.take(file(), {})
    (setup,) = closed(desk)["setups"]
    assert setup["pulls"][0]["ambient"] == {"humidity": 0.4}


def test_a_car_that_was_said_and_never_measured_leaves_no_number_behind(desk, file):
    desk.say(CAR | {"gear": 4, "temperature": 21.0})
    taken = desk.take(file(), {"car": "car-01", "parts": []})
    assert (taken.closed, taken.work.sequence, taken.work.car) == (None, 1, {"car": "car-01"})
    assert taken.work.remembered == {"car": "car-01", "parts": []}


def test_more_pulls_of_a_state_than_a_post_takes_go_into_another_session(desk, file):
    desk.take(file(pulls=30), CAR)
    assert desk.take(file(pulls=20), {}).closed is None
    taken = desk.take(file(), {})
    assert taken.why == "a session holds 50 setups of 50 pulls"
    assert [len(state.runs) for state in taken.work.states] == [1]
    assert desk.take(file(pulls=50), {"parts": ["wide-pipe"]}).closed is None


def test_a_file_of_more_pulls_than_a_post_takes_says_what_to_do(desk, file):
    with pytest.raises(NotReadable, match="holds 51 pulls, and one setup at most 50: cut it in two"):
        desk.take(file(pulls=51), CAR)


def test_a_session_as_large_as_a_post_can_be_is_closed_for_the_next_pull(desk, file, monkeypatch):
    """A pull of the test's files is some 500 bytes as JSON."""
    monkeypatch.setattr("service.bay.work.LARGEST_BODY", 3000)
    closed = [desk.take(file(), CAR if n == 0 else {}).closed for n in range(6)]
    assert [entry.sequence for entry in closed if entry] == [1]
    assert desk.work().sequence == 2
    assert desk.work().runs[0].document.keys() == {"basis", "source", "curve"}


def test_a_session_without_a_pull_is_not_posted(desk):
    desk.say(CAR)
    assert desk.close() is None
    assert desk.spool.waiting() == []


def test_a_file_without_a_table_is_said_by_name_and_changes_nothing(desk, tmp_path):
    odd = tmp_path / "odd.txt"
    odd.write_text("no numbers here")
    with pytest.raises(NotReadable, match=r"odd\.txt: there is no table in it"):
        desk.take(odd, CAR)
    assert desk.work() is None
    assert not desk.is_taken(odd.read_bytes())


def test_a_session_in_work_that_cannot_be_read_says_where_it_lies(desk, file):
    desk.take(file(), CAR)
    (desk.folder / "work" / "session.json").write_text("{")
    with pytest.raises(CannotTake, match=r"session\.json cannot be read .* move it away"):
        desk.take(file(), {})


def test_a_session_begins_with_the_earliest_pull_that_says_when_else_with_the_files_own_time(desk, file):
    desk.take(file(), CAR | {"started_at": "2026-03-18T09:00:00+00:00"})
    desk.take(file(), {"started_at": "2026-03-18T08:50:00+00:00"})
    session = closed(desk)
    assert session["started_at"] == "2026-03-18T08:50:00+00:00"
    assert session["setups"][0]["pulls"][0]["started_at"] == "2026-03-18T09:00:00+00:00"


def test_a_file_newer_than_the_clock_begins_no_session_in_the_future(desk, file):
    """The test's clock stands in March; the file was made just now."""
    desk.take(file(), CAR)
    session = closed(desk)
    assert session["started_at"] == NOON.isoformat()
    assert "started_at" not in session["setups"][0]["pulls"][0]


def test_numbers_count_on_from_one_program_to_the_next(tmp_path, file, clock):
    for number in (1, 2, 3):
        desk = desk_in(tmp_path, clock)
        assert desk.take(file(), CAR).work.sequence == number
        desk.close()


def test_a_channel_with_a_gap_is_left_out_and_the_pull_is_kept(tmp_path, file):
    channels = {"rpm": [2000.0, 3000.0], "torque": [200.0, 210.0], "lambda": [0.9, float("nan")]}
    pull = ReadPull(channels, {"basis": "observed"})
    desk = Desk(tmp_path / "desk", "bay-0", lambda *_: ReadTable([pull]), clock=Hands())
    desk.take(file(), CAR)
    assert closed(desk)["setups"][0]["pulls"][0]["curve"].keys() == {"rpm", "torque"}


def test_a_desk_that_another_program_holds_for_long_is_said_by_its_lock(tmp_path, file, monkeypatch):
    monkeypatch.setattr("service.bay.desk.LOCK_PATIENCE_S", 0.05)
    desk = desk_in(tmp_path)
    with (
        FileLock(desk.folder / "desk.lock"),
        pytest.raises(CannotTake, match=r"another program .*desk\.lock .* end it"),
    ):
        desk.take(file(), CAR)
    assert not desk.take(file(), CAR).before
