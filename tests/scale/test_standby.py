"""Answers read from a hot standby while it keeps up, and from the primary where it does not: two real servers."""

import statistics
import threading
from collections.abc import Iterator

import psycopg
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.settings import Settings
from service.store.car_changes import changes_since, mark_now, note_cars
from service.store.standby import BEHIND, GONE, NO_STANDBY, Standby, position_now
from service.store.watched import watched
from tests.api.gains import GAIN, post
from tests.conftest import Client
from tests.factories import session, setup
from tests.scale.conftest import opened, standing
from tests.scale.two_clusters import TwoClusters, standby_of, wait_until
from tests.scale.visibility import posted, visibility
from tests.threads import again_and_again

ANSWERS = [
    f"{GAIN}&curve=true&pairs=true",
    "/v1/typical-gain/questions?part=wide-pipe&platform=stoat",
    "/v1/platforms/stoat/stock-spread",
    "/v1/platforms/stoat/stock-curve",
    "/v1/platforms/stoat/part-choice",
    "/v1/build-estimate?platform=stoat&parts=wide-pipe,road-map",
    "/v1/outliers?platform=stoat",
    "/v1/evidence",
    "/v1/bay-agreement",
    "/v1/search?q=pipe",
    "/v1/vehicles/stoat-1/states",
    "/v1/vehicles/stoat-1/own-readings",
]
ASKED = """
    SELECT coalesce(max(query_start), 'epoch') FROM pg_stat_activity
    WHERE  usename = 'bayledger_service' AND query NOT LIKE '%secret_hash%' AND query NOT LIKE '%system_identifier%'
           AND query NOT LIKE '%pg_postmaster_start_time%'
"""
"""When the service last asked a server for anything but who the caller is and how the servers do."""


def cars(client: Client) -> int:
    """On how many cars the gain of the pipe rests."""
    answer = client.get(f"{GAIN}&curve=false&pairs=true")
    assert answer.status_code == 200, answer.json
    return len(answer.json["pairs"])


def pull_with_pipe(client: Client, day: int) -> None:
    """One more comparison of the pipe, always on the same car."""
    level = 1.0 + 0.002 * day  # no curve is ever posted twice
    stock, fitted = setup(scale=level, pulls=1), setup(["wide-pipe"], 1.05 * level, pulls=1)
    post(client, stock, fitted, vehicle="stoat-4", day=day)


def state_of(client: Client) -> str:
    """The version of the model's answer, which moves with every post."""
    return client.get(f"{GAIN}&curve=false").headers["ETag"]


def metric(client: Client, name: str, **labels: str) -> float | None:
    """A sample of /metrics, None where it is not told."""
    families = text_string_to_metric_families(client.get("/metrics").text)
    found = (
        s
        for family in families
        for s in family.samples
        if s.name == f"bayledger_{name}" and s.labels == labels
    )
    return next((one.value for one in found), None)


def test_answers_are_read_from_the_standby_and_not_from_the_primary(two, reading):
    assert cars(reading) > 0
    standby, primary = two.on_standby(ASKED), two.on_primary(ASKED)
    assert cars(reading) > 0
    assert two.on_standby(ASKED) > standby
    assert two.on_primary(ASKED) <= primary


def test_every_answer_is_the_same_from_either(reading, primary_only):
    for path in ANSWERS:
        read, asked = reading.get(path), primary_only.get(path)
        assert (read.status_code, asked.status_code) == (200, 200), path
        same = {name: value for name, value in read.json.items() if name != "as_of"}
        assert same == {name: value for name, value in asked.json.items() if name != "as_of"}, path
        assert read.headers.get("ETag") == asked.headers.get("ETag"), path


def test_who_posts_and_asks_at_once_sees_the_post(two, reading):
    seen = [state_of(reading)]
    for day in range(1, 7):
        pull_with_pipe(reading, day)
        seen.append(state_of(reading))
    assert len(set(seen)) == 7
    wait_until(lambda: standing(reading).used)  # slower than its question waits, the primary answers
    before = two.on_standby(ASKED)
    state_of(reading)
    assert two.on_standby(ASKED) > before


def test_who_asks_another_process_sees_it_too(two, reading):
    other = opened(two, two.read_url)
    wait_until(lambda: standing(other).used)
    for day in range(13, 16):
        pull_with_pipe(reading, day)
        assert state_of(other) == state_of(reading)
    other.client.application.extensions["bayledger"].close()


def test_a_post_is_to_be_read_at_the_standby_a_moment_after_it_is_kept(two, primary_only):
    def post_one() -> str:
        answer = primary_only.post(
            "/v1/sessions", session(setup(scale=1.0 + 0.003 * next(days), pulls=1), vehicle="stoat-3")
        )
        assert answer.status_code == 201, answer.json
        return answer.json["id"]

    days = iter(range(1, 6))
    found = visibility(two.read_url, [posted(post_one)] * 5)
    assert statistics.median(found.visible_s) < Settings().read_max_lag_s


def test_a_standby_that_waits_while_the_primary_is_idle_is_not_behind(two, reading):
    two.caught_up()
    wait_until(lambda: standing(reading).used and standing(reading).lag_bytes == 0)
    assert standing(reading).lag_s == 0.0


@pytest.fixture
def paused(two: TwoClusters) -> Iterator[TwoClusters]:
    """The standby answers and replays nothing."""
    with two.paused():
        yield two


def test_what_was_kept_while_the_standby_stands_still_is_answered_by_the_primary(paused, reading):
    before = state_of(reading)
    already = metric(reading, "answers_read_total", server="primary") or 0
    pull_with_pipe(reading, 20)
    for _ in range(3):
        assert state_of(reading) != before
    assert metric(reading, "answers_read_total", server="primary") == already + 3


@pytest.fixture
def patient(two: TwoClusters) -> Iterator[Standby]:
    """The standby as a service sees it that never leaves it alone for its lag."""
    client = opened(two, two.read_url, read_max_lag_s=1e6)
    wait_until(lambda: standing(client).used)
    yield client.client.application.extensions["bayledger"].read
    client.client.application.extensions["bayledger"].close()


def test_what_is_read_behind_the_answers_sees_all_that_was_kept_too(two, patient, primary_only):
    asked = "SELECT pg_is_in_recovery()"
    two.caught_up()
    with patient() as lent:
        assert lent.execute(asked).fetchone() == (True,)
    with two.paused():
        pull_with_pipe(primary_only, 25)
        with patient() as lent:
            assert lent.execute(asked).fetchone() == (False,)


@pytest.fixture
def anybody(reading: Client, primary_only: Client) -> Iterator[Client]:
    """Somebody without a token, where reading is open."""
    for is_open in (True, False):
        etag = primary_only.get("/v1/settings").headers["ETag"]
        changed = primary_only.patch("/v1/settings", {"open_reading": is_open}, If_Match=etag)
        assert changed.status_code == 200
        if is_open:
            yield Client(reading.client.application.test_client(), None)


def test_who_asks_without_a_token_sees_all_that_was_kept_too(two, anybody, primary_only):
    with two.paused():
        before = state_of(anybody)
        pull_with_pipe(primary_only, 27)
        assert state_of(anybody) != before


def test_how_far_a_standby_was_says_nothing_of_its_next_run(two, patient, primary_only):
    """It may have been put back meanwhile."""
    with two.paused(), psycopg.connect(two.url, autocommit=True) as primary:
        pull_with_pipe(primary_only, 26)
        patient._reached = ("the run before", 2**62)
        assert patient.borrow(position_now(primary)) is None


@pytest.mark.machine
def test_its_lag_grows_until_it_is_left_alone_and_it_is_asked_again_once_it_has_caught_up(two):
    client = opened(two, two.read_url, read_max_lag_s=0.3)
    wait_until(lambda: standing(client).used)
    two.pause()
    pull_with_pipe(client, 21)
    wait_until(lambda: (standing(client).lag_s or 0.0) > 0.3)
    assert standing(client).why_not == BEHIND
    assert standing(client).lag_bytes > 0
    two.resume()
    wait_until(lambda: standing(client).used)
    before = two.on_standby(ASKED)
    state_of(client)
    assert two.on_standby(ASKED) > before
    client.client.application.extensions["bayledger"].close()


@pytest.mark.machine
def test_a_killed_standby_fails_no_answer_and_is_asked_again_once_it_is_back(two, reading):
    codes: list[int] = []

    def ask() -> None:
        mine = Client(reading.client.application.test_client(), reading.token)
        codes.append(mine.get(f"{GAIN}&curve=false").status_code)

    with again_and_again(*[ask] * 3):
        for stop in (two.kill_standby, two.stop_standby):
            stop()
            wait_until(lambda: standing(reading).why_not == GONE)
            two.start_standby()
            wait_until(lambda: standing(reading).used)
    assert len(codes) > 20
    assert set(codes) == {200}


def test_an_answer_whose_line_to_the_standby_breaks_in_its_middle_is_given_all_the_same(two, reading):
    answers = []
    state_of(reading)
    asking = threading.Thread(target=lambda: answers.append(reading.get("/v1/evidence").status_code))
    waits = "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND usename = 'bayledger_service'"
    ended = f"SELECT count(pg_terminate_backend(pid)) FROM ({waits.replace('count(*)', 'pid')}) waiting"
    with two.locked("pair") as primary:
        two.caught_up()  # a lock on a table is replayed too
        asking.start()
        wait_until(lambda: two.on_standby(waits) == 1)
        two.on_standby(ended)
        wait_until(lambda: two.on_primary(waits) == 1)
        primary.rollback()
        asking.join()
    assert answers == [200]
    assert metric(reading, "answers_read_again_total") == 1


def test_metrics_tell_where_answers_are_read_and_how_far_the_standby_is(two, reading):
    two.caught_up()
    wait_until(lambda: metric(reading, "standby_lag_bytes") == 0)
    assert (metric(reading, "standby_used"), metric(reading, "standby_lag_seconds")) == (1, 0)
    for _ in range(3):
        state_of(reading)
    assert metric(reading, "answers_read_total", server="standby") == 3
    two.pause()
    pull_with_pipe(reading, 24)
    state_of(reading)
    assert metric(reading, "answers_read_total", server="primary") == 1
    wait_until(lambda: (metric(reading, "standby_lag_seconds") or 0.0) > 0.1)
    assert (metric(reading, "standby_lag_bytes") or 0) > 0
    two.resume()
    wait_until(lambda: metric(reading, "standby_used") == 1)


def test_metrics_tell_that_a_standby_is_gone(two, reading):
    two.stop_standby()
    wait_until(lambda: metric(reading, "standby_used") == 0)
    two.start_standby()
    wait_until(lambda: metric(reading, "standby_used") == 1)


def test_metrics_count_the_connections_to_both(reading):
    state_of(reading)
    for server in ("primary", "standby"):
        assert metric(reading, "pool_connections", server=server, state="all") >= 1
        assert metric(reading, "pool_connections", server=server, state="waited-for") == 0


def test_metrics_tell_how_much_evidence_there_is(two, primary_only):
    post(primary_only, setup(scale=1.07, pulls=3), vehicle="stoat-4", day=28)
    names = {"vehicle": "cars", "setup": "setups", "pull": "pulls", "pair": "pairs"}
    counts = {table: two.on_primary(f"SELECT count(*) FROM {table}") for table in names}
    assert len({0, *counts.values()}) == 5, "each can be told from the others"
    for table, name in names.items():
        kept = counts[table]
        with psycopg.connect(two.primary.superuser_url) as conn:
            conn.execute(f"ANALYZE {table}")
        wait_until(lambda name=name, kept=kept: metric(primary_only, name) == kept)


def test_so_does_a_standby_that_took_over_before_its_own_statistics_have_begun(two):
    with psycopg.connect(two.primary.superuser_url) as conn:
        conn.execute("ANALYZE setup")
    two.caught_up()
    seen = watched(lambda: psycopg.connect(two.read_url))
    assert seen is not None
    assert seen.setups == two.on_primary("SELECT count(*) FROM setup") > 0


def test_posts_never_ask_the_standby(two, reading):
    two.stop_standby()
    before = two.on_primary("SELECT count(*) FROM session")
    pull_with_pipe(reading, 22)
    assert two.on_primary("SELECT count(*) FROM session") == before + 1
    two.start_standby()


@pytest.mark.parametrize(
    ("error", "asked_again", "used_on"),
    [
        (
            psycopg.errors.SerializationFailure(),
            True,
            True,
        ),  # a reader in the way of the replay is cancelled by it
        (psycopg.errors.AdminShutdown(), True, False),
        (psycopg.OperationalError("the connection was lost"), True, False),
        (psycopg.errors.QueryCanceled(), False, True),  # it took too long: at the primary it would too
        (psycopg.errors.UndefinedTable(), False, True),
        (ValueError(), False, True),
    ],
)
def test_what_the_standby_failed_is_asked_of_the_primary_and_nothing_else(
    two, reading, error, asked_again, used_on
):
    standby = reading.client.application.extensions["bayledger"].read
    two.caught_up()
    lent = standby.borrow(0)
    assert lent is not None
    asked = standby.failed(lent, error)
    used = standing(reading).used
    standby.give_back(lent)
    assert (asked, used) == (asked_again, used_on)


def test_a_change_seen_at_the_primary_is_not_told_again_by_a_standby_that_sees_it_later(two):
    with (
        psycopg.connect(two.url, autocommit=True) as primary,
        psycopg.connect(two.read_url, autocommit=True) as standby,
    ):
        before = mark_now(primary)
        two.pause()
        note_cars(primary, [1, 2])
        at_primary = changes_since(primary, before)
        assert at_primary.vehicle_ids == {1, 2}
        behind = changes_since(standby, at_primary.mark)
        two.resume()
        two.caught_up()
        later = changes_since(standby, behind.mark)
        assert (behind.vehicle_ids, later.vehicle_ids) == (frozenset(), frozenset())
        assert behind.mark.count == later.mark.count == at_primary.mark.count
        note_cars(primary, [3])
        two.caught_up()
        assert changes_since(standby, later.mark).vehicle_ids == {3}


def test_an_address_that_is_no_standby_is_never_asked(two):
    client = opened(two, two.url)
    wait_until(lambda: standing(client).why_not == NO_STANDBY)
    assert cars(client) > 0
    client.client.application.extensions["bayledger"].close()


@pytest.mark.machine
def test_a_standby_that_was_promoted_is_never_asked_again(two, tmp_path_factory):
    with standby_of(two.primary, tmp_path_factory.mktemp("another") / "standby") as another:
        client = opened(another, another.read_url)
        wait_until(lambda: standing(client).used)
        another.promote()
        wait_until(lambda: standing(client).why_not == NO_STANDBY)
        before = state_of(client)
        pull_with_pipe(client, 23)
        assert state_of(client) != before
        client.client.application.extensions["bayledger"].close()
