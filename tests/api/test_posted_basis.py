"""However a bay gives the same pull, observed or corrected to any standard, the observed curve kept is the same."""

import pytest

from service.domain.air import vapour_pressure_kpa
from service.domain.correction import STANDARDS, Air, correction_factor
from service.domain.engine import Engine
from tests.api.bodies import added
from tests.factories import RPM, hump, lifted, pull, session

THIN = {"temperature": 31.0, "pressure": 96.4, "humidity": 0.55}
AIR = Air(31.0, 96.4, vapour_pressure_kpa(31.0, humidity=0.55))
DROVER = {
    "slug": "drover", "name": "Tarn Drover 3.0 D", "aspiration": "turbo", "ignition": "compression",
    "charge_cooling": "liquid", "fuel_per_cycle": 100.0, "boost_ratio": 2.0,
}  # fmt: skip
CARS = {
    "stoat-1": Engine("spark", "turbo"),
    "drover-1": Engine("compression", "turbo", "liquid", 100.0, 2.0),
}
PEAKS = {"power": 120.0, "power_rpm": 5400.0, "torque": 255.0, "torque_rpm": 4200.0}
STORED = 2e-7
"""A channel without a declared resolution is kept as a 32-bit float: 6e-8, and the quotient of two of them."""


@pytest.fixture
def cars(stoats):
    """A turbo-petrol and a turbo-diesel car."""
    added(stoats, "/v1/platforms", DROVER)
    added(stoats, "/v1/vehicles", {"tag": "drover-1", "platform": "drover", "confirm": True})
    return stoats


def corrected(factor, form, basis, **fields):
    """The same pull as a bay's program multiplied it, as a curve or as its peaks."""
    body = {"ambient": THIN, "basis": basis, **fields}
    if form == "peaks":
        shown = {name: value * (1.0 if "rpm" in name else factor) for name, value in PEAKS.items()}
        return {"peaks": shown, "best_of": 3, "source": "paper", **body}
    return {**pull(), **body, "curve": {"rpm": RPM, "torque": lifted([hump(rpm) * factor for rpm in RPM])}}


def kept(client, vehicle, one, day):
    """A posted pull as it is kept, with its setup's summary."""
    setup = {"parts": [], "stock_checked": "verified", "pulls": [one]}
    answer = client.post("/v1/sessions", session(setup, vehicle=vehicle, day=day))
    assert answer.status_code == 201, answer.text
    (kept_setup,) = answer.json["setups"]
    return kept_setup["pulls"][0], kept_setup["summary"], answer.json["id"]


@pytest.mark.parametrize("vehicle", CARS)
@pytest.mark.parametrize("form", ["curve", "peaks"])
@pytest.mark.parametrize("slug", STANDARDS)
def test_every_basis_gives_the_same_observed_figures_and_levels(cars, vehicle, form, slug):
    factor = correction_factor(slug, AIR, CARS[vehicle])
    plain, base, _ = kept(cars, vehicle, corrected(1.0, form, "observed"), 1)
    for day, basis in enumerate([{"standard": slug, "factor": factor}, {"standard": slug}], 2):
        one, summary, _ = kept(cars, vehicle, corrected(factor, form, basis), day)
        assert one["observed"] == pytest.approx(plain["observed"], rel=STORED), basis
        assert one["factor"] == plain["factor"]
        for measure in ("peak_power", "peak_torque"):
            assert summary[measure]["mean"] == pytest.approx(base[measure]["mean"], rel=STORED), basis


@pytest.mark.parametrize("vehicle", CARS)
@pytest.mark.parametrize("slug", STANDARDS)
def test_the_gain_between_a_corrected_and_an_observed_setup_is_that_of_the_engine(cars, vehicle, slug):
    """One setup observed, one corrected to the standard, both with their air: the same part gains the same."""
    factor = correction_factor(slug, AIR, CARS[vehicle])
    with_part = [corrected(1.05 * factor, "curve", {"standard": slug}) for _ in range(3)]
    without = [corrected(1.0, "curve", "observed") for _ in range(3)]
    body = session(
        {"parts": [], "stock_checked": "verified", "pulls": without},
        {"parts": ["wide-pipe"], "stock_checked": "verified", "pulls": with_part},
        vehicle=vehicle,
    )
    (pair,) = cars.post("/v1/sessions", body).json["pairs"]
    assert pair["peak_power_percent"] == pytest.approx(5.0, abs=0.005)


def test_a_curve_struck_and_put_back_is_divided_out_by_the_same_engine(cars):
    factor = correction_factor("iso-1585", AIR, CARS["drover-1"])
    one, before, _ = kept(cars, "drover-1", corrected(factor, "curve", {"standard": "iso-1585"}), 1)
    address = f"/v1/pulls/{one['id']}"
    assert cars.post(f"{address}/strike", {"reason": "a slip"}).status_code == 200
    back = cars.post(f"{address}/unstrike", {}).json
    assert back["setups"][0]["summary"] == before
