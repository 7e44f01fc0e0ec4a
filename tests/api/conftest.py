"""A shop with one of everything, and a bay's own client."""

from collections.abc import Callable
from itertools import count

import psycopg
import pytest
from flask import Flask
from psycopg.conninfo import conninfo_to_dict

from service.api.context import Ledger
from service.local import LocalServer
from service.settings import kept_secret
from service.store.db import Connection
from service.worker.refit import refit
from tests.api.bodies import fill
from tests.api.builds import built
from tests.api.odd_shop import odd_shop
from tests.conftest import LENT, SETTINGS, Client, new_database
from tests.tokens import admin_token, new_token


@pytest.fixture(scope="session")
def shop_url(built_app: Flask, server: LocalServer) -> str:
    """A database with the shop of `shop`."""
    return filled(built_app, server, "shop", "empty", fill)


@pytest.fixture
def shop(admin: Client) -> Client:
    """The admin's client over a shop with one platform, car, part and bay (`shop_url` made it)."""
    return admin


@pytest.fixture
def bay(shop: Client, app: Flask, connection: Connection) -> Client:
    """A client with the token of the bay `north`."""
    return Client(app.test_client(), new_token(connection, scope="post", bay="north", name="north"))


@pytest.fixture
def stoats(admin: Client) -> Client:
    """The admin's client over a shop of twelve like cars, two bays and three parts (`stoats_url` made it)."""
    return admin


@pytest.fixture
def north(stoats: Client, app: Flask, connection: Connection) -> Client:
    """A client with the token of that shop's bay `north`."""
    return Client(app.test_client(), new_token(connection, scope="post", bay="north", name="north"))


@pytest.fixture
def without_model(monkeypatch: pytest.MonkeyPatch) -> None:
    """The ledger as it answers before there is a model: no fit is kept, and none is made here."""
    monkeypatch.setattr("service.answers.model.FITTED_HERE", 0)


def over(app: Flask, connection: Connection) -> Flask:
    """The app that all tests share, over another connection; what it held of the one before goes."""
    LENT.connection = connection
    app.extensions["bayledger"] = Ledger(connect=LENT, vin_key=kept_secret(SETTINGS).encode())
    return app


NUMBERS = count(1)


def numbered(name: str) -> str:
    """A name no other database of this process has: two folders may ask for the same fixture, and each gets its own."""
    return f"{name}_{next(NUMBERS)}"


def database_of(url: str) -> str:
    """The database an address names."""
    return str(conninfo_to_dict(url)["dbname"])


def filled(
    built_app: Flask, server: LocalServer, name: str, template: str, fill_it: Callable[[Client], None]
) -> str:
    """A database filled in one transaction, as a test would fill it: all of it was added at one time."""
    owner_url, url = new_database(server, numbered(name), template)
    token = admin_token(owner_url)
    with psycopg.connect(url, autocommit=True) as connection, connection.transaction():
        fill_it(Client(over(built_app, connection).test_client(), token))
    return url


def prepared(built_app: Flask, server: LocalServer, name: str, fill_it: Callable[[Client], None]) -> str:
    """A database like that of `stoats`, filled, with the model fitted and kept: a test over it need not fit again."""
    owner_url, url = new_database(server, numbered(name), "stoats")
    token = admin_token(owner_url, "filler")
    with psycopg.connect(url, autocommit=True) as connection:
        fill_it(Client(over(built_app, connection).test_client(), token))
        refit(connection)
    return url


@pytest.fixture(scope="session")
def built_url(built_app: Flask, server: LocalServer, stoats_template: str) -> str:
    """Six stoats measured with a pipe, a calibration, both and neither, and three with another pipe; the model fitted."""
    return prepared(built_app, server, "built", built)


@pytest.fixture(scope="session")
def odd_url(built_app: Flask, server: LocalServer, stoats_template: str) -> str:
    """A shop with something wrong in it, the model fitted."""
    return prepared(built_app, server, "odd", odd_shop)
