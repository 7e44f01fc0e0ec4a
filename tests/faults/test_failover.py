"""The primary is killed in the middle of posts and its standby takes over, under a service that goes on.

Which acknowledged posts outlast the primary is for Postgres to say: with `synchronous_standby_names` set, all of them
(PostgreSQL documentation, Synchronous Replication); what is lost without it: tests/scale/test_failover.py.
"""

import os
import signal
from collections.abc import Iterator

import pytest

from tests.conftest import copy_of, hurried
from tests.faults.bays import PATIENCE_S, Bays, figures, kept_of, straight_into
from tests.faults.conftest import CARS, poster
from tests.faults.sessions import a_small_shop, random_sessions
from tests.local.conftest import execute, wait_until
from tests.scale.conftest import opened
from tests.scale.two_clusters import APPLICATION, TwoClusters, two_clusters

pytestmark = pytest.mark.machine  # two servers, one of them killed

POSTS = 80
AFTER = 30


@pytest.fixture
def two(migrated_template, tmp_path) -> Iterator[TwoClusters]:
    """A primary that acknowledges nothing before its standby has it."""
    folder = hurried(copy_of(migrated_template, tmp_path / "primary"))
    with two_clusters(folder, tmp_path / "standby") as both:
        execute(both.primary.superuser_url, f"ALTER SYSTEM SET synchronous_standby_names = '{APPLICATION}'")
        execute(both.primary.superuser_url, "SELECT pg_reload_conf()")
        wait_until(lambda: both.on_primary("SELECT sync_state FROM pg_stat_replication") == "sync")
        yield both


def test_posts_acknowledged_before_during_and_after_a_failover_are_all_there_once(two, tell):
    client = opened(two, "", database_url=two.either_url)
    a_small_shop(poster(client), CARS)
    bays = Bays.of(random_sessions(71, POSTS, CARS))
    with bays.at_work(straight_into(client)):
        bays.wait_for(AFTER)
        os.kill(two.primary.cluster.running_pid(), signal.SIGKILL)
        two.promote()
    client.client.application.extensions["bayledger"].close()
    kept = kept_of(bays, two.standby_owner_url)
    tell(figures("failover to the standby", 1, bays, kept))
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == POSTS
    assert bays.refused, "nothing was under way when the primary died"
    assert bays.unclear == []


def test_posts_to_a_standby_are_refused_clearly_and_taken_once_it_is_the_primary(two, tell):
    a_small_shop(poster(opened(two, "")), CARS)
    two.caught_up()
    client = opened(two, "", database_url=two.read_url)
    two.caught_up()
    bays = Bays.of(random_sessions(72, 20, CARS))
    with bays.at_work(straight_into(client)):
        wait_until(lambda: len(bays.refused) >= 8, PATIENCE_S)
        assert bays.answered == set()
        two.lose_primary()
        two.promote()
    client.client.application.extensions["bayledger"].close()
    kept = kept_of(bays, two.standby_owner_url)
    tell(figures("posts to a standby until it is promoted", 1, bays, kept))
    assert all("takes no writes" in reply.text for reply in bays.refused)
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == 20
    assert bays.unclear == []
