"""How a fault is planted into an otherwise good post: which pulls it touches, and how it bends them."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np

from seed.engines import Floats
from service.domain.records import PostedPull, PostedSetup
from tests.references.good import Post

Rng = np.random.Generator
Plant = Callable[[Post, Rng], Post | None]
"""Bends a good post; None where the fault cannot be in it (no turbocharger, too few pulls)."""


@dataclass(frozen=True)
class Fault:
    """One fault: the check that should see it, its sizes in words, how it is planted, and whether it needs
    more than the usual post of one setup with three pulls (which is quicker)."""

    code: str
    sizes: str
    plant: Plant
    several: bool


FAULTS: dict[str, Fault] = {}
"""Every fault by the code of the check that should catch it."""


def fault(code: str, sizes: str, *, several: bool = False) -> Callable[[Plant], Plant]:
    """Make a function the fault that a check is tried with."""

    def register(plant: Plant) -> Plant:
        if code in FAULTS:
            raise ValueError(f"fault: {code} has one already")
        FAULTS[code] = Fault(code, sizes, plant, several)
        return plant

    return register


def bent(
    post: Post,
    bend: Callable[[PostedPull], PostedPull],
    setups: Collection[int] | None = None,
    turns: Collection[int] | None = None,
) -> Post:
    """The post with its accepted pulls bent: of all setups or those of these numbers, all pulls or these turns."""
    changed = [
        setup if setups is not None and setup.n not in setups else bent_setup(setup, bend, turns)
        for setup in post.session.setups
    ]
    return post.with_session(replace(post.session, setups=tuple(changed)))


def bent_setup(
    setup: PostedSetup, bend: Callable[[PostedPull], PostedPull], turns: Collection[int] | None
) -> PostedSetup:
    """A setup with its accepted pulls bent; turns count them from nought."""
    pulls, turn = [], 0
    for pull in setup.pulls:
        touched = pull.status == "accepted" and (turns is None or turn in turns)
        turn += pull.status == "accepted"
        pulls.append(bend(pull) if touched else pull)
    return replace(setup, pulls=tuple(pulls))


def accepted(setup: PostedSetup) -> list[PostedPull]:
    """The pulls that count."""
    return [pull for pull in setup.pulls if pull.status == "accepted"]


def with_channels(pull: PostedPull, **channels: Floats) -> PostedPull:
    """A pull with some channels replaced (`lambda_` for the one that is a word of the language)."""
    named = {name.rstrip("_"): values for name, values in channels.items()}
    return replace(pull, channels={**pull.channels, **named})


def without(pull: PostedPull, *names: str) -> PostedPull:
    """A pull that lacks some channels."""
    kept = {name: values for name, values in pull.channels.items() if name not in names}
    return replace(pull, channels=kept)


def scaled(pull: PostedPull, log: Floats | float) -> PostedPull:
    """A pull whose torque, and power where it was posted, is changed by so much [log]."""
    made = {n: pull.channels[n] * np.exp(log) for n in ("torque", "power") if n in pull.channels}
    return replace(pull, channels={**pull.channels, **made})


def kept_samples(pull: PostedPull, keep: Floats) -> PostedPull:
    """A pull of which only some samples are there (a mask, or their places)."""
    return replace(pull, channels={name: values[keep] for name, values in pull.channels.items()})


def share(post: Post, pull: PostedPull) -> Floats:
    """Engine speed over the speed of peak power."""
    return pull.channels["rpm"] / post.platform.engine.peak_rpm


def rise(value: Floats, at: float, width: float) -> Floats:
    """From 0 to 1 around a place."""
    return 1.0 / (1.0 + np.exp(-(value - at) / width))


def bump(value: Floats, at: float, width: float) -> Floats:
    """1 at a place, 0 away from it."""
    return np.exp(-(((value - at) / width) ** 2))


def is_stock(post: Post, n: int = 1) -> bool:
    """Whether a setup is a stock one."""
    setup = post.session.setups[n - 1]
    return not setup.parts and setup.parts_known == "complete"


def log_size(rng: Rng, low: float, high: float) -> float:
    """A size between two, small ones as often as large ones (uniform in its logarithm)."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def either(rng: Rng) -> float:
    """Up or down."""
    return 1.0 if rng.random() < 0.5 else -1.0
