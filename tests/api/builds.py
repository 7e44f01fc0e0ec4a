"""Cars measured in every state of two parts, so that the model can take them apart and put them together."""

from tests.api.gains import post
from tests.conftest import Client
from tests.factories import setup

PIPE, MAP, BOTH = 1.05, 1.20, 1.05 * 1.20 * 1.03
"""What the pipe gives, what the calibration gives, and both: 3 % beyond their product."""


def fully_measured(client: Client, cars: int = 6) -> None:
    """Each car stock, with the pipe, with the calibration and with both, in one session."""
    states = [([], 1.0), (["wide-pipe"], PIPE), (["road-map"], MAP), (["road-map", "wide-pipe"], BOTH)]
    for n in range(1, cars + 1):
        post(client, *(setup(parts, scale) for parts, scale in states), vehicle=f"stoat-{n}", day=n)


def built(client: Client) -> None:
    """Six cars in every state of pipe and calibration, three with the mesh pipe."""
    fully_measured(client)
    for n in (7, 8, 9):
        post(client, setup(), setup(["mesh-pipe"], 1.03), vehicle=f"stoat-{n}", day=n)


def price(client: Client, slug: str, **fields: object) -> None:
    """Change what a part costs."""
    etag = client.get(f"/v1/parts/{slug}").headers["ETag"]
    assert client.patch(f"/v1/parts/{slug}", fields, If_Match=etag).status_code == 200
