"""Lending connections: a line that is lost takes nothing with it."""

import threading

import psycopg
import pytest
from psycopg_pool import PoolTimeout

from service.store.db import Lender, PoolStanding, together
from tests.local.conftest import wait_until


@pytest.fixture
def lender(server):
    """A lender of one connection over the real server."""
    lent = Lender(server.service_url, 1)
    yield lent
    lent.close()


def cut(server, connection) -> None:
    """End a connection's own server process."""
    with psycopg.connect(server.superuser_url, autocommit=True) as boss:
        boss.execute("SELECT pg_terminate_backend(%s, 5000)", (connection.info.backend_pid,))


def test_who_waits_for_a_connection_is_counted_and_served_when_it_is_given_back(lender):
    asked = []
    with lender() as connection:
        waiting = threading.Thread(target=lambda: asked.append(lender.take()), daemon=True)
        waiting.start()
        wait_until(lambda: lender.standing.waiting)
        assert lender.standing == PoolStanding(size=1, most=1, in_use=1, waiting=1)
    waiting.join(timeout=60)
    assert asked == [connection]
    lender.give_back(connection)
    assert lender.standing == PoolStanding(size=1, most=1, in_use=0, waiting=0)


def test_whoever_waits_too_long_for_a_connection_is_told_so(lender):
    with lender(), pytest.raises(PoolTimeout), lender.within(0.05)():
        pytest.fail("there was none to lend")


def test_a_line_lost_while_lent_is_given_back_without_a_fault_of_its_own(server, lender):
    with lender() as connection:
        cut(server, connection)
        with pytest.raises(psycopg.OperationalError):
            connection.execute("SELECT 1")
    with lender() as another:
        assert another.execute("SELECT 1").fetchone() == (1,)


@pytest.mark.parametrize("behind", [0, 1, 3])
def test_a_line_lost_among_statements_sent_together_is_given_back_without_a_fault_of_its_own(lender, behind):
    def all_of_them(connection) -> None:
        with together(connection):
            cursors = [connection.execute("SELECT pg_terminate_backend(pg_backend_pid())")]
            cursors += [connection.execute("SELECT 1") for _ in range(behind)]
            for cursor in cursors:
                cursor.fetchone()

    with lender() as connection, pytest.raises(psycopg.OperationalError):
        all_of_them(connection)
    with lender() as another:
        assert another.execute("SELECT 1").fetchone() == (1,)


def test_a_statement_left_unanswered_at_the_end_is_no_fault_of_the_next_one(lender):
    """What a request that failed in the middle leaves behind: sent, not read, the pipeline not left."""
    with lender() as connection:
        connection.pgconn.enter_pipeline_mode()
        connection.pgconn.send_query_params(b"SELECT 1", None)
    with lender() as another:
        assert another.execute("SELECT 2").fetchone() == (2,)


def test_a_line_lost_while_nobody_had_it_is_replaced_before_it_is_lent(server, lender):
    with lender() as connection:
        first = connection.info.backend_pid
    with psycopg.connect(server.superuser_url, autocommit=True) as boss:
        boss.execute("SELECT pg_terminate_backend(%s, 5000)", (first,))
    with lender() as another:
        assert another.execute("SELECT pg_backend_pid()").fetchone() != (first,)
