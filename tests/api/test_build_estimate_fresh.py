"""GET /v1/build-estimate where the cars cannot say all of it."""

import pytest

from tests.api.gains import measured, post
from tests.conftest import Client
from tests.factories import setup

BUILD = "/v1/build-estimate?platform=stoat&parts=wide-pipe,road-map"


def answer(client: Client) -> dict:
    """The estimate of pipe and calibration."""
    response = client.get(BUILD)
    assert response.status_code == 200, response.text
    return response.json


def test_parts_that_were_never_apart_are_said_to_be_inseparable_and_their_sum_is_known(stoats):
    for n in range(1, 9):
        post(stoats, setup(), setup(["road-map", "wide-pipe"], 1.2), vehicle=f"stoat-{n}", day=n)
    body = answer(stoats)
    assert body["inseparable"] == [["wide-pipe", "road-map"]]
    assert any("only their sum is known" in caution for caution in body["cautions"])
    assert body["typical_percent"] == pytest.approx(20.0, abs=1.5)
    whole = body["typical_interval_percent"][1] - body["typical_interval_percent"][0]
    for one in body["parts"]:
        assert one["typical_interval_percent"][1] - one["typical_interval_percent"][0] > whole


def test_a_part_never_measured_gives_no_number_for_the_whole_and_is_named(stoats):
    measured(stoats, 4, 5, 6)
    body = answer(stoats)
    assert [body[name] for name in ("typical", "typical_percent", "expected", "alone_percent")] == [None] * 4
    assert body["evidence"]["grade"] == "none"
    assert body["parts"][0]["typical_percent"] is not None
    assert body["cautions"][0] == (
        "Not measured: no car of any kind was measured with Road calibration. No number is given."
    )
