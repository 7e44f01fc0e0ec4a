"""Sessions between the desk and the ledger, where a step is done twice, or an answer says two things."""

import errno
import os
import threading
from datetime import UTC, datetime

import pytest

from service.bay.files import write_whole
from service.bay.sender import Address, Sender, Told
from service.bay.spool import Refusal, Spool
from tests.bay.answering import Answer, answering, kept, problem
from tests.bay.sessions import body_of, entry_of, small_sessions

NOW = datetime(2026, 3, 18, 12, 0, tzinfo=UTC)
SESSIONS = small_sessions(1, "bay-0", 3, ["car-00"], NOW)
ENTRY = entry_of(SESSIONS[0])
REFUSAL = Refusal(422, "no such car", ("/vehicle: no such car",))


@pytest.fixture
def spool(tmp_path):
    """All three sessions wait."""
    spool = Spool(tmp_path / "spool")
    for session in SESSIONS:
        spool.put(entry_of(session), body_of(session))
    return spool


class Heard(Told):
    """Keeps how long it waits, and after how many posts; the first wait is the last."""

    def __init__(self, posts):
        self.stop, self.posts, self.waited = threading.Event(), posts, []

    def waits(self, why, seconds):
        self.waited.append((seconds, len(self.posts)))
        self.stop.set()


def sender(spool, url, **more):
    return Sender(spool, Address(url, "t"), first_wait_s=0.001, longest_wait_s=0.002, **more)


def test_a_disk_without_room_leaves_what_was_there_and_nothing_half_written(tmp_path, monkeypatch):
    write_whole(tmp_path / "a.json", b"first")

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_whole(tmp_path / "a.json", b"second")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a.json": b"first"}


@pytest.mark.parametrize("how", ["refused", "given up"])
def test_a_session_that_is_closed_twice_waits_no_more_once_it_was_refused_or_given_up(spool, how):
    """The program was killed between putting it there and forgetting that it had to."""
    spool.refuse(ENTRY, REFUSAL) if how == "refused" else spool.drop(ENTRY)
    spool.put(ENTRY, body_of(SESSIONS[0]))
    assert ENTRY not in spool.waiting()
    assert [*spool.refused(), *spool.dropped()] == [ENTRY]


def test_a_session_that_was_given_up_can_be_sent_after_all_also_as_another_cars(spool):
    spool.refuse(ENTRY, REFUSAL)
    spool.drop(ENTRY)
    spool.retry(ENTRY, "car-07")
    with answering(kept) as ledger:
        sent = sender(spool, ledger.url).send_all(attempts=1)
    assert sent.kept[0] == ENTRY
    assert (ledger.posts[0]["vehicle"], ledger.posts[0]["setups"]) == ("car-07", SESSIONS[0]["setups"])
    assert (spool.dropped(), spool.why(ENTRY)) == ([], None)
    left = [path.name for path in spool.folder.rglob("*") if path.name.startswith(ENTRY.name)]
    assert left == []


def test_the_ledgers_retry_after_is_waited_for_though_something_got_through_before_it(spool):
    later = problem(503, "later", Retry_After="7")
    with answering(lambda session: kept(session) if session["sequence"] == 1 else later) as ledger:
        heard = Heard(ledger.posts)
        sent = sender(spool, ledger.url, told=heard).send_all(heard.stop)
    assert (sent.kept, heard.waited) == ([ENTRY], [(7.0, 2)])


def test_a_ledger_that_has_the_same_content_under_another_id_has_the_session(spool):
    """The bay's folder was lost, and its files were taken again."""
    before = Answer(201, {"id": "another"}, {"Idempotency-Replayed": "true"})
    with answering(lambda _: before) as ledger:
        sent = sender(spool, ledger.url).send_all(attempts=1)
    assert (len(sent.kept), sent.why_not, spool.waiting()) == (3, None, [])


def test_a_session_that_the_ledger_stumbles_over_is_not_forgotten(spool):
    """One attempt: what stands in the way is said, and nothing is tried again and again without a wait."""
    stumble = lambda session: problem(500, "ours") if session["sequence"] == 1 else kept(session)  # noqa: E731
    with answering(stumble) as ledger:
        sent = sender(spool, ledger.url).send_all(attempts=1)
    assert "ours (500)" in sent.why_not
    assert len(ledger.posts) == 4  # three, and the one that was left once more
