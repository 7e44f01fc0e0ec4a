"""A ledger over a primary and a standby."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest

from service.app import create_app
from service.worker.refit import refit
from tests.api.gains import post
from tests.conftest import SETTINGS, Client, copy_of, hurried
from tests.factories import a_shop, setup
from tests.scale.two_clusters import TwoClusters, two_clusters, wait_until
from tests.tokens import admin_token


@pytest.fixture(scope="module")
def shop_folder(migrated_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder for a primary."""
    return hurried(copy_of(migrated_template, tmp_path_factory.mktemp("two") / "primary"))


@pytest.fixture(scope="module")
def two(shop_folder: Path) -> Iterator[TwoClusters]:
    """A primary and its standby, with a shop of four cars, three of them measured, and a kept fit in them."""
    with two_clusters(shop_folder, shop_folder.parent / "standby") as both:
        client = opened(both, "")
        a_shop(client, cars=4)
        for n in (1, 2, 3):
            post(client, setup(pulls=1), setup(["wide-pipe"], 1.05, pulls=1), vehicle=f"stoat-{n}", day=n)
        with psycopg.connect(both.url, autocommit=True) as conn:
            refit(conn)
        client.client.application.extensions["bayledger"].close()
        both.caught_up()
        yield both


def opened(two: TwoClusters, read_url: str, **settings: object) -> Client:
    """The admin's client of a new service process over both, or over the primary alone."""
    token = admin_token(two.primary.owner_url)
    return client_of(token, **{"database_url": two.url, "read_database_url": read_url, **settings})


def client_of(token: str, **settings: object) -> Client:
    """A client of a new service process."""
    return Client(create_app(replace(SETTINGS, **settings)).test_client(), token)  # type: ignore[arg-type]


def standing(client: Client):
    """How the standby does, as this client's process sees it."""
    return client.client.application.extensions["bayledger"].read.standing


@pytest.fixture
def reading(two: TwoClusters) -> Iterator[Client]:
    """The admin's client of a service that answers from the standby, once it does."""
    client = opened(two, two.read_url)
    wait_until(lambda: standing(client).used)
    yield client
    client.client.application.extensions["bayledger"].close()


@pytest.fixture
def primary_only(two: TwoClusters) -> Iterator[Client]:
    """The admin's client of a service that knows the primary alone."""
    client = opened(two, "")
    yield client
    client.client.application.extensions["bayledger"].close()
