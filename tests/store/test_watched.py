"""What is watched of a ledger: when a bay last posted, told by when the ledger took it, at the same cost however much is kept."""

from collections.abc import Iterator
from contextlib import nullcontext

import psycopg
import pytest

from service.local import LocalServer
from service.store.db import Connection
from service.store.watched import WATCHED, watched
from tests.conftest import admin_token, client_over, new_database
from tests.factories import session

LATER = 20_000
LOOK_UP = 10
"""Pages of a look-up more, where its index has grown by a level or two."""


@pytest.fixture(scope="module")
def hand(server: LocalServer, stoats_template: str) -> Iterator[Connection]:
    """A superuser's connection to a shop whose two bays posted; the third never did."""
    owner_url, url = new_database(server, "watched", stoats_template)
    with client_over(url, admin_token(owner_url)) as client:
        assert client.post("/v1/bays", {"slug": "south", "name": "South", "kind": "hub"}).status_code == 201
        for bay, day in (("hub", 3), ("north", 20), ("north", 10)):
            assert client.post("/v1/sessions", session(bay=bay, day=day)).status_code == 201
    with psycopg.connect(
        server.superuser_url.replace("/bayledger?", "/watched?"), autocommit=True
    ) as superuser:
        superuser.execute("SET session_replication_role = replica")
        yield superuser


def ages(conn: Connection) -> dict[str, float]:
    """How long ago each bay last posted [s]."""
    seen = watched(lambda: nullcontext(conn))
    assert seen is not None
    return dict(seen.bays_last_post_age_s)


def test_a_bay_that_posts_an_old_session_late_has_posted_now(hand):
    """As is one whose clock was ahead before: what came earlier says that it was measured later."""
    with hand.transaction(force_rollback=True):
        hand.execute(
            "UPDATE session SET received_at = received_at - interval '10 days' WHERE started_at > '2026-03-15'"
        )
        found = ages(hand)
    assert found.keys() == {"hub", "north"}
    assert 0 <= found["north"] < 600


def test_a_ledger_many_times_as_large_is_watched_at_the_same_cost(hand):
    """Also a bay that was given up long ago, and one that never posted."""
    with hand.transaction(force_rollback=True):
        hand.execute("ANALYZE session")
        before = pages_read(hand)
        hand.execute(
            """
            INSERT INTO session (id, vehicle_id, bay_id, started_at, content_hash, posted_by)
            SELECT gen_random_uuid(), vehicle_id, bay_id, started_at + n * interval '1 minute', sha256(n::text::bytea), 'test'
            FROM   generate_series(1, %s) n,
                   (SELECT * FROM session JOIN bay USING (bay_id) WHERE slug = 'north' LIMIT 1) like_this
            """,
            (LATER,),
        )
        hand.execute("ANALYZE session")
        assert ages(hand).keys() == {"hub", "north"}
        assert pages_read(hand) <= before + LOOK_UP


def pages_read(conn: Connection) -> int:
    """How many pages the database looks at, by its own count (EXPLAIN, BUFFERS)."""
    for _ in range(2):  # the first look marks what it sees as seen
        (row,) = conn.execute("EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON) " + WATCHED).fetchone()
    plan = row[0]["Plan"]
    return plan["Shared Hit Blocks"] + plan["Shared Read Blocks"]
