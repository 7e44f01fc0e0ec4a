"""A shop with something wrong in it: a car that ran rich and weak, a bay that reads high, a check car off at last."""

from tests.api.bodies import added
from tests.api.gains import post
from tests.conftest import Client
from tests.factories import RPM, hump, lifted, pull, setup

HERON = {"slug": "heron", "name": "Merrow Heron 3.5", "aspiration": "natural", "ignition": "spark"}
CARS = 14
RICH, CHECK = "heron-13", "heron-14"
HUB = 1.03
"""What the hub reads over the north bay."""
SCALES = (0.985, 0.99, 0.993, 0.996, 0.999, 1.0005, 1.001, 1.004, 1.007, 1.01, 1.013, 1.016)


def mixed(scale: float, lambda_: float = 0.86) -> dict:
    """A setup of three pulls at a mixture, which is recorded."""
    torque = [scale * hump(rpm) for rpm in RPM]
    curves = [{"rpm": RPM, "torque": lifted(torque), "lambda": [lambda_] * len(RPM)} for _ in range(3)]
    return {**setup(), "pulls": [pull(curve=curve) for curve in curves]}


def confirmed(client: Client, *setups: dict, **fields: object) -> dict:
    """A session that must be taken, with every doubt against it cleared."""
    body = post(client, *setups, **fields)
    for one in body["setups"]:
        for kept in one["pulls"]:
            done = client.post(f"/v1/pulls/{kept['id']}/confirm", {"reason": "looked at"})
            assert done.status_code in (200, 409), done.text  # 409: nothing doubtful stood against it
    return body


def odd_shop(client: Client) -> None:
    """Twelve herons near each other, five of them in both bays; one 12 % down; one check car, 4 % off at last."""
    added(client, "/v1/platforms", HERON)
    for n in range(1, CARS + 1):
        added(client, "/v1/vehicles", {"tag": f"heron-{n}", "platform": "heron", "confirm": True})
    tag = client.get(f"/v1/vehicles/{CHECK}").headers["ETag"]
    assert client.patch(f"/v1/vehicles/{CHECK}", {"check_car": True}, If_Match=tag).status_code == 200
    for n, scale in enumerate(SCALES, 1):
        confirmed(client, mixed(scale), vehicle=f"heron-{n}", day=n)
        if n <= 5:
            confirmed(client, mixed(scale * HUB), vehicle=f"heron-{n}", bay="hub", day=n + 12)
    confirmed(client, mixed(0.88, lambda_=0.72), vehicle=RICH, day=20)
    for day in (2, 6, 10, 14, 18):
        confirmed(client, mixed(1.0005 + 0.0005 * day / 10), vehicle=CHECK, day=day)
    confirmed(client, mixed(0.9605), vehicle=CHECK, day=22)
