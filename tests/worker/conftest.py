"""A committed ledger of a few cars, for what needs connections of its own."""

from collections.abc import Iterator

import psycopg
import pytest

from service.local import LocalServer
from tests.conftest import client_over, new_database
from tests.factories import a_shop, session, setup
from tests.tokens import admin_token


@pytest.fixture(scope="session")
def measured_url(server: LocalServer) -> str:
    """A database in which three cars were measured with and without a part."""
    owner_url, url = new_database(server, "measured")
    measure_three_cars(owner_url, url)
    return url


def measure_three_cars(owner_url: str, url: str) -> None:
    """Post, for good, three cars with and without a part."""
    with client_over(url, admin_token(owner_url)) as client:
        a_shop(client)
        for day, gain in enumerate((1.04, 1.05, 1.06), 1):
            body = session(setup(), setup(["wide-pipe"], gain), vehicle=f"stoat-{day}", day=day)
            answer = client.post("/v1/sessions", body)
            assert answer.status_code == 201, answer.json


@pytest.fixture
def lines(measured_url: str, server: LocalServer) -> Iterator[list[psycopg.Connection]]:
    """Three connections to it; the fits and wishes that a test leaves are taken away again."""
    opened = [psycopg.connect(measured_url, autocommit=True) for _ in range(3)]
    yield opened
    for line in opened:
        line.close()
    owner_url = server.owner_url.replace("/bayledger?", "/measured?")
    with psycopg.connect(owner_url, autocommit=True) as owner:
        owner.execute("TRUNCATE model_fit, refit_wish")


@pytest.fixture
def empty_url(server: LocalServer) -> str:
    """The run's own database, in which nothing is committed that counts."""
    return server.service_url
