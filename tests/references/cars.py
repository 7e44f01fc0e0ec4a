"""Simulated cars: what one car truly makes over engine speed, and what its sensors read there.

Engine shapes, parts and the air's effect are the invented shop's; how cars differ is common practice, no source, and
how their sensors differ is our choice. Effects are in log units: 0.01 is one per cent.
"""

from dataclasses import dataclass

import numpy as np

from seed import engines
from seed.air import FACTORS, Air
from seed.effects import AIR_SHARE, HEAT_LOSS_PER_C, Effects
from seed.engines import Floats
from seed.parts import PART
from seed.shop import Platform

USUAL_WARMTH_C = 5.0  # inlet air above the room at a pull's start
CALIBRATED_BOOST = 0.17  # share of boost that a calibration adds, as in the invented shop
INLET_RISE_C = {"natural": 3.0, "turbo": 9.0, "diesel": 9.0}  # within one pull, with a fan in front
SHOP_EFFECTS = Effects(seed=7)


@dataclass(frozen=True)
class Car:
    """One car against the typical stock car of its platform: level, tilt, a bump of its own [log]; its sensors' own
    offsets; `number` draws its parts' gains."""

    number: int
    platform: Platform
    level: float
    tilt: float
    bump: float
    bump_at: float
    boost: float
    restriction_kpa: float
    mixture: float
    spark_deg: float
    ratio: float
    throttle: float

    @property
    def kind(self) -> str:
        """`turbo`, `natural` or `diesel`."""
        return self.platform.engine.kind


def draw_car(platform: Platform, stock_sd: float, tilt_sd: float, rng: np.random.Generator) -> Car:
    """A car off the street."""
    return Car(
        number=int(rng.integers(1, 10**6)),
        platform=platform,
        level=stock_sd * rng.standard_normal(),
        tilt=tilt_sd * rng.standard_normal(),
        bump=0.006 * rng.standard_normal(),
        bump_at=rng.uniform(0.4, 1.0),
        boost=0.015 * rng.standard_normal(),
        restriction_kpa=abs(0.4 * rng.standard_normal()),
        mixture=0.007 * rng.standard_normal(),
        spark_deg=0.4 * rng.standard_normal(),
        ratio=0.006 * rng.standard_normal(),
        throttle=rng.uniform(0.985, 1.0),
    )


def true_torque_nm(car: Car, parts: tuple[str, ...], rpm: Floats, air: Air | None, warmth_c: float) -> Floats:
    """Wheel torque [N.m] in some air, None being the reference air; its inlet air so warm above the room [degC]."""
    share = rpm / car.platform.engine.peak_rpm
    log = np.log(engines.stock_torque_nm(car.platform.engine, rpm)) + car.level
    log += car.tilt * (share - 0.8) + car.bump * np.exp(-(((share - car.bump_at) / 0.12) ** 2))
    log += SHOP_EFFECTS.fitted_gain(car.platform.slug, parts, rpm, car.number)
    if air is not None:
        log -= AIR_SHARE[car.kind] * np.log(FACTORS["sae-j1349"](air))
    log -= HEAT_LOSS_PER_C[car.kind] * (warmth_c - USUAL_WARMTH_C)
    return np.exp(log)


def sensors(
    car: Car, parts: tuple[str, ...], rpm: Floats, room_c: float, barometer_kpa: float, warmth_c: float
) -> dict[str, Floats]:
    """What the car's own sensors read along a pull, without noise."""
    engine, share = car.platform.engine, rpm / car.platform.engine.peak_rpm
    calibrated = any("calibration" in PART[part].slots for part in parts)
    boost = (1.0 + CALIBRATED_BOOST * calibrated) * (1.0 + car.boost) - 1.0
    through = (rpm - rpm[0]) / (rpm[-1] - rpm[0])
    read = {
        "throttle": np.full(rpm.size, car.throttle),
        "map": engines.manifold_kpa(engine, rpm, barometer_kpa, boost) - car.restriction_kpa * share**2,
        "inlet": room_c + warmth_c + INLET_RISE_C[car.kind] * through**1.3,
    }
    if car.kind == "diesel":
        read["lambda"] = 1.28 - 0.08 * share + car.mixture
        return read
    read["lambda"] = engines.mixture(engine, rpm) + car.mixture
    read["spark"] = spark_deg(car, rpm) + 1.5 * calibrated
    read["knock_retard"] = np.zeros(rpm.size)
    return read


def spark_deg(car: Car, rpm: Floats) -> Floats:
    """Spark advance at full load [deg]: rising with speed, held back where boost is fullest."""
    share = rpm / car.platform.engine.peak_rpm
    held_back = 4.0 * engines.spooled(car.platform.engine, rpm) * bool(car.platform.engine.spool_rpm)
    return car.platform.spark_deg - 9.0 * (1.0 - np.clip(share, 0.0, 1.1)) + 4.0 - held_back + car.spark_deg
