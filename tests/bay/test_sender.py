"""What the sender makes of each answer: the session goes, lies refused, or waits."""

import hashlib
import json
import re
import threading
from datetime import UTC, datetime, timedelta

import filelock
import pytest

from service.bay.sender import Address, Sender, Told
from service.bay.spool import Spool
from tests.bay.answering import PROBLEM, Answer, answering, kept, problem
from tests.bay.sessions import body_of, entry_of, small_sessions
from tests.setup.check import ROOT

NOW = datetime(2026, 3, 18, 12, 0, tzinfo=UTC)
SESSIONS = small_sessions(1, "bay-0", 3, ["car-00"], NOW)


@pytest.fixture
def spool(tmp_path):
    spool = Spool(tmp_path / "spool")
    spool.put(entry_of(SESSIONS[0]), body_of(SESSIONS[0]))
    return spool


class Heard(Told):
    """Keeps what is told; the first wait is the last."""

    def __init__(self):
        self.stop, self.waited = threading.Event(), []

    def waits(self, why, seconds):
        self.waited.append((why, seconds))
        self.stop.set()


def send(spool, url, attempts=1, **more):
    return Sender(spool, Address(url, "t"), first_wait_s=0.001, longest_wait_s=0.002, **more).send_all(
        attempts=attempts
    )


def test_a_session_goes_out_as_it_was_closed_with_the_clock_of_this_moment_under_a_key_of_its_content(spool):
    with answering(kept) as ledger:
        sent = send(spool, ledger.url, clock=lambda: NOW)
    assert sent.kept == [entry_of(SESSIONS[0])]
    assert ledger.posts == [{"clock": NOW.isoformat(), **SESSIONS[0]}]
    (headers,) = ledger.headers
    body = b'{"clock":"' + NOW.isoformat().encode() + b'",' + body_of(SESSIONS[0])[1:]
    assert headers["Idempotency-Key"] == hashlib.sha256(body).hexdigest()
    assert headers["Authorization"] == "Bearer t"
    assert spool.waiting() == []


def test_sessions_are_sent_in_the_bays_order_whatever_order_they_came_in(spool):
    for session in (SESSIONS[2], SESSIONS[1]):
        spool.put(entry_of(session), body_of(session))
    with answering(kept) as ledger:
        send(spool, ledger.url)
    assert [post["sequence"] for post in ledger.posts] == [1, 2, 3]


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Answer(200, "<html>Welcome to our network</html>"), "does not answer like a ledger"),
        (Answer(201, {"id": "another"}), "does not answer like a ledger"),
        (Answer(302, "", {"Location": "http://elsewhere/"}), "not where a ledger takes sessions"),
        (Answer(400, "<html>proxy</html>"), "cannot take it now"),
        (problem(401, "this token is unknown"), "does not know the token"),
        (problem(403, "this needs scope post"), "may not post"),
        (problem(404, "there is nothing at /x"), "check the address"),
        (problem(409, "being worked on at this moment"), "cannot take it now: being worked on"),
        (problem(429, "too many"), "cannot take it now: too many (429)"),
        (problem(500, "the fault is ours"), "the fault is ours (500)"),
        (Answer(502, "Bad Gateway"), "(502)"),
        (problem(503, "the database is away"), "the database is away (503)"),
    ],
)
def test_what_is_not_about_the_session_leaves_it_waiting_and_says_why(spool, answer, words):
    with answering(lambda _: answer) as ledger:
        sent = send(spool, ledger.url)
    assert words in sent.why_not
    assert spool.waiting() == [entry_of(SESSIONS[0])]
    assert spool.body(entry_of(SESSIONS[0])) == body_of(SESSIONS[0])


def in_the_clear() -> Answer:
    """What the shop's proxy says to a program that asks without TLS."""
    (said,) = re.findall(r"return 403 '(.+)';", (ROOT / "service/proxy/tls_only.conf").read_text())
    return Answer(403, json.loads(said), {"Content-Type": PROBLEM})


@pytest.mark.parametrize(
    "answer", [in_the_clear(), Answer(301, "", {"Location": "https://ledger.shop/v1/sessions"})]
)
def test_an_address_without_tls_is_told_to_be_one_and_no_token_is_blamed(spool, answer):
    """Another token would cross the network in the clear as well."""
    with answering(lambda _: answer) as proxy:
        sent = send(spool, proxy.url)
    assert sent.why_not == (
        f"the ledger is reached over https:// only ({answer.status}): write the address (url) with https://; a token that "
        "was sent in the clear should be revoked"
    )
    assert spool.waiting() == [entry_of(SESSIONS[0])]


@pytest.mark.parametrize("errors", ["x", {"code": "https-only"}, ["https-only"], None, [{}]])
def test_an_answer_of_whatever_shape_is_not_stumbled_over(spool, errors):
    answer = Answer(403, {"detail": "no", "errors": errors}, {"Content-Type": PROBLEM})
    with answering(lambda _: answer) as proxy:
        assert "the token may not post: no (403)" in send(spool, proxy.url).why_not


@pytest.mark.parametrize(
    "answer",
    [
        problem(400, "the body is not JSON"),
        problem(409, "kept already with other content", [{"pointer": "/id", "detail": "kept already"}]),
        Answer(413, "<html>too large, says a proxy</html>"),
        problem(
            422, "2 faults", [{"pointer": "/bay", "value": "n", "detail": "no bay 'n'; nearest: 'north'"}]
        ),
    ],
)
def test_what_the_ledger_will_never_take_lies_beside_its_reason(spool, answer):
    with answering(lambda _: answer) as ledger:
        sent = send(spool, ledger.url)
    (entry,) = sent.refused
    assert (spool.waiting(), spool.refused()) == ([], [entry])
    assert spool.why(entry).status == answer.status
    assert spool.body(entry) == body_of(SESSIONS[0])
    assert sent.why_not is None


def test_each_fault_is_kept_with_its_place_and_the_value_that_was_sent(spool):
    faults = [{"pointer": "/bay", "value": "n", "detail": "no bay 'n'; nearest: 'north'"}]
    with answering(lambda _: problem(422, "one fault", faults)) as ledger:
        send(spool, ledger.url)
    assert spool.why(entry_of(SESSIONS[0])).faults == ("bay (\"n\"): no bay 'n'; nearest: 'north'",)


def test_a_refused_session_can_be_sent_again_and_one_given_up_is_kept(spool):
    entry = entry_of(SESSIONS[0])
    with answering(lambda _: problem(422, "no part 'x'")) as ledger:
        send(spool, ledger.url)
        spool.retry(entry)
        assert (spool.waiting(), spool.refused(), spool.why(entry)) == ([entry], [], None)
        send(spool, ledger.url)
    spool.drop(entry)
    assert (spool.waiting(), spool.refused(), spool.dropped()) == ([], [], [entry])
    assert spool.body(entry) == body_of(SESSIONS[0])


def test_a_session_that_the_ledger_stumbles_over_does_not_hold_up_the_ones_behind_it(spool):
    for session in SESSIONS[1:]:
        spool.put(entry_of(session), body_of(session))
    stumble = lambda session: problem(500, "ours") if session["sequence"] == 1 else kept(session)  # noqa: E731
    with answering(stumble) as ledger:
        sent = send(spool, ledger.url)
    assert [entry.sequence for entry in sent.kept] == [2, 3]
    assert spool.waiting() == [entry_of(SESSIONS[0])]


def test_a_line_that_is_down_is_not_tried_for_each_session(spool):
    for session in SESSIONS[1:]:
        spool.put(entry_of(session), body_of(session))
    with answering(lambda _: problem(503, "away")) as ledger:
        send(spool, ledger.url)
    assert len(ledger.posts) == 1


def test_attempts_are_counted_anew_once_something_got_through(spool):
    for session in SESSIONS[1:]:
        spool.put(entry_of(session), body_of(session))
    asked = []

    def every_third(session):
        asked.append(session["sequence"])
        return kept(session) if len(asked) % 3 == 0 else problem(503, "away")

    with answering(every_third) as ledger:
        sent = send(spool, ledger.url, attempts=3)
    assert asked == [1, 1, 1, 2, 2, 2, 3, 3, 3]
    assert len(sent.kept) == 3


def test_the_ledgers_retry_after_is_waited_for_where_it_is_longer_than_our_own_patience(spool):
    heard = Heard()
    with answering(lambda _: problem(503, "later", Retry_After="7")) as ledger:
        Sender(spool, Address(ledger.url), told=heard, first_wait_s=0.001, longest_wait_s=0.002).send_all(
            heard.stop
        )
    assert [seconds for _, seconds in heard.waited] == [7.0]


def test_waits_grow_and_differ_from_one_bay_to_the_next_up_to_the_longest(spool):
    waits = []
    for _ in range(8):
        told = Told()
        own = []
        told.waits = lambda why, seconds, own=own: own.append(seconds)
        sender = Sender(
            spool, Address("http://127.0.0.1:1"), told=told, first_wait_s=0.01, longest_wait_s=0.04
        )
        sender.send_all(attempts=6)
        waits.append(own)
    assert all(len(own) == 5 for own in waits)
    assert all(0.0 <= own[n] <= min(0.04, 0.01 * 2**n) for own in waits for n in range(5))
    assert len({round(own[4], 6) for own in waits}) > 4


def test_only_one_program_of_a_bay_sends_at_a_time(spool):
    with filelock.FileLock(spool.folder / "sending.lock"), answering(kept) as ledger:
        sent = send(spool, ledger.url)
    assert sent.why_not == "another program of this bay is sending at this moment"
    assert ledger.posts == []


def test_a_ledger_that_is_nowhere_leaves_the_session_waiting(spool):
    sent = send(spool, "http://127.0.0.1:1", attempts=2)
    assert "the line to http://127.0.0.1:1 broke" in sent.why_not
    assert spool.waiting() == [entry_of(SESSIONS[0])]


def test_a_clock_that_is_off_is_measured_by_the_ledgers_date(spool):
    """The server's Date header against a clock an hour ahead: within the second that a header can say."""
    with answering(kept) as ledger:
        sent = send(spool, ledger.url, clock=lambda: datetime.now(UTC) + timedelta(hours=1))
    assert sent.skew.is_off
    assert abs(sent.skew.ahead_s - 3600.0) <= sent.skew.within_s + 0.5
    assert sent.skew.in_words().startswith(
        "The clock of this computer is 60 min ahead of the ledger's: set it."
    )


def test_what_was_measured_of_the_clock_is_still_known_while_the_line_is_down(spool):
    with answering(kept) as ledger:
        one = Sender(spool, Address(ledger.url, "t"), first_wait_s=0.001, longest_wait_s=0.002)
        first = one.send_all(attempts=1)
    spool.put(entry_of(SESSIONS[1]), body_of(SESSIONS[1]))
    later = one.send_all(attempts=1)
    assert "broke" in later.why_not
    assert later.skew == first.skew is not None


def test_sending_never_changes_what_lies_in_the_spool(spool, tmp_path):
    """A thousand characters of anything a label may hold come out as they went in."""
    odd = {**SESSIONS[1], "setups": [{**SESSIONS[1]["setups"][0], "label": 'Grüße, 試験 " \\ \u2028'}]}
    spool.put(entry_of(odd), json.dumps(odd, ensure_ascii=False).encode())
    with answering(kept) as ledger:
        send(spool, ledger.url)
    assert ledger.posts[1]["setups"] == odd["setups"]
