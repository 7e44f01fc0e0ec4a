"""What cannot be done at this moment is answered 503, says why, and says when to come again (RFC 9110 section 15.6.4)."""

import psycopg
import pytest

from tests.factories import a_shop, session, setup


@pytest.fixture
def failing(admin, monkeypatch):
    """Post a session where the database fails in some way."""
    a_shop(admin, 1)

    def post(error: Exception):
        def fails(*_, **__):
            raise error

        monkeypatch.setattr("service.api.sessions.post_session", fails)
        return admin.post("/v1/sessions", session(setup(pulls=1)))

    return post


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (psycopg.errors.ReadOnlySqlTransaction(), "takes no writes"),
        (psycopg.errors.DiskFull(), "disk of the database is full"),
        (psycopg.errors.QueryCanceled(), "took longer"),
        (psycopg.errors.TooManyConnections(), "cannot be reached"),
        (psycopg.errors.AdminShutdown(), "cannot be reached"),
        (psycopg.OperationalError("the connection was lost"), "cannot be reached"),
    ],
)
def test_what_a_database_does_not_do_now_is_503_with_why_and_when_to_come_again(failing, error, words):
    answer = failing(error)
    assert answer.status_code == 503
    assert answer.content_type == "application/problem+json"
    assert words in answer.json["detail"]
    assert int(answer.headers["Retry-After"]) > 0


def test_a_statement_that_fails_on_another_schema_is_503_and_names_both_revisions(failing, monkeypatch):
    monkeypatch.setattr("service.store.readiness.REVISION", "9999")
    answer = failing(psycopg.errors.UndefinedColumn())
    assert answer.status_code == 503
    assert "needs 9999" in answer.json["detail"]
    assert "bayledger migrate" in answer.json["detail"]
    assert int(answer.headers["Retry-After"]) > 0


def test_a_statement_that_fails_on_our_own_schema_is_our_fault_and_has_nothing_to_wait_for(failing):
    answer = failing(psycopg.errors.UndefinedColumn())
    assert answer.status_code == 500
    assert "Retry-After" not in answer.headers
    assert answer.json["instance"].startswith("urn:uuid:")
