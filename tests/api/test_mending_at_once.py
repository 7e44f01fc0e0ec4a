"""Mends while bays are posting: whatever comes first, all that is posted ends up mended, once."""

from collections.abc import Callable, Iterator
from functools import partial

import pytest

from service.local import LocalServer
from tests.api.mending import close, done, ledger_of_its_own
from tests.conftest import Client
from tests.factories import session, setup
from tests.threads import meanwhile

pytestmark = pytest.mark.slow

WHY = {"reason": "found wrong later"}
PERIOD = {"from": "2026-03-01T00:00:00+00:00", "to": "2026-03-20T00:00:00+00:00", "factor": 1.02}
BAYS, VISITS = 3, 5


@pytest.fixture
def ledger(server: LocalServer, stoats_url: str, request: pytest.FixtureRequest) -> Iterator[Client]:
    name = f"at_once_{abs(hash(request.node.name)) % 10**8}"
    client, _ = ledger_of_its_own(server, name)
    yield client
    close(client)


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
