"""With a hot standby, answers read from it and everything else from the primary."""

import contextlib

import psycopg
import pytest

from tests.factories import a_shop, session, setup


@pytest.fixture
def standby(server, app):
    """A second connection that sees only what is committed, as a standby does; it counts how often it is lent."""
    lent = []
    with psycopg.connect(server.service_url, autocommit=True) as other:

        def read():
            lent.append(other)
            return contextlib.nullcontext(other)

        app.extensions["bayledger"].read = read
        yield lent


def test_answers_ask_the_standby_and_posts_do_not(admin, standby):
    a_shop(admin)
    assert admin.post("/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05))).status_code == 201
    assert standby == []
    # The shop of this test is not committed, so the standby does not know it: the answer did come from there.
    answer = admin.get("/v1/typical-gain?part=wide-pipe&platform=stoat")
    assert (answer.status_code, len(standby)) == (404, 1)


def test_a_request_borrows_the_standby_once_however_often_it_reads(admin, standby):
    admin.get("/v1/evidence")
    assert len(standby) == 1
