"""Mends while bays are posting: whatever comes first, all that is posted ends up mended, once."""

import time
from collections.abc import Callable, Iterator
from functools import partial

import pytest

from service.local import LocalServer
from service.store.db import Connection
from tests.api.mending import close, done, ledger_of_its_own
from tests.conftest import Client, version_of
from tests.factories import session, setup
from tests.threads import meanwhile
from tests.tokens import as_the_service

pytestmark = pytest.mark.slow

WHY = {"reason": "found wrong later"}
PERIOD = {"from": "2026-03-01T00:00:00+00:00", "to": "2026-03-20T00:00:00+00:00", "factor": 1.02}
BAYS, VISITS = 3, 5


@pytest.fixture
def own(server: LocalServer, stoats_url: str, request: pytest.FixtureRequest) -> Iterator[tuple[Client, str]]:
    name = f"at_once_{abs(hash(request.node.name)) % 10**8}"
    client, url = ledger_of_its_own(server, name)
    yield client, url
    close(client)


@pytest.fixture
def ledger(own: tuple[Client, str]) -> Client:
    return own[0]


@pytest.fixture
def ledger_url(own: tuple[Client, str]) -> str:
    return own[1]


def other_thread(client: Client) -> Client:
    """A client of the same process for another thread."""
    return Client(client.client.application.test_client(), client.token)


def posting(client: Client, n: int, tags: Callable[[int], str]) -> None:
    """One bay's sessions, each sent again while another change of the same records was faster."""
    mine = other_thread(client)
    for visit in range(VISITS):
        body = session(setup(), setup(["wide-pipe"], 1.05), vehicle=tags(visit), day=1 + n * VISITS + visit)
        for _ in range(20):
            response = mine.post("/v1/sessions", body)
            if response.status_code != 409:
                break
        assert response.status_code == 201, response.text


def while_posting(client: Client, tags: Callable[[int], str], mend: Callable[[], None]) -> None:
    """Mend in the midst of it."""
    with meanwhile(*(partial(posting, client, n, tags) for n in range(BAYS))):
        mend()


def taken(client: Client, path: str, body: dict, status: int = 200) -> dict:
    """A mend, sent again while another change of the same records was faster."""
    for _ in range(20):
        response = client.post(path, body)
        if response.status_code != 409:
            break
    return done(response, status)


def kept(client: Client, query: str = "") -> list[dict]:
    """Every session, whole."""
    found = client.get(f"/v1/sessions?limit=500{query}").json["items"]
    return [client.get(f"/v1/sessions/{one['id']}").json for one in found]


def test_every_pull_of_the_period_is_corrected_whether_it_came_before_or_after(ledger):
    made: list[int] = []

    def mend() -> None:
        first = taken(ledger, "/v1/bays/north/corrections", {**PERIOD, **WHY}, 201)
        taken(ledger, f"/v1/bays/north/corrections/{first['id']}/undo", WHY)
        made.append(taken(ledger, "/v1/bays/north/corrections", {**PERIOD, **WHY}, 201)["id"])

    while_posting(ledger, lambda visit: f"stoat-{1 + visit}", mend)
    sessions = kept(ledger)
    assert len(sessions) == BAYS * VISITS
    found = {
        one["bay_correction"]
        for kept_one in sessions
        for setup in kept_one["setups"]
        for one in setup["pulls"]
    }
    assert found == set(made)
    powers = {round(one["setups"][0]["summary"]["peak_power"]["mean"], 3) for one in sessions}
    assert max(powers) < 1.002 * min(powers)  # none is 2 % off the others


def test_nothing_is_left_under_an_old_tag_that_was_posted_to_while_it_was_merged(ledger):
    def mend() -> None:
        taken(ledger, "/v1/vehicles/stoat-2/merge", {"into": "stoat-1", **WHY})

    while_posting(ledger, lambda visit: f"stoat-{1 + visit % 2}", mend)
    assert {one["vehicle"] for one in kept(ledger)} == {"stoat-1"}
    assert len(kept(ledger)) == BAYS * VISITS


HELD = "SELECT FROM vehicle WHERE tag = %s FOR NO KEY UPDATE NOWAIT"
WAITED_FOR = "SELECT EXISTS (SELECT FROM pg_locks WHERE pg_backend_pid() = ANY (pg_blocking_pids(pid)))"
"""By the locks: what `pg_stat_activity` says stays the same within a transaction."""


def until_waited_for(conn: Connection) -> None:
    """Until somebody waits for what this connection holds."""
    for _ in range(600):
        if conn.execute(WAITED_FOR).fetchone() == (True,):
            return
        time.sleep(0.05)
    raise AssertionError("nobody waits")


def test_two_cars_are_held_in_the_order_of_their_tags_so_that_no_two_mends_wait_for_each_other(
    ledger, ledger_url
):
    conn = as_the_service(ledger_url)
    conn.execute("BEGIN")
    conn.execute(HELD, ("stoat-1",))
    with meanwhile(partial(ledger.post, "/v1/vehicles/stoat-2/merge", {"into": "stoat-1", **WHY})):
        try:
            until_waited_for(conn)
            conn.execute(HELD, ("stoat-2",))  # raises where the merge holds it already
        finally:
            conn.close()


def test_a_car_that_is_being_measured_stays_on_its_platform(ledger, ledger_url):
    heron = {"slug": "heron", "name": "Heron 2.0", "aspiration": "turbo", "ignition": "spark"}
    assert ledger.post("/v1/platforms", heron).status_code == 201
    assert ledger.post("/v1/sessions", session(vehicle="stoat-2")).status_code == 201
    named, answers = version_of(ledger.get("/v1/vehicles/stoat-1")), []

    def move() -> None:
        answers.append(ledger.patch("/v1/vehicles/stoat-1", {"platform": "heron"}, If_Match=named))

    conn = as_the_service(ledger_url)
    conn.execute("BEGIN")
    conn.execute(HELD, ("stoat-1",))
    conn.execute("UPDATE session SET vehicle_id = (SELECT vehicle_id FROM vehicle WHERE tag = 'stoat-1')")
    with meanwhile(move):
        try:
            until_waited_for(conn)
            conn.execute("COMMIT")
        finally:
            conn.close()
    assert [answer.status_code for answer in answers] == [409]
