"""The service is told to stop while a post is under way, and started again."""

import signal
import threading
import time

import psycopg

from service.local import start_server
from tests.cli.conftest import serving
from tests.faults.bays import Bays, figures, kept_in_folder, over_http
from tests.faults.sessions import random_sessions
from tests.faults.test_killed_at_random import CARS, admin_token, fill
from tests.local.conftest import scalar, wait_until

WAITING = (
    "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND usename = 'bayledger_service'"
)


def test_a_post_under_way_is_finished_before_it_stops_and_known_after_it_started_again(quick_folder, tell):
    (document,) = random_sessions(51, 1, CARS)
    bays = Bays.of([document])
    token = admin_token(quick_folder)
    with start_server(quick_folder) as database:
        with serving(quick_folder) as server, over_http(server.url, token) as send:
            fill(server.url, token)
            posting = threading.Thread(target=bays.attempt, args=(send, document["id"]))
            with psycopg.connect(database.superuser_url) as holder:
                holder.execute("LOCK TABLE setup_summary IN SHARE MODE")  # it can be read, and not be written
                posting.start()
                wait_until(lambda: scalar(database.superuser_url, WAITING) == 1)
                server.send(signal.SIGTERM)
                time.sleep(1.0)
                assert not server.is_over(), "it must wait for the post"
            posting.join()
            assert server.ended() == 0
        assert bays.answered == {document["id"]}
        with serving(quick_folder) as server, over_http(server.url, token) as send:
            assert bays.attempt(send, document["id"])
        kept = kept_in_folder(bays, quick_folder)
    tell(figures("told to stop", 1, bays, kept))
    assert kept.is_whole
    assert kept.sessions == 1
