"""What is put right while the session is in work: whether a pull counts, and a word that was wrong."""

import pytest
from marshmallow import ValidationError

from service.bay.desk import Desk
from service.bay.handed import CannotTake, ReadTable
from service.bay.known import LONGEST_REASON
from service.bay.mending import Mark
from service.schemas.sessions import SessionPost
from tests.bay.desks import CAR, Hands, closed, desk_in, plain_file, read_plain

SLIP = Mark("rejected", "tyre slip")


@pytest.fixture
def desk(tmp_path):
    return desk_in(tmp_path)


def marks(session):
    return [(p.get("status"), p.get("reason")) for setup in session["setups"] for p in setup["pulls"]]


def air(session):
    return [pull.get("ambient") for setup in session["setups"] for pull in setup["pulls"]]


def test_a_pull_that_was_taken_is_rejected_with_its_reason_and_its_curve_goes_out_all_the_same(desk, file):
    for name in ("a.txt", "b.txt"):
        desk.take(file(name), CAR)
    before = desk.work().runs[0].document["curve"]
    assert desk.mark("a.txt", SLIP) == 1
    session = closed(desk)
    assert marks(session) == [("rejected", "tyre slip"), (None, None)]
    assert session["setups"][0]["pulls"][0]["curve"] == before


def test_the_ledger_takes_a_marked_pull_and_a_reason_as_long_as_ours(desk, file):
    """By the ledger's own schema."""
    desk.take(file("a.txt"), CAR)
    desk.mark("1", Mark("rejected", "x" * LONGEST_REASON))
    session = closed(desk)
    assert SessionPost().load(session).setups[0].pulls[0].status == "rejected"
    session["setups"][0]["pulls"][0]["reason"] += "x"
    with pytest.raises(ValidationError):
        SessionPost().load(session)


def test_a_mark_is_taken_back_and_leaves_nothing_behind(desk, file):
    desk.take(file("a.txt"), CAR | {"status": "rejected", "reason": "misfire"})
    desk.mark("a.txt", Mark("settling"))
    assert marks({"setups": [{"pulls": [desk.work().runs[0].document]}]}) == [("settling", None)]
    desk.mark("a.txt", Mark("accepted"))
    assert marks(closed(desk)) == [(None, None)]


def test_a_pull_is_named_by_its_number_through_all_states_of_the_session(desk, file):
    desk.take(file("a.txt"), CAR)
    desk.take(file("many.txt", pulls=3), {"parts": ["wide-pipe"]})
    assert desk.mark("3", SLIP) == 3
    assert [status for status, _ in marks(closed(desk))] == [None, None, "rejected", None]


def test_a_name_that_several_pulls_bear_is_refused_with_their_numbers(desk, file):
    desk.take(file("many.txt", pulls=2), CAR)
    with pytest.raises(
        CannotTake, match=r"many\.txt is pulls 1, 2 of the session in work; give the number of one"
    ):
        desk.mark("many.txt", SLIP)
    assert [status for status, _ in marks(closed(desk))] == [None, None]


@pytest.mark.parametrize("which", ["c.txt", "0", "2"])
def test_a_pull_that_is_not_there_is_refused_with_those_that_are(desk, file, which):
    desk.take(file("a.txt"), CAR)
    with pytest.raises(
        CannotTake, match=rf"{which} is no pull of the session in work; there are 1 \(a\.txt\)"
    ):
        desk.mark(which, SLIP)


def test_a_pull_whose_session_is_closed_is_told_where_it_is_put_right(desk, file):
    desk.take(file("a.txt"), CAR)
    desk.close()
    with pytest.raises(CannotTake, match=r"a\.txt went with session 1, which is closed: .*ledger"):
        desk.mark("a.txt", SLIP)
    with pytest.raises(CannotTake, match="no session is in work"):
        desk.mark("7", SLIP)


def test_a_mark_meant_for_another_session_changes_nothing(desk, file):
    desk.take(file("a.txt"), CAR)
    shown = desk.work().id
    desk.take(file("b.txt"), {"car": "car-01", "parts": []})
    with pytest.raises(CannotTake, match="another session is in work"):
        desk.mark("1", SLIP, session=shown)
    assert "status" not in desk.work().runs[0].document


def test_a_mark_is_on_the_disk_for_the_next_program_and_does_not_count_as_measuring(tmp_path, file):
    clock = Hands()
    desk = desk_in(tmp_path, clock)
    desk.take(file("a.txt"), CAR)
    clock.passes(hours=3)
    desk.mark("1", SLIP)
    assert desk_in(tmp_path, clock).work().runs[0].document["status"] == "rejected"
    clock.passes(hours=1)
    assert desk.close_if_idle() is not None


def test_a_gear_said_wrongly_is_taken_back_from_the_session_and_the_right_one_begins_no_other(desk, file):
    desk.take(file(), CAR | {"gear": 4})
    desk.say({}, forget=["gear"])
    desk.take(file(), {})
    assert "gear" not in desk.work().car
    assert desk.take(file(), {"gear": 3}).closed is None
    assert closed(desk)["gear"] == 3


def test_what_was_taken_back_is_not_filled_by_the_bays_defaults(tmp_path, file):
    """`air` of this desk is a weather file's: an instrument, whose word stands again."""
    weather = {"temperature": 19.5}
    desk = desk_in(tmp_path, defaults={"gear": 4, "octane": 95.0, "humidity": 0.5}, air=lambda _: weather)
    desk.take(file(), CAR | {"temperature": 24.0})
    desk.say({}, forget=["gear", "octane", "temperature", "humidity"])
    desk.take(file(), {})
    session = closed(desk)
    assert "gear" not in session
    assert [setup.get("fuel") for setup in session["setups"]] == [None]
    assert air(session)[-1] == {"temperature": 19.5}


def test_a_default_that_is_not_so_of_this_car_is_taken_back_from_its_pulls_too(tmp_path, file):
    desk = desk_in(tmp_path, defaults={"temperature": 19.0, "test": "sweep"})
    desk.take(file(), CAR)
    desk.say({}, forget=["temperature", "test"])
    desk.take(file(), {})
    pulls = closed(desk)["setups"][0]["pulls"]
    assert [pull.keys() & {"ambient", "test"} for pull in pulls] == [set(), set()]


def test_what_was_taken_back_holds_also_for_the_next_session_of_that_car_but_for_no_other_car(tmp_path, file):
    desk = desk_in(tmp_path, defaults={"operator": "JT"})
    desk.take(file(), CAR)
    desk.say({}, forget=["operator"])
    assert "operator" not in desk.take(file(), {}, anew=True).work.car
    assert desk.take(file(), {"car": "car-01", "parts": []}).work.car["operator"] == "JT"


def test_what_is_said_again_counts_again(tmp_path, file):
    desk = desk_in(tmp_path, defaults={"gear": 4})
    desk.take(file(), CAR)
    desk.say({}, forget=["gear"])
    desk.say({"gear": 3})
    desk.take(file(), {})
    assert closed(desk)["gear"] == 3


def test_fuel_said_wrongly_is_taken_back_from_the_state_in_work_and_earlier_states_keep_theirs(desk, file):
    desk.take(file(), CAR | {"ethanol": 0.85, "octane": 98.0, "octane_method": "ron"})
    desk.take(file(), {"parts": ["wide-pipe"]})
    desk.say({}, forget=["octane"])
    desk.take(file(), {})
    first, second = closed(desk)["setups"]
    assert first["fuel"] == {"ethanol": 0.85, "octane": 98.0, "octane_method": "ron"}
    assert (second["fuel"], len(second["pulls"])) == ({"ethanol": 0.85}, 2)


def test_air_said_wrongly_is_taken_back_from_the_pulls_of_the_state_in_work_that_had_it_from_there(tmp_path):
    """The second pull's own file says 23 degC: that is another's word, and stays."""
    (a, b) = (plain_file(tmp_path, name, n) for n, name in enumerate("ab"))

    def reader(raw, pressure):
        (pull,) = read_plain(raw).pulls
        own = {"temperature": 23.0} if raw == b.read_bytes() else {}
        return ReadTable([type(pull)(pull.channels, pull.said | own)])

    desk = Desk(tmp_path / "desk", "bay-0", reader, clock=Hands())
    desk.take(a, CAR | {"temperature": 42.0, "humidity": 0.4})
    desk.take(b, {})
    work = desk.say({}, forget=["temperature"]).work
    assert [run.document["ambient"] for run in work.runs] == [
        {"humidity": 0.4},
        {"temperature": 23.0, "humidity": 0.4},
    ]
    assert "temperature" not in work.remembered


def test_how_the_files_are_smoothed_is_taken_back_whole(desk, file):
    desk.take(file(), CAR | {"smoothing": "moving mean", "smoothing_width": 50.0, "test": "sweep"})
    desk.say({}, forget=["smoothing", "test"])
    desk.take(file(), {})
    pulls = closed(desk)["setups"][0]["pulls"]
    assert [pull.keys() & {"smoothing", "test"} for pull in pulls] == [set(), set()]


@pytest.mark.parametrize("name", ["car", "parts", "basis"])
def test_what_no_post_can_be_without_is_not_taken_back_but_said_anew(desk, file, name):
    desk.take(file(), CAR)
    with pytest.raises(
        CannotTake, match=f"{name} cannot be taken back: no post can be without it; say the right"
    ):
        desk.say({}, forget=[name])


def test_what_is_of_one_pull_is_not_remembered_and_so_not_taken_back(desk, file):
    desk.take(file(), CAR | {"coolant": 88.0})
    with pytest.raises(CannotTake, match="coolant is said of one pull and never remembered"):
        desk.say({}, forget=["coolant"])


def test_a_name_cannot_be_said_and_taken_back_at_once(desk):
    with pytest.raises(CannotTake, match="gear is both said and taken back"):
        desk.say(CAR | {"gear": 3}, forget=["gear"])


def test_without_a_session_in_work_there_is_nothing_to_take_back(desk):
    with pytest.raises(CannotTake, match="no session is in work: nothing was said"):
        desk.say({}, forget=["gear"])
