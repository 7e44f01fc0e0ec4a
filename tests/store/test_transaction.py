"""One transaction whose statements are sent together: all of it is kept, or nothing, whoever fails and when."""

from collections.abc import Iterator
from typing import LiteralString

import psycopg
import pytest
from psycopg.pq import TransactionStatus

from service.domain.errors import Refused, Unavailable
from service.local import LocalServer
from service.store.db import Connection, broken_rule, transaction_together
from tests.local.conftest import wait_until

NOTE = "INSERT INTO history (who, about, action) VALUES ('test', %s, 'posted')"
TWICE = "INSERT INTO slot (slug, name, ordinal) VALUES ('twice', 'Twice', 1), ('twice', 'Twice', 2)"

PATIENCE_S = 60.0


@pytest.fixture
def line(server: LocalServer) -> Iterator[Connection]:
    """A connection as the service lends it: its transactions are real."""
    with psycopg.connect(server.service_url, autocommit=True) as connection:
        yield connection


def noted(server: LocalServer, about: str) -> int:
    """How many such rows another connection sees."""
    with psycopg.connect(server.service_url) as other:
        row = other.execute("SELECT count(*) FROM history WHERE about = %s", (about,)).fetchone()
    assert row is not None
    return int(row[0])


def note_and(line: Connection, about: str, *then: LiteralString, refused: bool = False) -> None:
    """One transaction: a note, further statements nobody waits for, and perhaps a refusal."""
    with transaction_together(line):
        line.execute(NOTE, (about,))
        for statement in then:
            line.execute(statement)
        if refused:
            raise Refused("no")


def test_what_was_written_is_there_for_others_afterwards(server: LocalServer, line: Connection) -> None:
    with transaction_together(line):
        line.execute(NOTE, ("transaction/kept",))
        assert noted(server, "transaction/kept") == 0
    assert noted(server, "transaction/kept") == 1


def test_a_refusal_takes_back_what_was_written_and_leaves_the_line_ready(
    server: LocalServer, line: Connection
) -> None:
    with pytest.raises(Refused):
        note_and(line, "transaction/refused", refused=True)
    assert line.info.transaction_status is TransactionStatus.IDLE
    assert noted(server, "transaction/refused") == 0


def test_a_fault_nobody_waited_for_is_raised_and_nothing_is_kept(
    server: LocalServer, line: Connection
) -> None:
    with pytest.raises(psycopg.errors.UniqueViolation):
        note_and(line, "transaction/fault", TWICE)
    assert line.info.transaction_status is TransactionStatus.IDLE
    assert noted(server, "transaction/fault") == 0


def test_after_a_fault_the_line_keeps_the_next(server: LocalServer, line: Connection) -> None:
    with pytest.raises(psycopg.errors.UniqueViolation):
        note_and(line, "transaction/before", TWICE, "SELECT 1")
    note_and(line, "transaction/next", "SELECT 1")
    assert (noted(server, "transaction/before"), noted(server, "transaction/next")) == (0, 1)


def test_inside_a_transaction_of_the_caller_only_its_own_part_is_taken_back(
    server: LocalServer, line: Connection
) -> None:
    with line.transaction():
        line.execute(NOTE, ("transaction/outer",))
        with pytest.raises(Refused):
            note_and(line, "transaction/inner", refused=True)
    assert (noted(server, "transaction/outer"), noted(server, "transaction/inner")) == (1, 0)


def is_gone(server: LocalServer, line: Connection) -> bool:
    """Whether a connection's server process has ended."""
    with psycopg.connect(server.superuser_url) as other:
        found = other.execute("SELECT FROM pg_stat_activity WHERE pid = %s", (line.info.backend_pid,))
        return found.fetchone() is None


def test_one_that_stands_still_for_too_long_is_taken_back_and_that_is_said_as_for_now(server, line):
    def noted_slowly() -> None:
        with line.transaction():
            line.execute(NOTE, ("still",))
            wait_until(lambda: is_gone(server, line), PATIENCE_S)
            line.execute("SELECT 1")

    line.execute("SET idle_in_transaction_session_timeout = '10ms'")
    with pytest.raises(psycopg.Error) as ended:
        noted_slowly()
    assert noted(server, "still") == 0
    said = broken_rule(ended.value)
    assert isinstance(said, Unavailable)
    assert "nothing was kept, send it again" in said.detail
