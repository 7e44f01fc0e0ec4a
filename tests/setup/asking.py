"""A bay and a counter before a fresh installation: a car measured before and after a part, and what the part gains."""

import ssl
from pathlib import Path

import httpx

from tests.factories import session, setup

GAIN_PERCENT = 5.0
POSTED = (
    ("bays", {"slug": "north", "name": "North", "kind": "roller-inertia"}),
    ("platforms", {"slug": "stoat", "name": "Stoat", "aspiration": "turbo", "ignition": "spark"}),
    ("parts", {"slug": "wide-pipe", "name": "Wide pipe", "slots": ["charge-pipes"]}),
    ("vehicles", {"tag": "stoat-1", "platform": "stoat"}),
    ("sessions", session(setup(), setup(["wide-pipe"], 1 + GAIN_PERCENT / 100))),
)


def client_of(url: str, authority: Path, token: str = "") -> httpx.Client:
    """Who trusts the installation's own authority and no other."""
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    trusted = ssl.create_default_context(cafile=authority)
    return httpx.Client(base_url=url, verify=trusted, headers=headers, timeout=30)


def is_ready(client: httpx.Client) -> bool:
    """Whether the ledger answers."""
    try:
        return client.get("/v1/ready").status_code == 200
    except httpx.TransportError:
        return False


def gain_of_what_was_posted(client: httpx.Client) -> float:
    """Post all of it; the gain in percent that the ledger then finds."""
    for resource, document in POSTED:
        answer = client.post(f"/v1/{resource}", json=document)
        assert answer.status_code == 201, answer.text
    return gain_found(client)


def gain_found(client: httpx.Client) -> float:
    """The gain in percent of the one pair that was posted."""
    asked = client.get("/v1/typical-gain", params={"part": "wide-pipe", "platform": "stoat"})
    assert asked.status_code == 200, asked.text
    (pair,) = asked.json()["pairs"]
    return float(pair["percent"])
