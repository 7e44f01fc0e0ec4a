"""Which cars two bays share."""

import numpy as np

from service.stats.history.shared_cars import SharedCars, shared_cars


def test_two_bays_are_linked_by_a_car_in_both_or_over_a_bay_between():
    """Bays 1 and 2 share car 10, 2 and 3 car 11; bay 4 shares none."""
    bays = np.array([1, 2, 2, 3, 4, 1, 1])
    cars = np.array([10, 10, 11, 11, 12, 13, 10])
    assert shared_cars(bays, cars) == (
        SharedCars((1, 2), (10,), linked=True),
        SharedCars((1, 3), (), linked=True),
        SharedCars((1, 4), (), linked=False),
        SharedCars((2, 3), (11,), linked=True),
        SharedCars((2, 4), (), linked=False),
        SharedCars((3, 4), (), linked=False),
    )


def test_one_bay_has_no_other():
    assert shared_cars(np.array([1, 1]), np.array([5, 6])) == ()
    assert shared_cars(np.array([], dtype=int), np.array([], dtype=int)) == ()
