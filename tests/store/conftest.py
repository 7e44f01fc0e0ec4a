"""Connections whose transactions are real, and a shop of twelve like cars."""

from collections.abc import Iterator

import psycopg
import pytest

from service.local import LocalServer
from service.store.db import Connection
from tests.conftest import Client


@pytest.fixture
def lines(server: LocalServer) -> Iterator[list[Connection]]:
    """Four connections as the service lends them; what they leave of the model's book-keeping is taken away again."""
    opened = [psycopg.connect(server.service_url, autocommit=True) for _ in range(4)]
    yield opened
    for line in opened:
        line.close()
    with psycopg.connect(server.owner_url, autocommit=True) as owner:
        owner.execute("TRUNCATE car_change, model_fit, refit_wish")


@pytest.fixture
def stoats(admin: Client) -> Client:
    """The admin's client over the shop that `stoats_url` made."""
    return admin
