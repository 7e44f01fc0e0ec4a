"""The model's part of the bench: what it times is the model's own answers, and nothing it prints is left without a figure.

No time is judged here: `bench` prints them beside their targets.
"""

import numpy as np
import pytest

from service.stats.history.fit import starting_fit
from service.stats.history.system import build
from tests.bench.model import (
    APART,
    BENCH_SIZES,
    MEMORY,
    TARGETS,
    Shop,
    cars_of,
    cells_of,
    measured,
    peak_mib,
    shop_of,
)


@pytest.fixture(scope="module")
def shop() -> Shop:
    return shop_of(BENCH_SIZES["tiny"])


@pytest.fixture(scope="module")
def figures(shop: Shop) -> dict[str, float]:
    return measured(shop)


def test_every_target_has_a_figure_and_a_size(figures: dict[str, float]) -> None:
    assert set(TARGETS) <= set(figures) | {MEMORY}
    assert {size for targets in TARGETS.values() for size in targets} <= set(BENCH_SIZES)
    assert all(took > 0.0 for name, took in figures.items() if name != APART)


def test_a_gain_after_a_car_was_taken_out_live_is_a_rebuilt_systems(figures: dict[str, float]) -> None:
    assert figures[APART] <= TARGETS[APART]["tiny"]


def test_the_changed_cars_are_put_in_as_they_were(shop: Shop) -> None:
    """What is timed as one car's update leaves every gain where it was."""
    system = build(starting_fit(shop.history, shop.catalogue), shop.history, shop.catalogue)
    again = system.replaced(*next(cars_of(shop.history)), shop.catalogue)
    for cell in cells_of(shop.history):
        assert again.gain(*cell).mean == pytest.approx(system.gain(*cell).mean, abs=1e-9)


def test_curves_of_a_setup_are_whole_or_absent(shop: Shop) -> None:
    had = np.isfinite(shop.knots)
    assert 0 < had[:, 0].sum() < len(had)
    assert (had == had[:, :1]).all()


def test_the_peak_of_memory_holds_what_was_there_at_once() -> None:
    filler = np.ones(40_000_000)
    assert peak_mib() > filler.nbytes / 2**20
