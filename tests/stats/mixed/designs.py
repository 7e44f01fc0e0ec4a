"""Random designs with every kind of column and pattern at once, for checks against the dense model."""

import numpy as np
from scipy.sparse import csr_array

from service.stats.mixed.block import FIXED, FLAT, Block, Ints, Prior
from tests.stats.mixed.layouts import same, starts

THETA = np.array([0.5, 0.3, 0.2, 0.4, 0.15])
"""Of setups' and groups' patterns, of local and border columns, and the covariance of a signed cross pattern."""

BORDER = Prior(np.array([FLAT, 3, 3, FIXED, 2, 3]), np.array([1.0, 1.0, 2.0, 0.5, 1.0, 0.7]))
LOCAL = Prior(np.array([FLAT, 2, FIXED]), np.array([1.0, 1.5, 0.7]))


def sizes_to_labels(sizes: list[int]) -> Ints:
    return np.repeat(np.arange(len(sizes)), sizes)


def a_block(rng: np.random.Generator, sizes: list[int], border: Ints, right_sides: int = 2) -> Block:
    """Groups of these sizes; dense own columns, sparse shared ones, five patterns of which one is signed."""
    group, n = sizes_to_labels(sizes), sum(sizes)
    visit, slope = rng.integers(0, 2, n), rng.normal(size=n)
    level = same(group)
    gains = level.multiply(np.outer(slope, slope)).tocsr()
    cross = level.multiply(slope[:, np.newaxis] + slope[np.newaxis, :]).tocsr()
    shared = rng.normal(size=(n, len(border))) * (rng.random((n, len(border))) < 0.6)
    return Block(
        x_local=csr_array(np.column_stack([np.ones(n), rng.normal(size=(n, 2))])),
        x_border=csr_array(shared),
        border=border,
        group_start=starts(group),
        noise=rng.uniform(0.1, 1.0, n),
        patterns=(level, gains, same(group, visit), cross, 0.2 * level),
        pattern_theta=np.array([0, 1, 0, 4, FIXED]),
        y=rng.normal(size=(n, right_sides)),
        prior_local=LOCAL,
    )


def shop(seed: int, right_sides: int = 2) -> list[Block]:
    """Three platforms; the last two do not use the whole border."""
    rng = np.random.default_rng(seed)
    return [
        a_block(rng, [1, 4, 2, 2, 6, 1, 3], np.arange(6), right_sides),
        a_block(rng, [3, 3, 5], np.array([0, 1, 3, 5]), right_sides),
        a_block(rng, [2, 1, 1, 4, 4], np.array([0, 2, 4, 5]), right_sides),
    ]
