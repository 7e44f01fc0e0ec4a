"""Channels beside torque on the common grid: means where samples are, straight lines between, nothing outside."""

import numpy as np
import pytest

from service.domain.channels import channel_grids
from service.domain.curve import GRID_RPM
from service.domain.derive import derive_pull, summarise_setup
from service.domain.records import PostedPull

RPM = np.arange(2000.0, 6501.0, 25.0)
KNOWN = (GRID_RPM >= 2000.0) & (GRID_RPM <= 6500.0)


def at(grid, rpm: float) -> float:
    return grid[np.flatnonzero(rpm == GRID_RPM)[0]]


def test_a_straight_channel_is_itself_on_the_grid():
    grid = channel_grids(RPM, {"map": 100.0 - 0.001 * RPM}, KNOWN)["map"]
    # Samples lie at the knot and 25 rpm either side; those midway belong to one of two knots, so 12.5 rpm at most.
    np.testing.assert_allclose(grid[KNOWN], 100.0 - 0.001 * GRID_RPM[KNOWN], atol=0.001 * 12.5)
    assert np.isnan(grid[~KNOWN]).all()


def test_samples_at_one_speed_are_averaged_and_holes_are_drawn_straight():
    rpm = np.array([2000.0, 2000.0, 2000.0, 2200.0])
    grid = channel_grids(rpm, {"lambda": np.array([0.80, 0.86, 0.86, 0.88])}, KNOWN)["lambda"]
    assert at(grid, 2000.0) == pytest.approx(0.84)
    assert 0.84 < at(grid, 2100.0) < 0.88


def test_the_order_of_samples_does_not_matter():
    order = np.random.default_rng(1).permutation(RPM.size)
    there = channel_grids(RPM, {"spark": RPM / 200.0}, KNOWN)["spark"]
    back = channel_grids(RPM[order], {"spark": RPM[order] / 200.0}, KNOWN)["spark"]
    np.testing.assert_allclose(there, back)


def test_engine_over_roller_speed_is_the_gearing():
    grids = channel_grids(RPM, {"roller_speed": RPM / 3.5}, KNOWN)
    np.testing.assert_allclose(grids["speed_ratio"][KNOWN], 3.5)


def test_a_setup_carries_the_mean_of_its_pulls_channels_and_its_gearing():
    torque = 200.0 + 0.0 * RPM
    channels = {"rpm": RPM, "torque": torque, "roller_speed": RPM / 3.5}
    pulls = [
        PostedPull(n=n, channels={**channels, "lambda": np.full_like(RPM, mix)})
        for n, mix in ((1, 0.84), (2, 0.88))
    ]
    summary = summarise_setup(pulls, [derive_pull(pull, None) for pull in pulls])
    assert at(summary.channels["lambda"], 4000.0) == pytest.approx(0.86)
    assert summary.speed_ratio == pytest.approx(3.5)
    assert (
        summarise_setup(
            [pulls[0]], [derive_pull(PostedPull(n=1, channels=dict(list(channels.items())[:2])), None)]
        ).channels
        == {}
    )
