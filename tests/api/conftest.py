"""A shop with one of everything, and a bay's own client."""

import pytest
from flask import Flask

from service.store import tokens
from service.store.db import Connection
from tests.api.bodies import fill
from tests.conftest import Client


@pytest.fixture
def shop(admin: Client) -> Client:
    """The admin's client over a shop with one platform, car, part and bay."""
    fill(admin)
    return admin


@pytest.fixture
def bay(shop: Client, app: Flask, connection: Connection) -> Client:
    """A client with the token of the bay `north`."""
    return Client(app.test_client(), tokens.create_token(connection, scope="post", bay="north", name="north"))


@pytest.fixture
def stoats(admin: Client) -> Client:
    """The admin's client over a shop of twelve like cars, two bays and three parts (`stoats_url` made it)."""
    return admin


@pytest.fixture
def north(stoats: Client, app: Flask, connection: Connection) -> Client:
    """A client with the token of that shop's bay `north`."""
    return Client(app.test_client(), tokens.create_token(connection, scope="post", bay="north", name="north"))
