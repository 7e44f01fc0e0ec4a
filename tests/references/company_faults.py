"""Faults that show in the company of a post: other cars, other bays, other visits, the stock cars."""

from dataclasses import replace
from datetime import timedelta

import numpy as np

from seed.engines import stock_torque_nm
from seed.shop import PLATFORMS
from service.domain.checks.case import BayDayCar, BayPull, SamePeaks, SiteAir
from service.domain.records import PostedPull
from tests.references.good import Post
from tests.references.planting import (
    Rng,
    accepted,
    bent,
    either,
    fault,
    is_stock,
    log_size,
    scaled,
    with_channels,
)


@fault("starts-together", "another session of the bay with the same start, pulls without one")
def begun_together(post: Post, _: Rng) -> Post:
    """A time or a car mistyped: another car's session in this bay has the same start."""
    start = post.session.started_at
    other = BayPull("another", "another-car", start, None, None, None, None)
    known = replace(post, around=replace(post.around, bay_pulls=(other,)))
    setups = tuple(
        replace(setup, pulls=tuple(replace(pull, started_at=None) for pull in setup.pulls))
        for setup in known.session.setups
    )
    return known.with_session(replace(known.session, setups=setups))


@fault("pulls-overlap", "another car's pull 0..45 s before or after")
def overlapping(post: Post, rng: Rng) -> Post:
    """A clock or a bay mistyped: another car pulled in this bay at the same time."""
    pull = accepted(post.session.setups[0])[0]
    began = pull.started_at or post.session.started_at
    away = timedelta(seconds=float(rng.uniform(-45.0, 45.0)))
    other = BayPull("another", "another-car", began + away, None, None, None, None)
    return replace(post, around=replace(post.around, bay_pulls=(*post.around.bay_pulls, other)))


@fault("car-in-two-bays", "0.5..20 min from another bay's strap-down")
def in_two_bays(post: Post, rng: Rng) -> Post:
    """The same car was keyed in another bay."""
    other = ("another", post.session.started_at + either(rng) * timedelta(minutes=log_size(rng, 0.5, 20.0)))
    return replace(post, around=replace(post.around, elsewhere=(other,)))


@fault("sequence-back", "the bay's number 1..500 back, or used before")
def counter_back(post: Post, rng: Rng) -> Post | None:
    """The bay's counter was reset."""
    numbers = [pull.sequence for pull in post.around.bay_pulls if pull.sequence is not None]
    if not numbers:
        return None
    back = int(log_size(rng, 1.0, 500.0)) - 1
    return replace(post, session=replace(post.session, sequence=max(1, min(numbers) - back)))


@fault("curve-repeated", "posted twice, or another car's, 0..0.03 % apart")
def repeated(post: Post, rng: Rng) -> Post:
    """One pull was posted a second time: in this post, or in another session under another car."""
    times = 1.0 + rng.uniform(0.0, 0.0003)
    first = post.session.setups[0]
    if rng.random() < 0.5:
        again = scaled(accepted(first)[0], np.log(times))
        pulls = (*first.pulls, replace(again, n=len(first.pulls) + 1))
        setups = (replace(first, pulls=pulls), *post.session.setups[1:])
        return post.with_session(replace(post.session, setups=setups))
    pull = accepted(first)[0]
    torque = post.derived()[first.n, pull.n].grid
    assert torque is not None
    before = SamePeaks(first.n, pull.n, 1, "another", "another-car", torque * times)
    return replace(post, around=replace(post.around, same_peaks=(before,)))


@fault("level-unlike-stock", "another platform's car, keyed as stock, or lbf.ft or hp for N.m or kW")
def wrong_car(post: Post, rng: Rng) -> Post | None:
    """The other car of the same owner stood there (another platform's curve), or the unit was another one."""
    if not is_stock(post):
        return None
    if rng.random() < 0.4:
        times = float(rng.choice((1.0 / 1.3558, 1.3558, 1.341, 1.0 / 1.341)))
        return bent(post, lambda pull: scaled(pull, np.log(times)))
    others = [platform.engine for platform in PLATFORMS if platform != post.platform]
    engine, own = others[int(rng.integers(len(others)))], post.platform.engine

    def swap(pull: PostedPull) -> PostedPull:
        rpm = pull.channels["rpm"]
        through = (rpm - own.start_rpm) / (own.end_rpm - own.start_rpm)
        theirs = engine.start_rpm + through * (engine.end_rpm - engine.start_rpm)
        change = np.log(stock_torque_nm(engine, theirs) / stock_torque_nm(own, rpm))
        return with_channels(scaled(pull, change), rpm=theirs)

    return bent(post, swap)


@fault("level-unlike-before", "seen before, now 3..20 % off")
def changed_since(post: Post, rng: Rng) -> Post | None:
    """A part went on or came off since the last visit and was never written down."""
    off = either(rng) * log_size(rng, 0.03, 0.20)
    return bent(post, lambda pull: scaled(pull, off)) if is_stock(post) and post.around.earlier else None


@fault("bay-day-off", "3..12 %, three to eight other cars that day")
def bay_reads_off(post: Post, rng: Rng) -> Post | None:
    """The bay reads 3..12 % off today: this car and three to eight others."""
    off, others = either(rng) * log_size(rng, 0.03, 0.12), int(rng.integers(3, 9))
    if not is_stock(post):
        return None
    first = post.around.bay_day[:others]
    residuals = [car.residual for car in first] + [
        0.03 * rng.standard_normal() for _ in range(others - len(first))
    ]
    day = tuple(BayDayCar(f"other-{i}", residual + off) for i, residual in enumerate(residuals))
    return replace(bent(post, lambda pull: scaled(pull, off)), around=replace(post.around, bay_day=day))


@fault("low-everywhere", "4..20 % over the whole curve")
def whole_curve_low(post: Post, rng: Rng) -> Post | None:
    """Brake, strap or tyres take 4..20 % over the whole curve."""
    low = -log_size(rng, 0.04, 0.20)
    return bent(post, lambda pull: scaled(pull, low)) if is_stock(post) else None


def next_bays_air(post: Post, **away: float) -> Post:
    """The post beside the air that another bay wrote at its start."""
    pull = accepted(post.session.setups[0])[0]
    read = {
        name: (getattr(pull, name) or 0.0) + away.get(name, 0.0)
        for name in ("temperature_c", "pressure_kpa", "humidity")
    }
    read["humidity"] = float(np.clip(read["humidity"], 0.02, 0.98))
    beside = SiteAir("another", post.session.started_at, **read)
    return replace(post, around=replace(post.around, site_air=(beside,)))


@fault("weather-stations-differ", "0.2..3 kPa apart")
def barometers_differ(post: Post, rng: Rng) -> Post:
    """One of two barometers is off by 0.2..3 kPa."""
    return next_bays_air(post, pressure_kpa=either(rng) * log_size(rng, 0.2, 3.0))


@fault("room-air-differs", "4..20 degC or 12..50 points apart")
def rooms_differ(post: Post, rng: Rng) -> Post:
    """A probe in a warm spot (4..20 degC), or a humidity sensor 12..50 points off."""
    if rng.random() < 0.5:
        return next_bays_air(post, temperature_c=either(rng) * log_size(rng, 4.0, 20.0))
    return next_bays_air(post, humidity=either(rng) * log_size(rng, 0.12, 0.50))
