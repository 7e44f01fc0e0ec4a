"""What the tests of mends share: two ledgers side by side, every answer of one, and how far two answers are apart."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import psycopg

from service.app import create_app
from service.local import LocalServer
from service.store import fits
from service.store.car_changes import mark_now
from tests.conftest import SETTINGS, Client, new_database
from tests.tokens import admin_token

ANSWERS = (
    "/v1/typical-gain?part=wide-pipe&platform=stoat",
    "/v1/typical-gain?part=wide-pipe&platform=stoat&measure=torque_at&rpm=3500",
    "/v1/typical-gain?part=road-map&platform=stoat&context=as-usually-fitted",
    "/v1/platforms/stoat/stock-spread",
    "/v1/platforms/stoat/stock-spread?raw=true&measure=peak_torque",
    "/v1/platforms/stoat/part-choice",
    "/v1/build-estimate?platform=stoat&parts=wide-pipe,road-map",
    "/v1/bay-agreement",
    "/v1/outliers?platform=stoat",
)
"""A question of every kind that rests on what was measured."""
OF_THE_MOMENT = ("as_of", "last_post", "made_at", "asked_at")


def asked(client: Client, paths: tuple[str, ...] = ANSWERS) -> dict[str, Any]:
    """Every answer, without the moment it was given at."""
    answers = {}
    for path in paths:
        response = client.get(path)
        assert response.status_code == 200, (path, response.text)
        answers[path] = timeless(response.json)
    return answers


def timeless(document: Any) -> Any:
    """A document without what moves by itself."""
    if isinstance(document, dict):
        return {name: timeless(value) for name, value in document.items() if name not in OF_THE_MOMENT}
    return [timeless(one) for one in document] if isinstance(document, list) else document


def apart(one: Any, other: Any, within: float, place: str = "") -> Iterator[str]:
    """Where two documents differ: in a number by more than a share of it, or in anything else at all."""
    if isinstance(one, dict) and isinstance(other, dict):
        if one.keys() != other.keys():
            yield f"{place}: {sorted(one.keys() ^ other.keys())}"
        for name in one.keys() & other.keys():
            yield from apart(one[name], other[name], within, f"{place}/{name}")
    elif isinstance(one, list) and isinstance(other, list):
        if len(one) != len(other):
            yield f"{place}: {len(one)} and {len(other)}"
        for n, (a, b) in enumerate(zip(one, other, strict=False)):
            yield from apart(a, b, within, f"{place}/{n}")
    elif isinstance(one, float) and isinstance(other, int | float):
        if abs(one - other) > within * max(1.0, abs(one)):
            yield f"{place}: {one} and {other}"
    elif one != other:
        yield f"{place}: {one} and {other}"


def ledger_of_its_own(server: LocalServer, name: str) -> tuple[Client, str]:
    """The admin's client over a copy of the shop of `stoats` whose changes are committed, and its address."""
    owner_url, url = new_database(server, name, "stoats")
    token = admin_token(owner_url)
    return Client(create_app(replace(SETTINGS, database_url=url)).test_client(), token), url


def close(client: Client) -> None:
    """Give the app's connections back."""
    client.client.application.extensions["bayledger"].close()


def pin_fit(from_url: str, to_url: str) -> None:
    """Keep the newest fit of one ledger in another: setups have the same numbers in both."""
    with psycopg.connect(from_url, autocommit=True) as conn:
        row = conn.execute(
            "SELECT measure, standard, method, cars, setups, packed, notes FROM model_fit ORDER BY fit_id DESC LIMIT 1"
        ).fetchone()
    assert row is not None
    names = ("measure", "standard", "method", "cars", "setups", "packed", "notes")
    with psycopg.connect(to_url, autocommit=True) as conn:
        fits.keep_fit(
            conn, as_of=datetime.now(UTC), mark=mark_now(conn), **dict(zip(names, row, strict=True))
        )


def posted(client: Client, body: dict[str, Any]) -> dict[str, Any]:
    """A session that must be taken."""
    response = client.post("/v1/sessions", body)
    assert response.status_code == 201, response.text
    return response.json


def done(response: Any, status: int = 200) -> Any:
    """The answer of a change that must be taken."""
    assert response.status_code == status, response.text
    return response.json
