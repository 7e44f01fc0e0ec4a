"""Checks of what was corrected before it was posted."""

from dataclasses import replace

import pytest

from service.domain.derive import derive_pull
from service.domain.records import PlatformFacts
from tests.domain.engine_cases import DIESEL, TURBO, case, pull, said, setup

RECORDED = {"fuel_per_cycle": 100.0, "boost_ratio": 2.0, "charge_cooling": "air"}


def found(platform: PlatformFacts, **fields) -> list[str]:
    """What is said of one pull of such a car."""
    posted = pull(**fields)
    looked_at = case([setup([posted])], platform)
    derived = {(1, 1): derive_pull(posted, None, platform.engine)}
    return [one.message for one in said("engine-not-recorded", replace(looked_at, derived=derived))]


@pytest.mark.parametrize("slug", ["iso-1585", "un-r85", "jis-d1001"])
def test_a_standard_that_rests_on_an_engine_not_recorded_is_noted_with_what_is_missing(slug):
    (message,) = found(DIESEL, basis_standard=slug)
    assert message.startswith(f"kept as posted: {slug} needs fuel_per_cycle and boost_ratio")
    (message,) = found(replace(DIESEL, boost_ratio=2.0), basis_standard=slug)
    assert message.startswith(f"kept as posted: {slug} needs fuel_per_cycle")


@pytest.mark.parametrize(
    ("platform", "fields"),
    [
        (replace(DIESEL, **RECORDED), {"basis_standard": "un-r85"}),
        (TURBO, {"basis_standard": "un-r85"}),
        (DIESEL, {"basis_standard": "un-r85", "basis_factor": 1.03}),
        (DIESEL, {"basis_standard": "sae-j1349"}),
        (DIESEL, {}),
        (DIESEL, {"basis_standard": "un-r85", "humidity": None}),
        (DIESEL, {"basis_standard": "un-r85", "status": "rejected"}),
    ],
)
def test_it_is_silent_where_the_engine_is_not_what_is_missing(platform, fields):
    assert found(platform, **fields) == []
