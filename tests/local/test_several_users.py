"""Several processes, one data folder."""

import pytest

from service.local import start_server
from tests.local.conftest import User, postmaster_of, scalar

pytestmark = pytest.mark.machine  # programs are started and killed over and over: minutes


@pytest.mark.parametrize("number", [2, 4])
def test_processes_starting_at_once_share_one_server_and_the_last_one_stops_it(folder, number):
    users = [User.of(folder) for _ in range(number)]
    urls = [user.url() for user in users]
    servers = {scalar(url, "select pg_postmaster_start_time()") for url in urls}
    assert len(servers) == 1
    for user in users[:-1]:
        user.leave()
        assert postmaster_of(folder) is not None
    users[-1].leave()
    assert postmaster_of(folder) is None


def test_two_uses_in_one_process_count_as_two(folder):
    first, second = start_server(folder), start_server(folder)
    first.stop()
    assert scalar(second.owner_url, "select 1") == 1
    second.stop()
    assert postmaster_of(folder) is None


def test_starts_and_stops_crossing_each_other_always_get_a_server(folder):
    start_server(folder).stop()
    for _ in range(3):
        users = [User.of(folder) for _ in range(2)]
        for user in users:
            assert scalar(user.url(), "select 1") == 1
            user.leave()
    assert postmaster_of(folder) is None
