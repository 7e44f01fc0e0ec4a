"""Changes of one record at the same instant, over connections of their own: exactly one wins, the others are told."""

from collections.abc import Callable
from functools import partial

import psycopg
import pytest

from service.app import create_app
from service.settings import Settings
from service.store import tokens
from tests.conftest import Client
from tests.threads import all_at_once

AT_ONCE = 4


@pytest.fixture
def committed(server):
    """A client whose writes stay, and one bay; both are taken away again, but for their history."""
    app = create_app(Settings(database_url=server.service_url, secret="test"))
    with psycopg.connect(server.owner_url, autocommit=True) as owner:
        client = Client(app.test_client(), tokens.create_token(owner, scope="admin", name="at once"))
    client.post("/v1/bays", {"slug": "raced", "name": "Raced", "kind": "hub"})
    yield client
    with psycopg.connect(server.owner_url, autocommit=True) as owner:
        owner.execute("DELETE FROM bay WHERE starts_with(slug, 'raced')")
        owner.execute("DELETE FROM token WHERE name = 'at once'")


def together(work: Callable[[int], object]) -> list[object]:
    """What several answer that begin at the same instant."""
    return all_at_once([partial(work, i) for i in range(AT_ONCE)])


def test_of_changes_to_one_version_exactly_one_is_kept(committed):
    def change(i: int) -> int:
        client = Client(committed.client.application.test_client(), committed.token)
        return client.patch("/v1/bays/raced", {"site": f"site {i}"}, If_Match='"v1"').status_code

    assert sorted(together(change)) == [200, 412, 412, 412]
    assert committed.get("/v1/bays/raced").headers["ETag"].startswith('"v2.')


def test_of_new_records_with_one_slug_exactly_one_is_kept(committed):
    committed.patch("/v1/bays/raced", {"slug": "raced-away"}, If_Match='"v1"')

    def add(_: int) -> int:
        client = Client(committed.client.application.test_client(), committed.token)
        return client.post("/v1/bays", {"slug": "raced", "name": "Raced", "kind": "hub"}).status_code

    assert sorted(together(add)) == [201, 409, 409, 409]
