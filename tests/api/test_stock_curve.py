"""GET /v1/platforms/{slug}/stock-curve: the typical stock car's curve."""

import pytest

from tests.api.odd_shop import SCALES
from tests.factories import RPM, hump

CURVE = "/v1/platforms/heron/stock-curve"
HORSEPOWER = 0.7456998715822702  # kW of 550 ft.lbf/s, NIST SP 811 App. B.8


@pytest.fixture(scope="session")
def stoats_url(odd_url: str) -> str:
    """Here `stoats` is a shop of fourteen herons that all have the same shape of curve."""
    return odd_url


def test_it_has_the_shape_that_all_cars_have_at_the_mean_of_the_bays(stoats):
    """Every heron is the same hump times its own scale; where the hump is smooth the typical one is that too."""
    curve = stoats.get(CURVE).json["curve"]
    inside = [i for i, rpm in enumerate(curve["rpm"]) if RPM[0] + 500 < rpm < RPM[-1] - 500]
    ratios = [curve["torque"][i] / hump(curve["rpm"][i]) for i in inside]
    assert len(inside) > 8
    assert max(ratios) / min(ratios) == pytest.approx(1.0, abs=0.02)
    assert min(SCALES) < sum(ratios) / len(ratios) < 1.03 * max(SCALES)


def test_power_is_torque_times_speed(stoats):
    curve = stoats.get(CURVE).json["curve"]
    for rpm, torque, power in zip(curve["rpm"], curve["torque"], curve["power"], strict=True):
        assert power == pytest.approx(torque * rpm / 9549.3, rel=2e-4)


def test_it_comes_in_the_asked_units(stoats):
    si, us = stoats.get(CURVE).json["curve"], stoats.get(f"{CURVE}?units=us").json["curve"]
    assert us["power"][5] * HORSEPOWER == pytest.approx(si["power"][5], rel=1e-4)


def test_a_platform_without_setups_has_no_curve_and_an_unknown_one_is_404(stoats):
    assert stoats.get("/v1/platforms/stoat/stock-curve").json["curve"] is None
    assert stoats.get("/v1/platforms/hern/stock-curve").status_code == 404


def test_as_csv_it_has_one_row_a_speed(stoats):
    lines = stoats.get(CURVE, Accept="text/csv").text.splitlines()
    assert lines[0] == "rpm,torque,power,units,standard"
    assert len(lines) == 1 + len(stoats.get(CURVE).json["curve"]["rpm"])
