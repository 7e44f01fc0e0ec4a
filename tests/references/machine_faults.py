"""Faults of the rollers, the tyres and the driveline, and of the bay's company."""

from dataclasses import replace

import numpy as np

from service.domain.records import PostedPull
from tests.references.good import Post
from tests.references.planting import (
    Rng,
    bent,
    bump,
    either,
    fault,
    is_stock,
    log_size,
    rise,
    scaled,
    share,
    with_channels,
    without,
)


def ran_ahead(pull: PostedPull, by: np.ndarray) -> PostedPull:
    """A pull in which the engine ran ahead of the rollers by a share."""
    return with_channels(pull, roller_speed=pull.channels["roller_speed"] / (1.0 + by))


@fault("tyre-slip", "g +1..8 % over 300..600 rpm, torque down as much")
def tyre_slip(post: Post, rng: Rng) -> Post:
    """A tyre lets go about the torque peak and grips again."""
    size, at, width = log_size(rng, 0.01, 0.08), rng.uniform(0.5, 0.75), rng.uniform(0.025, 0.05)

    def slip(pull: PostedPull) -> PostedPull:
        by = size * bump(share(post, pull), at, width)
        return scaled(ran_ahead(pull, by), -by)

    return bent(post, slip, turns=(int(rng.integers(3)),))


@fault("clutch-slip", "g +2..15 % from the torque peak on, torque capped")
def clutch_slip(post: Post, rng: Rng) -> Post:
    """The clutch gives way under load and does not come back."""
    size, at = log_size(rng, 0.02, 0.15), rng.uniform(0.5, 0.65)

    def slip(pull: PostedPull) -> PostedPull:
        torque = pull.channels["torque"]
        cap = np.quantile(torque[np.abs(share(post, pull) - at) < 0.02], 0.75)
        above = np.clip(np.log(np.maximum(torque, 1.0) / cap), 0.0, None)
        capped = -np.where(share(post, pull) > at, above, 0.0)
        return scaled(ran_ahead(pull, size * rise(share(post, pull), at + 0.05, 0.02)), capped)

    return bent(post, slip)


@fault("converter-unlocked", "g 2..20 % high at the start, falling to the end")
def unlocked(post: Post, rng: Rng) -> Post:
    """The converter was not locked."""
    size = log_size(rng, 0.02, 0.20)

    def open_(pull: PostedPull) -> PostedPull:
        rpm = pull.channels["rpm"]
        by = size * (1.0 - (rpm - rpm.min()) / np.ptp(rpm)) ** 1.5
        return scaled(ran_ahead(pull, by), by)

    return bent(post, open_)


@fault("gear-change", "g steps by 12..60 % in 0.3 s, mid-pull")
def gear_change(post: Post, rng: Rng) -> Post:
    """A kick-down, or a change up, in the middle of the pull."""
    step, at = either(rng) * log_size(rng, 0.12, 0.60), rng.uniform(0.5, 0.8)

    def change(pull: PostedPull) -> PostedPull:
        return ran_ahead(
            pull, np.expm1(np.log1p(abs(step)) * np.sign(step) * rise(share(post, pull), at, 0.004))
        )

    return bent(post, change, turns=(int(rng.integers(3)),))


@fault("curve-noisy", "torque samples scatter by 1.5..6 %")
def noisy(post: Post, rng: Rng) -> Post:
    """A loose cable."""
    sd = log_size(rng, 0.015, 0.06)
    return bent(post, lambda pull: scaled(pull, sd * rng.standard_normal(pull.channels["rpm"].size)))


@fault("curve-smoothed", "moving mean over 300..1000 rpm, not said")
def smoothed(post: Post, rng: Rng) -> Post:
    """Smoothed heavily before it was posted."""
    width = rng.uniform(300.0, 1000.0)

    def smooth(pull: PostedPull) -> PostedPull:
        rpm, torque = pull.channels["rpm"], pull.channels["torque"]
        half = max(1, int(width / 2.0 / (np.ptp(rpm) / rpm.size)))
        for _ in range(2):
            padded = np.pad(torque, half, mode="reflect", reflect_type="odd")
            torque = np.convolve(padded, np.full(2 * half + 1, 1.0 / (2 * half + 1)), mode="valid")
        return replace(without(with_channels(pull, torque=torque), "power"), smoothing=None)

    return bent(post, smooth)


@fault("rpm-doubled", "engine speed x 2 or x 0.5")
def pickup_counts_twice(post: Post, rng: Rng) -> Post:
    """The pickup counts every spark twice, or every other one: rpm x 2 or x 0.5, torque inversely."""
    times = 2.0 if rng.random() < 0.5 else 0.5
    return bent(post, lambda pull: stretched(pull, times))


def stretched(pull: PostedPull, times: float) -> PostedPull:
    """A pull whose engine speed is wrong by a factor; the power at the rollers is right."""
    return with_channels(scaled_torque(pull, 1.0 / times), rpm=pull.channels["rpm"] * times)


def scaled_torque(pull: PostedPull, times: float) -> PostedPull:
    """A pull whose torque alone is changed."""
    return with_channels(pull, torque=pull.channels["torque"] * times)


@fault("roller-speed-unit", "km/h of rollers 0.3..1.2 m across")
def rollers_in_km_h(post: Post, rng: Rng) -> Post:
    """The rollers' speed over ground in the column of their turns."""
    km_h = np.pi * log_size(rng, 0.3, 1.2) * 60.0 / 1000.0
    return bent(post, lambda pull: with_channels(pull, roller_speed=pull.channels["roller_speed"] * km_h))


@fault("wrong-gear", "g 18..45 % off, up or down")
def another_gear(post: Post, rng: Rng) -> Post:
    """Not the declared gear: rollers 18..45 % faster or slower."""
    times = np.exp(either(rng) * rng.uniform(np.log(1.18), np.log(1.45)))
    return bent(post, lambda pull: ran_ahead(pull, times - 1.0))


@fault("speed-ratio-differs", "g 2..8 % off, engine speed right")
def another_tyre(post: Post, rng: Rng) -> Post:
    """Other tyres than the ratio was taught with: g 2..8 % off, engine speed right."""
    times = np.exp(either(rng) * log_size(rng, 0.02, 0.08))
    return bent(post, lambda pull: ran_ahead(pull, times - 1.0))


@fault("rpm-scale", "seen before in this bay, engine speed 2..10 % off, torque inversely")
def wrong_rpm_scale(post: Post, rng: Rng) -> Post | None:
    """Engine speed by a ratio that was taught badly, beside the rollers' own speed."""
    seen_here = any(state.bay == post.session.bay for state in post.around.earlier)
    return mistaught(post, rng) if seen_here and is_stock(post) else None


@fault("rpm-axis", "engine speed 2..10 % off, torque inversely, no roller speed posted")
def wrong_rpm_axis(post: Post, rng: Rng) -> Post | None:
    """The same where nothing but the curve can tell."""
    if not is_stock(post):
        return None
    return bent(mistaught(post, rng), lambda pull: without(pull, "roller_speed"))


def mistaught(post: Post, rng: Rng) -> Post:
    """Engine speed off by a share, torque inversely."""
    times = float(np.exp(either(rng) * log_size(rng, 0.02, 0.10)))
    return bent(post, lambda pull: stretched(pull, times))
