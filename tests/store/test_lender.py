"""Lending connections: a line that is lost takes nothing with it."""

import psycopg
import pytest

from service.store.db import Lender, together


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


def test_a_line_lost_while_lent_is_given_back_without_a_fault_of_its_own(server, lender):
    with lender() as connection:
        cut(server, connection)
        with pytest.raises(psycopg.OperationalError):
            connection.execute("SELECT 1")
    with lender() as another:
        assert another.execute("SELECT 1").fetchone() == (1,)


def test_a_line_lost_among_statements_sent_together_is_an_operational_error(server, lender):
    with lender() as connection:
        cut(server, connection)
        with pytest.raises(psycopg.OperationalError), together(connection), connection.transaction():
            connection.execute("SELECT 1").fetchone()
    with lender() as another:
        assert another.execute("SELECT 1").fetchone() == (1,)


def test_a_line_lost_while_nobody_had_it_is_replaced_before_it_is_lent(server, lender):
    with lender() as connection:
        first = connection.info.backend_pid
    with psycopg.connect(server.superuser_url, autocommit=True) as boss:
        boss.execute("SELECT pg_terminate_backend(%s, 5000)", (first,))
    with lender() as another:
        assert another.execute("SELECT pg_backend_pid()").fetchone() != (first,)
