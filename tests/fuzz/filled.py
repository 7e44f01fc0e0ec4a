"""A ledger with something of everything in it, its changes committed, and the names in it that a question can hit."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import psycopg
from flask import Flask

from service.worker.refit import refit
from tests.api.bodies import CORRECTION, EVENT, added
from tests.api.builds import built
from tests.conftest import Client, client_over
from tests.factories import a_shop
from tests.tokens import admin_token

KEPT = 4
"""So many of each kind are asked for by name: enough to meet one that was changed."""


@dataclass(frozen=True)
class Filled:
    """The app over that ledger, an admin's token, and what its things are called, by kind."""

    app: Flask
    token: str
    names: Mapping[str, tuple[Any, ...]]

    @property
    def client(self) -> Client:
        """A client with the admin's token."""
        return Client(self.app.test_client(), self.token)

    def known(self, path: str, place: str, name: str) -> tuple[Any, ...]:
        """What there is that a parameter of an address can name; () where nothing is known of it."""
        if place == "path_parameters" and name == "slug":
            name = path.split("/")[2].removesuffix("s")
        return self.names.get(name, ())


@contextmanager
def filled(owner_url: str, url: str) -> Iterator[Filled]:
    """The shop of `a_shop` in an empty database, measured, mended here and there, the model fitted."""
    with client_over(url, admin_token(owner_url)) as client:
        fill(client)
        with psycopg.connect(url, autocommit=True) as connection:
            refit(connection)
        yield Filled(client.client.application, str(client.token), names_in(client))


def fill(client: Client) -> None:
    """A shop, what it measured, and one of whatever measuring leaves out."""
    a_shop(client)
    built(client)
    added(client, "/v1/bays/north/events", EVENT)
    added(client, "/v1/bays/hub/corrections", CORRECTION)
    added(client, "/v1/slots", {"slug": "brake-ducts", "name": "Brake ducts"})
    added(client, "/v1/vehicles/stoat-1/modifications", {"part": "wide-pipe", "fitted_on": "2026-02-18"})


def names_in(client: Client) -> dict[str, tuple[Any, ...]]:
    """What is in the ledger, by the names that parameters give it."""

    def listed(path: str, name: str) -> tuple[Any, ...]:
        return tuple(item[name] for item in client.get(path).json["items"][:KEPT])

    sessions = listed("/v1/sessions", "id")
    whole = client.get(f"/v1/sessions/{sessions[0]}").json
    cars, parts = listed("/v1/vehicles", "tag"), listed("/v1/parts", "slug")
    found = {
        "platform": listed("/v1/platforms", "slug"),
        "vehicle": cars,
        "tag": cars,
        "part": parts,
        "against": parts,
        "parts": (",".join(parts[:2]), *parts),
        "bay": listed("/v1/bays", "slug"),
        "slot": ("down-pipe", "brake-ducts"),
        "id": sessions,
        "n": (1, 2),
        "pull_id": tuple(pull["id"] for setup in whole["setups"] for pull in setup["pulls"])[:KEPT],
        "event_id": listed("/v1/bays/north/events", "id"),
        "correction_id": listed("/v1/bays/hub/corrections", "id"),
        "modification_id": listed("/v1/vehicles/stoat-1/modifications", "id"),
        "number": (client.get(f"/v1/sessions/{sessions[0]}/sheet").json["number"],),
        "name": ("labour_rate", "units", "standard"),
        "If-Match": ("*",),
        "wait": (False,),  # for a worker, of which there is none
    }
    empty = sorted(name for name, values in found.items() if not values)
    assert empty == [], "a kind of thing that the ledger was not filled with"
    return found
