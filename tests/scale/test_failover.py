"""The primary is lost and the standby takes its place, under a service that goes on."""

from collections.abc import Iterator

import pytest

from tests.api.gains import GAIN, post
from tests.conftest import Client, copy_of, hurried
from tests.factories import a_shop, setup
from tests.scale.conftest import client_of, opened, standing
from tests.scale.two_clusters import TwoClusters, two_clusters, wait_until


@pytest.fixture
def two(migrated_template, tmp_path) -> Iterator[TwoClusters]:
    """A primary of the test's own, with an empty standby."""
    with two_clusters(
        hurried(copy_of(migrated_template, tmp_path / "primary")), tmp_path / "standby"
    ) as both:
        yield both


def measured(client: Client, car: int, gain: float, pulls: int = 1) -> None:
    """A car without and with the pipe."""
    level = 1.0 + 0.003 * car
    fitted = setup(["wide-pipe"], gain * level, pulls=pulls)
    post(client, setup(scale=level, pulls=pulls), fitted, vehicle=f"stoat-{car}", day=car)


def answer(client: Client) -> dict:
    """What the history says of the pipe, without the moment it was asked."""
    found = client.get(f"{GAIN}&pairs=true")
    assert found.status_code == 200, found.json
    return {name: value for name, value in found.json.items() if name != "as_of"}


@pytest.mark.machine
def test_posts_that_were_lost_with_the_primary_are_in_no_answer_and_those_after_are_in_all(two):
    client = opened(two, two.read_url, database_url=two.either_url)
    a_shop(client, cars=5)
    for car in (1, 2, 3):
        measured(client, car, 1.05)
    wait_until(lambda: standing(client).used)
    two.caught_up()
    two.kill_standby()
    measured(client, 4, 1.30)
    with_the_lost = answer(client)
    two.lose_primary()
    two.start_standby()
    two.promote()
    measured(client, 5, 1.04)  # under numbers that the lost post had too
    fresh = client_of(client.token, database_url=two.either_url)
    wait_until(lambda: answer(client) == answer(fresh))
    assert {pair["vehicle"] for pair in answer(client)["pairs"]} == {
        "stoat-1",
        "stoat-2",
        "stoat-3",
        "stoat-5",
    }
    assert answer(client) != with_the_lost
    for each in (client, fresh):
        each.client.application.extensions["bayledger"].close()
