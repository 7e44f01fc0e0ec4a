"""Faults of what was written down: typing, files, clocks, weather."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from service.domain.correction import BASE_STANDARD, correction_factor
from service.domain.derive import air_of
from service.domain.records import PostedPull
from tests.references.good import Post
from tests.references.planting import (
    Rng,
    bent,
    either,
    fault,
    is_stock,
    kept_samples,
    log_size,
    scaled,
    share,
    with_channels,
    without,
)


@fault("time-in-the-future", "15 min to 400 days ahead")
def future(post: Post, rng: Rng) -> Post:
    """The bay's calendar is wrong."""
    ahead = timedelta(minutes=log_size(rng, 15, 576_000))
    return replace(post, session=replace(post.session, started_at=post.now + ahead, clock=None))


@fault("impossible-value", "lambda as AFR, throttle in %, MAP in hPa")
def wrong_unit(post: Post, rng: Rng) -> Post:
    """A channel in a unit that is not the declared one."""
    name, times = (("lambda", 14.7), ("throttle", 100.0), ("map", 10.0))[int(rng.integers(3))]
    return bent(post, lambda pull: with_channels(pull, **{name: pull.channels[name] * times}))


@fault("dew-point-above-temperature", "the two columns swapped")
def swapped_dew_point(post: Post, rng: Rng) -> Post:
    """Dew point and temperature stand in each other's column."""
    below = rng.uniform(3.0, 15.0)

    def swap(pull: PostedPull) -> PostedPull:
        warm = pull.temperature_c or 0.0
        return replace(pull, temperature_c=warm - below, dew_point_c=warm, humidity=None)

    return bent(post, swap)


@fault("air-impossible", "pressure in bar, psi or inHg taken for kPa; humidity in %")
def impossible_air(post: Post, rng: Rng) -> Post:
    """Air in another unit."""
    kind = int(rng.integers(3))

    def wrong(pull: PostedPull) -> PostedPull:
        if kind == 0:
            return replace(pull, humidity=100.0 * (pull.humidity or 0.5))
        return replace(pull, pressure_kpa=(pull.pressure_kpa or 100.0) / (100.0 if kind == 1 else 1000.0))

    return bent(post, wrong)


@fault("factor-impossible", "pressure 15..35 kPa low, or in psi or inHg")
def impossible_factor(post: Post, rng: Rng) -> Post:
    """A pressure that nobody could breathe at the site."""
    low, unit = rng.uniform(15.0, 35.0), rng.choice((1.0, 1.0, 6.894757, 3.386389))

    def wrong(pull: PostedPull) -> PostedPull:
        right = pull.pressure_kpa or 100.0
        return replace(pull, pressure_kpa=round(right / unit if unit > 1.0 else right - low, 2))

    return bent(post, wrong)


@fault("power-torque-disagree", "hp, PS, lbf.ft mixed in; one column off 0.4..7 %")
def mixed_units(post: Post, rng: Rng) -> Post:
    """Power is not torque times speed."""
    times = float(rng.choice((1.341, 1.3558, 1.3596, np.exp(either(rng) * log_size(rng, 0.004, 0.07)))))

    def wrong(pull: PostedPull) -> PostedPull:
        return with_channels(
            pull, power=pull.channels["torque"] * pull.channels["rpm"] * np.pi / 30e3 * times
        )

    return bent(post, wrong)


@fault("ratio-missing", "axle torque without the ratio")
def no_ratio(post: Post, _: Rng) -> Post:
    """The gearing was not written down."""
    ratio = post.platform.ratio

    def axle(pull: PostedPull) -> PostedPull:
        return without(with_channels(pull, axle_torque=pull.channels["torque"] * ratio), "torque", "power")

    return replace(post, session=replace(bent(post, axle).session, ratio=None))


@fault("no-pull", "torque with the wrong sign, or all noughts")
def no_pull(post: Post, rng: Rng) -> Post:
    """The machine's sign, or an empty column."""
    times = float(rng.choice((-1.0, 0.0)))
    return bent(
        post, lambda pull: without(with_channels(pull, torque=times * pull.channels["torque"]), "power")
    )


@fault("clock-skew", "1 min to 3 years behind")
def skewed_clock(post: Post, rng: Rng) -> Post:
    """The bay's clock stands behind; the session's times with it."""
    behind = timedelta(seconds=log_size(rng, 60, 9e7))
    began, clock = post.session.started_at - behind, post.now - behind
    setups = tuple(
        replace(setup, pulls=tuple(started_earlier(pull, behind) for pull in setup.pulls))
        for setup in post.session.setups
    )
    return post.with_session(replace(post.session, setups=setups, started_at=began, clock=clock))


def started_earlier(pull: PostedPull, by: timedelta) -> PostedPull:
    """A pull with another time."""
    return replace(pull, started_at=None if pull.started_at is None else pull.started_at - by)


def timed(post: Post) -> bool:
    """Whether the samples' times were recorded."""
    return "time" in post.session.setups[0].pulls[0].channels


@fault("time-unit", "milliseconds")
def milliseconds(post: Post, _: Rng) -> Post | None:
    """Times in another unit."""
    if not timed(post):
        return None
    return bent(post, lambda pull: with_channels(pull, time=1000.0 * pull.channels["time"]))


@fault("time-back", "a counter that starts anew in mid-pull")
def counter_restarts(post: Post, rng: Rng) -> Post | None:
    """The logger's clock was reset."""
    at = rng.uniform(0.2, 0.8)

    def restart(pull: PostedPull) -> PostedPull:
        time = pull.channels["time"]
        row = int(at * time.size)
        return with_channels(pull, time=np.concatenate((time[:row], time[row:] - time[row])))

    return bent(post, restart) if timed(post) else None


@fault("ramp-differs", "posted ramp 1.2..3 times the samples' own, or so much less")
def other_ramp(post: Post, rng: Rng) -> Post | None:
    """The ramp of another test was left in the form."""
    ramp = post.session.setups[0].pulls[0].ramp_rpm_s
    if ramp is None or not timed(post):
        return None
    typed = round(ramp * float(np.exp(either(rng) * log_size(rng, np.log(1.2), np.log(3.0)))))
    return bent(post, lambda pull: replace(pull, ramp_rpm_s=typed))


@fault("time-long-ago", "a clock at 1970 to 1999")
def dead_battery(post: Post, rng: Rng) -> Post:
    """The bay's computer lost its date."""
    began = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=float(rng.uniform(0.0, 10_900.0)))
    earlier = post.session.started_at - began
    setups = tuple(
        replace(setup, pulls=tuple(started_earlier(pull, earlier) for pull in setup.pulls))
        for setup in post.session.setups
    )
    return post.with_session(replace(post.session, setups=setups, started_at=began, clock=None))


@fault("air-incomplete", "one of three not written down")
def incomplete_air(post: Post, rng: Rng) -> Post:
    """The weather station was not read."""
    name = str(rng.choice(("temperature_c", "pressure_kpa", "humidity")))
    return bent(post, lambda pull: replace(pull, **{name: None}))


@fault("basis-unknown", "as it says")
def unknown_basis(post: Post, _: Rng) -> Post:
    """Corrected by nobody knows what."""
    return bent(post, lambda pull: scaled(replace(pull, basis_standard="unknown"), 0.03))


@fault("factor-outside-limits", "pressure 4..12 kPa low")
def thin_air(post: Post, rng: Rng) -> Post:
    """A pressure typed in too low, or a site far up."""
    low = rng.uniform(4.0, 12.0)
    return bent(post, lambda pull: replace(pull, pressure_kpa=round((pull.pressure_kpa or 100.0) - low, 1)))


@fault("few-samples", "4..8 samples left")
def few_samples(post: Post, rng: Rng) -> Post:
    """An export thinned out."""
    left = int(rng.integers(4, 9))

    def thin(pull: PostedPull) -> PostedPull:
        size = pull.channels["rpm"].size
        return kept_samples(pull, np.linspace(0, size - 1, left).astype(int))

    return bent(post, thin)


@fault("rpm-coverage", "30..60 % of the rev range left, cut above or below")
def short_pull(post: Post, rng: Rng) -> Post:
    """Begun late or broken off."""
    span = post.platform.document["rpm_limit"] * 0.75 * rng.uniform(0.3, 0.6)  # type: ignore[operator]
    above = rng.random() < 0.5

    def cut(pull: PostedPull) -> PostedPull:
        rpm = pull.channels["rpm"]
        return kept_samples(pull, rpm < rpm.min() + span if above else rpm > rpm.max() - span)

    return bent(post, cut)


@fault("stock-not-checked", "as it says")
def not_looked_at(post: Post, _: Rng) -> Post | None:
    """Nobody looked under the bonnet."""
    if not is_stock(post):
        return None
    first, *rest = post.session.setups
    unknown = replace(first, stock_checked="unknown")
    return post.with_session(replace(post.session, setups=(unknown, *rest)))


@fault("level-implausible", "a quarter to 0.55, or 1.3 to 2.5 times the power")
def another_car(post: Post, rng: Rng) -> Post | None:
    """Quite another car stood there."""
    times = log_size(rng, 0.25, 0.55) if rng.random() < 0.5 else log_size(rng, 1.3, 2.5)
    return bent(post, lambda pull: scaled(pull, np.log(times))) if is_stock(post) else None


@fault("engine-not-recorded", "as it says, of a compression-ignition engine")
def engine_not_recorded(post: Post, rng: Rng) -> Post | None:
    """Corrected elsewhere in a standard that rests on the engine; no platform here has its figures."""
    if post.facts.ignition != "compression":
        return None
    slug = ("iso-1585", "un-r85", "jis-d1001")[int(rng.integers(3))]
    return bent(post, lambda pull: scaled(replace(pull, basis_standard=slug), 0.02))


@fault("mixed-basis", "one pull of a setup in another basis")
def mixed_basis(post: Post, rng: Rng) -> Post:
    """One pull was copied from another program."""
    turn = int(rng.integers(0, 3))
    return bent(post, lambda pull: scaled(replace(pull, basis_standard="unknown"), 0.02), (1,), (turn,))


@fault("pulls-disagree", "one pull 1..6 % off")
def one_pull_off(post: Post, rng: Rng) -> Post:
    """One pull went wrong."""
    off, turn = either(rng) * log_size(rng, 0.01, 0.06), int(rng.integers(0, 3))
    return bent(post, lambda pull: scaled(pull, off), (1,), (turn,))


@fault("same-parts-differ", "a forgotten part of 1.5..10 %", several=True)
def forgotten_part(post: Post, rng: Rng) -> Post | None:
    """A part went on between two setups and was never written down."""
    if len(post.session.setups) < 3:
        return None
    gain = log_size(rng, 0.015, 0.10)
    return bent(post, lambda pull: scaled(pull, gain), (3,))


def own_factor(pull: PostedPull) -> float:
    """The base standard's factor in the air that was written down."""
    air = air_of(pull)
    assert air is not None
    return correction_factor(BASE_STANDARD, air)


@fault("power-torque-spread", "power tilted by 1..8 % along the curve")
def columns_from_two_pulls(post: Post, rng: Rng) -> Post:
    """Power comes from another pull, or was smoothed otherwise: right in the middle, wrong along the curve."""
    tilt = either(rng) * log_size(rng, 0.01, 0.08)

    def wrong(pull: PostedPull) -> PostedPull:
        along = share(post, pull)
        power = pull.channels["torque"] * pull.channels["rpm"] * np.pi / 30e3
        return with_channels(pull, power=power * np.exp(tilt * (along - np.median(along))))

    return bent(post, wrong)


@fault("factor-differs", "posted factor 0.4..5 % off")
def wrong_factor(post: Post, rng: Rng) -> Post:
    """Corrected by a factor that this air does not make."""
    off = np.exp(either(rng) * log_size(rng, 0.004, 0.05))

    def wrong(pull: PostedPull) -> PostedPull:
        factor = own_factor(pull) * off
        return scaled(replace(pull, basis_standard=BASE_STANDARD, basis_factor=factor), np.log(factor))

    return bent(post, wrong)


@fault("pressure-default", "101.325, 100, 101.3 or 101.32 kPa typed in")
def default_pressure(post: Post, rng: Rng) -> Post:
    """A default or the weather report's figure instead of the station's: at a site somewhat higher up."""
    typed = float(rng.choice((101.325, 100.0, 101.3, 101.32)))
    return bent(post, lambda pull: replace(pull, pressure_kpa=typed))


@fault("pressure-not-station", "sea-level figure at a site 250..1500 m higher")
def sea_level_pressure(post: Post, rng: Rng) -> Post:
    """The weather report's figure at a site 250 to 1500 m up: 3 to 17 kPa too high."""
    higher = log_size(rng, 250.0, 1500.0)
    moved = replace(post.around, altitude_m=(post.around.altitude_m or 0.0) + higher)
    return replace(post, around=moved)


@fault("weather-stuck", "the day one reading, or humidity 0 or 1")
def dead_station(post: Post, rng: Rng) -> Post | None:
    """The weather station has said the same for hours, or says 0 or 100 % humidity."""
    if rng.random() < 0.4:
        stuck = float(rng.choice((0.0, 1.0)))
        return bent(post, lambda pull: replace(pull, humidity=stuck))
    if not post.around.bay_pulls:
        return None
    first = post.session.setups[0].pulls[0]
    read = {name: getattr(first, name) for name in ("temperature_c", "pressure_kpa", "humidity")}
    dead = bent(post, lambda pull: replace(pull, **read))
    earlier = tuple(replace(pull, **read) for pull in post.around.bay_pulls)
    return replace(dead, around=replace(post.around, bay_pulls=earlier))


@fault("peak-not-reached", "ends at 0.82..1 of the peak-power speed")
def ended_early(post: Post, rng: Rng) -> Post:
    """Lifted before power fell."""
    top = post.platform.engine.peak_rpm * rng.uniform(0.82, 1.0)
    return bent(post, lambda pull: kept_samples(pull, pull.channels["rpm"] < top))


@fault("starts-late", "begins at 0.48..0.62 of the peak-power speed")
def begun_late(post: Post, rng: Rng) -> Post:
    """The throttle was opened late."""
    start = post.platform.engine.peak_rpm * rng.uniform(0.48, 0.62)
    return bent(post, lambda pull: kept_samples(pull, pull.channels["rpm"] > start))


@fault("trace-thin", "steps of 90..400 rpm, or a hole of 180..800 rpm")
def thin_or_gappy(post: Post, rng: Rng) -> Post:
    """Steps of 90 to 400 rpm, or a hole of 180 to 800 rpm."""
    size = log_size(rng, 90.0, 400.0)
    hole = log_size(rng, 180.0, 800.0) if rng.random() < 0.5 else 0.0
    at = post.platform.engine.peak_rpm * rng.uniform(0.5, 0.8)

    def spoil(pull: PostedPull) -> PostedPull:
        rpm = pull.channels["rpm"]
        if hole:
            return kept_samples(pull, (rpm < at) | (rpm > at + hole))
        return kept_samples(
            pull, np.unique(np.searchsorted(np.sort(rpm), np.arange(rpm.min(), rpm.max(), size)))
        )

    return bent(post, spoil)


def jumping_rpm(post: Post, rng: Rng) -> Post:
    """Engine speed jumps up and down by 10 to 80 rpm from sample to sample."""
    sd = log_size(rng, 10.0, 80.0)

    def jump(pull: PostedPull) -> PostedPull:
        rpm = pull.channels["rpm"]
        return with_channels(pull, rpm=np.abs(rpm + sd * rng.standard_normal(rpm.size)))

    return bent(post, jump)
