"""Cars measured with and without a part, the answer about it, and the same by plain formulas."""

import math

import numpy as np
from scipy import stats

from tests.conftest import Client
from tests.factories import peak_of_hump, session, setup

GAIN = "/v1/typical-gain?part=wide-pipe&platform=stoat"
SETUP_SPREAD = 0.0045  # the shop's setting until it is set
POWER = peak_of_hump()[0]


def post(client: Client, *setups: dict, **fields) -> dict:
    """A session that must be taken."""
    response = client.post("/v1/sessions", session(*setups, **fields))
    assert response.status_code == 201, response.text
    return response.json


def measured(client: Client, *gains: float) -> None:
    """One car after another, each measured without and with the part in one session; its gain in percent."""
    for n, gain in enumerate(gains, 1):
        post(client, setup(), setup(["wide-pipe"], 1 + gain / 100), vehicle=f"stoat-{n}", day=n)


def answer(client: Client, more: str = "") -> dict:
    """The answer to the question, with what is asked beside it."""
    response = client.get(GAIN + more)
    assert response.status_code == 200, response.text
    return response.json


def percent(log: float) -> float:
    """A gain in logs as percent."""
    return 100 * math.expm1(log)


def pair_variance(cars: int) -> float:
    """Variance of one pair's gain: equal pulls, so the pull spread is the prior's 0.5 % drawn towards 0 by 2 degrees of
    freedom a setup, with the weight of 4; three pulls a setup, two setups a pair."""
    pull_variance = 4 * 0.005**2 / (4 + 2 * 2 * cars)
    return 2 * (SETUP_SPREAD**2 + pull_variance / 3)


def by_hand(*gains: float, level: float = 0.9) -> dict:
    """Paule & Mandel's and Hartung & Knapp's answer where all variances v are equal, in plain formulas.

    tau2 = max(0, s2 - v); the mean is the plain one; its squared error is s2 / k, and v / k where s2 < v (held from
    being narrower); t with k - 1 degrees of freedom, and k - 2 for one more car (Higgins et al. 2009).
    """
    logs, k = np.log1p(np.array(gains) / 100), len(gains)
    mean, s2, v = logs.mean(), logs.var(ddof=1), pair_variance(k)
    tau2, se2 = max(0.0, s2 - v), max(s2, v) / k
    half = stats.t.ppf(0.5 + level / 2, k - 1) * math.sqrt(se2)
    next_half = stats.t.ppf(0.5 + level / 2, k - 2) * math.sqrt(tau2 + max(s2, v) / k)
    return {
        "typical_percent": percent(mean),
        "interval_percent": [percent(mean - half), percent(mean + half)],
        "next_car_percent": [percent(mean - next_half), percent(mean + next_half)],
    }
