"""Questions as sums of the model's unknowns, and what the solution says of them.

A contrast maps unknowns to coefficients. An unknown that no setup ever touched has no column; it enters with its prior
variance, so that a part that was never fitted on a platform is answered like any other, only wider.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.stats.history.design import PlatformDesign
from service.stats.history.fitted import SPREAD_NAMES, Weights, gain_key
from service.stats.history.layout import (
    ASPIRATION_SPREAD,
    Border,
    Gain,
    Key,
    Linear,
    aspiration_key,
    pair_key,
    part_key,
    part_on_key,
    prior_of,
    slot_key,
    slot_on_key,
)
from service.stats.mixed.solve import Solution

Floats = NDArray[np.float64]

_PART_ON: Final = SPREAD_NAMES.index("part_on")
_PART: Final = SPREAD_NAMES.index("part")
_BESIDE_THE_SLOT: Final = ("part", "slot_on", "part_on", "pair")


@dataclass(frozen=True, slots=True)
class Contrast:
    """offset + the sum of coefficient x unknown."""

    terms: Mapping[Key, float]
    offset: float = 0.0

    def plus(self, other: "Contrast", factor: float = 1.0) -> "Contrast":
        """This and `factor` times the other."""
        terms = dict(self.terms)
        for key, value in other.terms.items():
            terms[key] = terms.get(key, 0.0) + factor * value
        return Contrast(terms, self.offset + factor * other.offset)


NOTHING: Final = Contrast({})


def only(key: Key, value: float = 1.0) -> Contrast:
    """One unknown alone."""
    return Contrast({key: value})


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The solution as seen from one platform; `block`, its place in the solution, None where it has no setups."""

    platform: int
    aspiration: str
    design: PlatformDesign | None
    block: int | None
    solution: Solution
    border: Border
    linear: Linear
    theta: Floats
    weights: Weights
    slots_seen: frozenset[tuple[str, str]]

    def gain(self, part: int) -> Contrast:
        """G of a part on this platform, on its own."""
        gain = self.linear.of(part, self.platform, self.aspiration)
        terms = {
            part_key(part): gain.tilt * gain.scale,
            slot_on_key(gain.slot): gain.main,
            part_on_key(part): 1.0,
        }
        return Contrast(terms, gain.offset).plus(self._slot_mean(gain), gain.tilt)

    def _slot_mean(self, gain: Gain) -> Contrast:
        """M of a slot with this platform's aspiration; the mean of what is known of others where it was never seen."""
        others = sorted(name for slot, name in self.slots_seen if slot == gain.slot)
        if self.aspiration in others or not others:
            return only(slot_key(gain.slot, self.aspiration))
        shared = {slot_key(gain.slot, name): 1.0 / len(others) for name in others}
        return Contrast(shared | {aspiration_key(gain.slot): ASPIRATION_SPREAD * gain.scale})

    def interaction(self, part_a: int, part_b: int) -> Contrast:
        """What two parts give together beyond their sum."""
        a = self.linear.of(part_a, self.platform, self.aspiration)
        b = self.linear.of(part_b, self.platform, self.aspiration)
        if a.slot == b.slot:
            return NOTHING
        return only(pair_key(a.slot, b.slot), (a.size * b.size) ** 0.5)

    def moments(self, contrasts: Sequence[Contrast]) -> tuple[Floats, Floats]:
        """Means [k, r] and covariance [k, k] of contrasts."""
        local, shared, unseen = self.vectors(contrasts)
        spread = unseen.T @ (unseen * self._unseen_variances(contrasts)[:, np.newaxis])
        offset = np.array([contrast.offset for contrast in contrasts])[:, np.newaxis]
        if self.block is None:
            covariance = self.solution.border_covariance(shared)
            return shared @ self.solution.border + offset, covariance + spread
        covariance = self.solution.covariance(self.block, local, shared)
        return self.solution.mean(self.block, local, shared) + offset, covariance + spread

    def means(self, contrasts: Sequence[Contrast]) -> Floats:
        """The means of `moments` alone [k, r]: of many contrasts the covariance is what costs."""
        local, shared, _ = self.vectors(contrasts)
        offset = np.array([contrast.offset for contrast in contrasts])[:, np.newaxis]
        if self.block is None:
            return np.asarray(shared @ self.solution.border + offset)
        return np.asarray(self.solution.mean(self.block, local, shared) + offset)

    def prior_variance(self, contrast: Contrast) -> float:
        """Of a contrast where only the spreads and the slots' means are known."""
        return sum(
            value**2 * self.prior_of(key)
            for key, value in contrast.terms.items()
            if key[0] in _BESIDE_THE_SLOT
        )

    def prior_of(self, key: Key) -> float:
        """Prior variance of an unknown, the weight of a part inside."""
        if key[0] == "part_on":
            part = int(key[1])
            size = self.linear.of(part, self.platform, self.aspiration).spread_size
            key_here = gain_key(self.platform, np.array([part], dtype=np.int64))
            return float(self.theta[_PART_ON] * size**2 / self.weights.part_on.of(key_here)[0])
        if key[0] == "part":
            weight = self.weights.part.of(np.array([key[1]], dtype=np.int64))[0]
            return float(self.theta[_PART] / weight)
        index, scale = prior_of(str(key[0]))
        return float(self.theta[index] * scale if index >= 0 else scale)

    def held_prior(self, key: Key) -> float:
        """Prior variance, weight inside, of one of the platform's own columns. Raises KeyError where it has none."""
        if self.block is None:
            raise KeyError(f"key: {key} has no column, platform {self.platform} has no setups")
        return float(self.solution.reduced[self.block].sd[self.local_place()[key]] ** 2)

    def local_place(self) -> Mapping[Key, int]:
        return self.design.local_place if self.design is not None else {}

    def _unseen(self, contrasts: Sequence[Contrast]) -> list[Key]:
        local = self.local_place()
        keys = dict.fromkeys(key for contrast in contrasts for key in contrast.terms)
        return [key for key in keys if key not in local and key not in self.border.place]

    def _unseen_variances(self, contrasts: Sequence[Contrast]) -> Floats:
        return np.array([self.prior_of(key) for key in self._unseen(contrasts)])

    def vectors(self, contrasts: Sequence[Contrast]) -> tuple[Floats, Floats, Floats]:
        """Coefficients over the platform's own columns [k, l], the border [k, b], and what has no column [u, k]."""
        local, place = self.local_place(), self.border.place
        extra = {key: i for i, key in enumerate(self._unseen(contrasts))}
        own = np.zeros((len(contrasts), len(local)))
        shared = np.zeros((len(contrasts), len(place)))
        unseen = np.zeros((len(extra), len(contrasts)))
        for i, contrast in enumerate(contrasts):
            for key, value in contrast.terms.items():
                if key in local:
                    own[i, local[key]] = value
                elif key in place:
                    shared[i, place[key]] = value
                else:
                    unseen[extra[key], i] = value
        return own, shared, unseen
