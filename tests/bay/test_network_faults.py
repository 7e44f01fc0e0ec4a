"""Eight bays post over a line that does everything a workshop's network does: each session is kept exactly once."""

import hashlib
import threading
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from functools import partial
from uuid import uuid4

import orjson
import pytest

from service.bay.sender import Address, Sender, Told
from service.bay.spool import Spool
from tests.bay.conftest import BAYS, CARS
from tests.bay.proxy import FAULTS, at_random, first_only, proxy_to
from tests.bay.sessions import body_of, entry_of, small_sessions
from tests.threads import all_at_once, meanwhile

pytestmark = pytest.mark.machine  # a minute and a half of faults and kills

SESSIONS = 200
AT_ONCE = 10
"""Closed sessions put into the spool before the sender goes on: a bay closes them while others wait."""
WEIGHTS = {
    "refuse": 4.0,
    "cut-in-request": 4.0,
    "cut-after-request": 4.0,
    "cut-in-answer": 4.0,
    "swallow": 0.5,
    "half-open": 0.5,
    "delay": 4.0,
    "duplicate": 4.0,
}
KILLS_AFTER = (300, 900, 1300)
"""Acknowledged posts after which the service is killed and started again."""
OFF = {0: timedelta(hours=1), 1: timedelta(hours=-1)}
"""Two bays' clocks are an hour off."""
LIMIT_CPU_S = 180.0
"""Processor time of everything, bays, proxy, service and database: three minutes of one core, where CI has two."""
PATIENCE_S = 4.0


class Counted(Told):
    """Counts what the bays are told."""

    def __init__(self):
        self.kept_ids, self.replays, self.refusals, self.waited = Counter(), 0, [], 0
        self.lock = threading.Lock()

    def kept(self, entry, document, replayed):
        with self.lock:
            self.kept_ids[entry.id] += 1
            self.replays += replayed

    def refused(self, entry, refusal):
        self.refusals.append((entry, refusal))

    def waits(self, why, seconds):
        with self.lock:
            self.waited += 1


class Bay:
    """A bay with a folder, a clock and a spool of its own."""

    def __init__(self, n, folder, url, token, told):
        off = OFF.get(n, timedelta())
        self.clock = lambda: datetime.now(UTC) + off
        self.documents = small_sessions(7000 + n, BAYS[n], SESSIONS, CARS, self.clock())
        self.spool = Spool(folder / BAYS[n] / "spool")
        self.sender = Sender(
            self.spool, Address(url, token), clock=self.clock, told=told,
            patience_s=PATIENCE_S, first_wait_s=0.02, longest_wait_s=1.0,
        )  # fmt: skip

    def work(self):
        """Close sessions and send them, all day."""
        for first in range(0, SESSIONS, AT_ONCE):
            for document in self.documents[first : first + AT_ONCE]:
                self.spool.put(entry_of(document), body_of(document))
            self.sender.send_all()


def kill_now_and_then(ledger, told, over):
    """Kill the service at its moments and start it again."""
    for moment in KILLS_AFTER:
        while len(told.kept_ids) < moment:
            if over.wait(0.02):
                return
        ledger.kill()
        ledger.start()


def content_hash(document):
    """What the ledger holds a session's content against: all but its name and the clock, in one spelling."""
    measured = {name: value for name, value in document.items() if name != "id"}
    return hashlib.sha256(orjson.dumps(measured, option=orjson.OPT_SORT_KEYS)).digest()


def test_eight_bays_of_two_hundred_sessions_each_over_a_bad_line_keep_every_session_exactly_once(
    real_ledger, tmp_path
):
    told, over, begun = Counted(), threading.Event(), time.monotonic()
    cpu_before = time.process_time() + real_ledger.cpu_s()
    with proxy_to(real_ledger.url, at_random(WEIGHTS), seed=20260318) as proxy:
        bays = [Bay(n, tmp_path, proxy.url, real_ledger.post_token(BAYS[n]), told) for n in range(len(BAYS))]
        with meanwhile(partial(kill_now_and_then, real_ledger, told, over)):
            try:
                all_at_once([bay.work for bay in bays])
            finally:
                over.set()
    took, cpu = time.monotonic() - begun, time.process_time() + real_ledger.cpu_s() - cpu_before

    offered = {document["id"]: document for bay in bays for document in bay.documents}
    kept = real_ledger.rows("SELECT id::text, content_hash FROM session")
    ids = Counter(id for id, _ in kept)
    lost, doubled = offered.keys() - ids.keys(), [id for id, times in ids.items() if times > 1]
    print(
        f"\n{sum(proxy.done.values())} faults in {proxy.requests} requests {dict(proxy.done)}, "
        f"{real_ledger.kills} kills of the service; {len(told.kept_ids)} posts acknowledged, {told.replays} of them "
        f"kept before; lost {len(lost)}, doubled {len(doubled)}; {took:.0f} s, of processor time {cpu:.0f} s"
    )
    assert told.refusals == []
    assert lost == set()
    assert doubled == []
    assert ids.keys() == offered.keys()
    assert {id: bytes(hash) for id, hash in kept} == {
        id: content_hash(document) for id, document in offered.items()
    }
    assert real_ledger.rows("SELECT count(*) FROM pull") == [(len(BAYS) * SESSIONS,)]
    assert told.kept_ids == Counter(offered.keys())
    assert all(bay.spool.waiting() == [] for bay in bays)

    assert real_ledger.kills == len(KILLS_AFTER)
    assert all(proxy.done[fault] >= 3 for fault in WEIGHTS), "too few faults to prove anything"
    assert told.replays >= 50, "too few answers were lost to prove anything"
    assert cpu < LIMIT_CPU_S


@pytest.fixture(scope="module")
def token(real_ledger):
    return real_ledger.post_token(BAYS[2])


@pytest.fixture
def one_session(real_ledger, tmp_path, token):
    """Closes a session by a clock and sends it over a proxy with one fault; answers what came of it."""

    def send(fault, seed, off=timedelta(), ago=timedelta()):
        clock = lambda: datetime.now(UTC) + off  # noqa: E731
        (document,) = small_sessions(seed, BAYS[2], 1, CARS, clock() - ago)
        spool = Spool(tmp_path / "spool")
        spool.put(entry_of(document), body_of(document))
        answers = Answers()
        with proxy_to(real_ledger.url, first_only(fault)) as proxy:
            address = Address(proxy.url, token)
            sender = Sender(
                spool, address, clock=clock, told=answers, patience_s=PATIENCE_S, first_wait_s=0.01
            )
            sent = sender.send_all(attempts=10)
        return document, sent, answers.documents, proxy

    return send


class Answers(Told):
    """Keeps what the ledger answered."""

    def __init__(self):
        self.documents = []

    def kept(self, entry, document, replayed):
        self.documents.append((document, replayed))


def times_kept(ledger, document):
    """How often the ledger holds a session."""
    return ledger.rows(f"SELECT count(*) FROM session WHERE id = '{document['id']}'")[0][0]


KEPT_BEFORE = {"cut-after-request", "cut-in-answer", "half-open", "duplicate"}
"""The ledger had the session before the answer that reached the bay."""


@pytest.mark.parametrize(("fault", "seed"), [(fault, 100 + n) for n, fault in enumerate(FAULTS)])
def test_each_fault_by_itself_keeps_the_session_once(real_ledger, one_session, fault, seed):
    document, sent, answers, proxy = one_session(fault, seed)
    assert proxy.done == {fault: 1}
    assert [entry.id for entry in sent.kept] == [document["id"]]
    assert times_kept(real_ledger, document) == 1
    ((_, replayed),) = answers
    if fault != "duplicate":  # there either of the two may be the first
        assert replayed == (fault in KEPT_BEFORE)


def codes_of(answer):
    return {check["code"] for check in answer["checks"]}


def test_a_clock_an_hour_ahead_is_said_and_its_times_are_kept_as_they_are(real_ledger, one_session):
    document, sent, ((answer, _),), _ = one_session(None, 200, off=timedelta(hours=1))
    assert "clock-skew" in codes_of(answer)
    assert datetime.fromisoformat(answer["started_at"]) == datetime.fromisoformat(document["started_at"])
    assert sent.skew.ahead_s == pytest.approx(3600.0, abs=sent.skew.within_s + 1.0)


def test_a_session_that_waited_for_five_hours_does_not_look_like_a_clock_that_is_off(one_session):
    _, sent, ((answer, _),), _ = one_session(None, 201, ago=timedelta(hours=5))
    assert "clock-skew" not in codes_of(answer)
    assert not sent.skew.is_off


def test_a_bay_that_lost_its_folder_and_took_the_same_files_again_doubles_nothing(
    real_ledger, tmp_path, token
):
    """Same number, same content, another id: the ledger answers with the session it has."""
    (document,) = small_sessions(202, BAYS[2], 1, CARS, datetime.now(UTC))
    again = {**document, "id": str(uuid4())}
    answers = Answers()
    for name, one in (("first", document), ("again", again)):
        spool = Spool(tmp_path / name)
        spool.put(entry_of(one), body_of(one))
        Sender(spool, Address(real_ledger.url(), token), told=answers).send_all(attempts=1)
        assert spool.waiting() == []
    assert [(kept["id"], replayed) for kept, replayed in answers.documents] == [
        (document["id"], False), (document["id"], True)
    ]  # fmt: skip
    assert times_kept(real_ledger, again) == 0
