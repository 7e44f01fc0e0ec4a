"""GET /v1/pulls/{id}: the raw curve, as it was posted, as JSON and as CSV."""

import numpy as np
import pytest

from tests.factories import RPM, hump, pull, session, setup


def kept(client, body, **headers):
    """The answer to a post that must be taken."""
    response = client.post("/v1/sessions", body, **headers)
    assert response.status_code == 201, response.text
    return response.json


def test_a_raw_curve_reads_back_as_it_was_posted_to_seven_digits(stoats):
    rng = np.random.default_rng(3)
    curve = {
        "rpm": RPM,
        "torque": [hump(rpm) + noise for rpm, noise in zip(RPM, rng.normal(0, 1, len(RPM)), strict=True)],
        "lambda": list(rng.uniform(0.8, 1.0, len(RPM))),
        "time": list(np.arange(len(RPM)) / 17),
    }
    one = kept(stoats, session({"parts": [], "pulls": [pull(curve=curve)]}))["setups"][0]["pulls"][0]
    back = stoats.get(f"/v1/pulls/{one['id']}").json["curve"]
    assert set(back) == set(curve)
    for (
        name,
        values,
    ) in curve.items():  # seven digits are shown: half a unit in the seventh, and the float32's rounding
        np.testing.assert_allclose(back[name], values, rtol=5e-7 + 2**-24)


@pytest.mark.parametrize("units", ["si", "us"])
def test_a_channel_of_declared_resolution_reads_back_exactly(stoats, connection, units):
    curve = {
        "rpm": [int(rpm) for rpm in RPM],
        "torque": [round(hump(rpm), 1) for rpm in RPM],
        "lambda": [0.853] * len(RPM),
        "resolution": {"rpm": 1, "torque": 0.1, "lambda": 0.001},
    }
    body = kept(stoats, session({"parts": [], "pulls": [pull(curve=curve, ambient={})]}, units=units))
    pull_id = body["setups"][0]["pulls"][0]["id"]
    back = stoats.get(f"/v1/pulls/{pull_id}?units={units}").json["curve"]
    assert back == {name: curve[name] for name in ("rpm", "torque", "lambda")}
    stored = connection.execute(
        "SELECT enc, length(raw) FROM pull_raw WHERE pull_id = %s", (pull_id,)
    ).fetchone()
    assert stored[0] == 1
    assert stored[1] < 3 * len(RPM)  # as whole steps, far below the 12 bytes a sample of three float32


def test_a_curve_is_also_given_as_csv(stoats):
    body = session(setup(pulls=1))
    one = kept(stoats, body)["setups"][0]["pulls"][0]
    response = stoats.get(f"/v1/pulls/{one['id']}", Accept="text/csv")
    lines = response.text.splitlines()
    assert response.content_type.startswith("text/csv")
    assert (lines[0], len(lines)) == ("rpm,torque,units,basis", 1 + len(RPM))
    rpm, torque, units, basis = lines[1].split(",")
    assert (units, basis) == ("si", "observed")
    posted = body["setups"][0]["pulls"][0]["curve"]["torque"][0]
    assert (float(rpm), float(torque)) == (2000.0, pytest.approx(posted, rel=1e-6))
