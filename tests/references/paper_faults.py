"""Faults of old records of which only the peaks were kept."""

from dataclasses import replace

import numpy as np

from service.domain.records import PostedPeaks, PostedPull
from tests.references.good import Post
from tests.references.planting import Rng, bent, fault, log_size


@fault("best-of-unknown", "as it says")
def best_of_lost(post: Post, _: Rng) -> Post:
    """An old record: peaks only."""
    return bent(post, lambda pull: peaks_only(post, pull))


def peaks_only(post: Post, pull: PostedPull, best_of: int | None = None) -> PostedPull:
    """A pull of which only the peaks were kept."""
    power = pull.channels["torque"] * pull.channels["rpm"] * np.pi / 30e3
    at = int(power.argmax())
    peaks = PostedPeaks(float(power[at]), float(pull.channels["rpm"][at]), None, None)
    return replace(pull, channels={}, peaks=peaks, best_of=best_of, source="paper")


@fault("peaks-impossible", "power 1.1 to 10 times what it was")
def impossible_peaks(post: Post, rng: Rng) -> Post:
    """An old record whose power is in another unit, of another pull, or has a digit too many."""
    times = log_size(rng, 1.1, 10.0)

    def written(pull: PostedPull) -> PostedPull:
        kept = peaks_only(post, pull, best_of=3)
        assert kept.peaks is not None
        assert kept.peaks.power_kw is not None
        power, torque = times * kept.peaks.power_kw, float(pull.channels["torque"].max())
        return replace(kept, peaks=replace(kept.peaks, power_kw=power, torque_nm=torque))

    return bent(post, written)


@fault("peaks-rounded", "to whole or five kW")
def rounded_peaks(post: Post, rng: Rng) -> Post:
    """An old record in whole or half tens."""
    step = float(rng.choice((1.0, 5.0)))

    def rounded(pull: PostedPull) -> PostedPull:
        kept = peaks_only(post, pull, best_of=3)
        assert kept.peaks is not None
        assert kept.peaks.power_kw is not None
        return replace(kept, peaks=replace(kept.peaks, power_kw=step * round(kept.peaks.power_kw / step)))

    return bent(post, rounded)
