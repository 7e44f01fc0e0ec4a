"""The car comes off: closed, kept, sent; what waits and what was refused."""

import json
import shutil
from datetime import timedelta

import pytest

from service.bay.clock import Skew, local_now
from tests.bay.answering import answering, kept, problem
from tests.bay_page.conftest import NOWHERE, made, shop


def one_pull(bay, tag="stoat-014"):
    """A car with a pull, ready to come off."""
    bay.choose(tag)
    bay.machine_writes(f"{tag}.csv")
    bay.attach(f"{tag}.csv")
    return bay.station.desk.work().id


def test_with_the_network_down_the_session_waits_on_the_disk_and_the_page_says_one(alone):
    id = one_pull(alone)
    page = alone.press("/off", session=id).text
    assert "Session 1 is closed and on the disk" in page
    assert '<strong id="unsent">1</strong>' in page
    assert len(alone.computer.waiting()) == 1
    alone.station.sender.send_all(attempts=1)
    assert alone.client.get("/state").json["unsent"] == 1


def test_once_the_ledger_answers_nothing_waits(bay, ledger):
    id = one_pull(bay)
    bay.press("/off", session=id)
    bay.station.sender.send_all(attempts=1)
    assert bay.client.get("/state").json["unsent"] == 0
    assert [post["id"] for post in ledger.posts] == [id]
    assert "Nothing waits." in bay.get("/unsent")


def test_before_it_is_closed_the_car_its_pulls_and_forgotten_files_are_shown(alone):
    one_pull(alone)
    alone.machine_writes("forgotten.csv")
    page = alone.get("/off")
    assert "stoat-014 comes off" in page
    assert "1 pull</dd>" in page
    assert "1 new file of the folder is not attached" in page
    assert alone.station.desk.work() is not None


def test_a_session_that_is_not_the_one_shown_is_not_closed(alone):
    one_pull(alone)
    answer = alone.press("/off", session="another")
    assert answer.status_code == 409
    assert "Another session is in work than the one shown" in answer.text
    assert len(alone.station.desk.work().runs) == 1


def test_pressed_twice_it_is_closed_once(alone):
    id = one_pull(alone)
    alone.press("/off", session=id)
    assert "Nothing was measured, so nothing is sent." in alone.press("/off", session=id).text
    assert len(alone.computer.waiting()) == 1


def test_a_disk_that_will_not_is_said_and_the_session_stays_in_work(alone, monkeypatch):
    id = one_pull(alone)

    def full(path, content):
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("service.bay.desk.write_whole", full)
    answer = alone.press("/off", session=id)
    assert answer.status_code == 503
    assert (
        "No space left on device. Nothing that was taken before is lost; make room on this disk"
        in answer.text
    )
    monkeypatch.undo()
    assert alone.station.desk.work().id == id


@pytest.fixture
def refused(tmp_path):
    """A bay with one session that the ledger refused for its car."""

    def judge(session):
        if session["vehicle"] == "stoat-041":
            fault = {
                "pointer": "/vehicle",
                "value": "stoat-041",
                "detail": "no such vehicle; did you mean stoat-014?",
            }
            return problem(422, "The session cannot be kept.", [fault])
        return kept(session)

    with answering(judge, shop) as ledger:
        bay = made(tmp_path, ledger.url)
        bay.press("/off", session=one_pull(bay, "stoat-041"))
        bay.station.sender.send_all(attempts=1)
        yield bay


def test_a_refused_session_is_shown_with_the_ledgers_reason_in_words(refused):
    page = refused.get("/unsent")
    assert "Session 1 of stoat-041" in page
    assert "The session cannot be kept. (422)" in page
    assert "no such vehicle; did you mean stoat-014?" in page
    assert refused.client.get("/state").json["refused"] == 1


def test_with_the_right_tag_it_is_sent_again_and_kept(refused):
    (entry,) = refused.station.desk.spool.refused()
    wrong = refused.press(f"/unsent/{entry.id}", do="retry", car="Stoat 14")
    assert wrong.status_code == 422
    assert "Tag: “stoat 14” is no tag" in wrong.text
    assert (
        "Session 1 is sent again." in refused.press(f"/unsent/{entry.id}", do="retry", car="stoat-014").text
    )
    assert json.loads(refused.station.desk.spool.body(entry))["vehicle"] == "stoat-014"
    assert refused.station.sender.send_all(attempts=1).kept == [entry]


def test_given_up_it_is_kept_aside_and_its_files_are_offered_again(refused):
    (entry,) = refused.station.desk.spool.refused()
    page = refused.press(f"/unsent/{entry.id}", do="drop").text
    assert "its files can be attached again: stoat-041.csv" in page
    assert refused.station.desk.spool.dropped() == [entry]
    assert refused.client.get("/state").json["refused"] == 0
    # the folder keeps what was done with a file of this name and time; under another name it is new
    shutil.copy(refused.computer.export / "stoat-041.csv", refused.computer.export / "again.csv")
    refused.station.look()
    assert "again.csv" in [offer.name for offer in refused.station.offers.all()]


def test_while_another_program_sends_the_refused_ones_are_left_alone(refused):
    (entry,) = refused.station.desk.spool.refused()
    with refused.station.sender.holding():
        from service.bay.sender import Sender

        refused.station.sender = Sender(refused.station.desk.spool, refused.station.sender.address)
        answer = refused.press(f"/unsent/{entry.id}", do="retry")
    assert answer.status_code == 422
    assert "another program of this bay is sending at this moment; press again in a moment" in answer.text
    assert refused.station.desk.spool.refused() == [entry]


def test_a_clock_that_is_off_is_said_on_every_page(alone):
    alone.station.ledger.skew = Skew(3600.0, 1.0, local_now())
    for path in ("/", "/car", "/files", "/unsent"):
        assert "The clock of this computer is 60 min ahead of the ledger" in alone.get(path)
    alone.station.ledger.skew = Skew(30.0, 1.0, local_now())
    assert alone.client.get("/state").json["clock"] is None


def test_a_car_left_on_the_rollers_for_hours_is_closed_and_sent(alone, monkeypatch):
    one_pull(alone)
    later = local_now() + timedelta(hours=5)
    monkeypatch.setattr(alone.station.desk, "_clock", lambda: later)
    alone.station.mind_desk()
    assert alone.station.desk.work() is None
    assert len(alone.computer.waiting()) == 1


def test_why_it_does_not_go_through_is_said_where_it_waits(tmp_path):
    bay = made(tmp_path, NOWHERE)
    bay.press("/off", session=one_pull(bay))
    bay.station.ledger.look()
    page = bay.get("/unsent")
    assert "1 not yet sent" in page
    assert "Why: " in page
    assert "Connection refused" in page
    assert "ledger does not answer" in page
