"""What the history model answers: small records, all in ln units (0.01 is 1 %)."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Cell:
    """A gain (or a sum of gains) of the typical car of a platform.

    mean, variance: of the typical gain. prior_variance: what it would be if only the spreads and the slot's mean were
    known. elsewhere_variance: what it would be without this platform's own evidence about the part, taken as one
    reading of G(part, platform); borrowed share = variance / elsewhere_variance, 1 where no car here had it.
    cars: cars of this platform measured with and without it, all else equal or separable within the car.
    cars_with: cars of this platform measured with it. cars_elsewhere: cars of other platforms measured with it.
    car_spread_variance: of the gain of a single car about the typical one, (cv * gain)^2 + floor^2, variance included.
    entangled: parts that cannot be told apart from it here (posterior correlation below -0.8).
    """

    mean: float
    variance: float
    prior_variance: float
    elsewhere_variance: float
    car_spread_variance: float
    cars: int
    cars_with: int
    cars_elsewhere: int
    entangled: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CellColumns:
    """A gain of which several measures are asked at once (knots of a curve): `Cell` with arrays of length r.

    scale [r]: residual variance of each measure relative to the fit's own; it is inside `variance` and
    `car_spread_variance` already. cell: the same gain in the fit's own measure, with its counts.
    """

    mean: Floats
    variance: Floats
    car_spread_variance: Floats
    scale: Floats
    cell: Cell


@dataclass(frozen=True, slots=True)
class Cells:
    """Gains of many parts side by side: of their `Cell`s what intervals and chances hang on, as arrays of length k."""

    mean: Floats
    variance: Floats
    prior_variance: Floats
    car_spread_variance: Floats


def side_by_side(cells: Sequence[Cell]) -> Cells:
    """These cells as arrays."""
    columns = ("mean", "variance", "prior_variance", "car_spread_variance")
    return Cells(*(np.array([getattr(one, name) for one in cells], dtype=np.float64) for name in columns))


@dataclass(frozen=True, slots=True)
class BayLevel:
    """How a bay reads against the mean of all bays [ln], from `since` [days since 1970-01-01; -inf: its start] on.

    cars: measured there in that stretch; cars_shared: of them, also measured in another bay. identifiable: False
    where the bay shares no car with any other: its level then rests on its cars being like others of their kind.
    """

    bay_id: int
    since: float
    mean: float
    variance: float
    cars: int
    cars_shared: int
    identifiable: bool


@dataclass(frozen=True, slots=True)
class CarEffects:
    """Every car against the typical car of its platform [ln], columns of length c.

    own, own_variance: its level by its own setups alone (levelled for bay, parts and conditions; as if nothing were
    known of other cars), and the variance of its error; NaN, inf where its level cannot be had. nominal_variance: of cars
    about their platform (weight 1); deletion z = own / sqrt(own_variance + nominal_variance).
    """

    nominal_variance: float
    vehicle_id: Ints
    platform_id: Ints
    own: Floats
    own_variance: Floats


@dataclass(frozen=True, slots=True)
class SetupResiduals:
    """Every setup against what all others say of it, columns of length n.

    residual [ln] = its value less its prediction without itself; variance: of that residual at weight 1.
    weight: how far the fit trusted it. heat_soaked: its power fell from pull to pull.
    """

    setup_id: Ints
    vehicle_id: Ints
    platform_id: Ints
    bay_id: Ints
    at: Floats
    residual: Floats
    variance: Floats
    weight: Floats
    heat_soaked: Bools


@dataclass(frozen=True, slots=True)
class CarGains:
    """Cars' own gains from a part, every (car, part) of the history, columns of length g.

    own, own_variance: by which the car gained more or less than typical, by its own setups alone [ln]; NaN, inf where
    it was never measured with and without. nominal_variance: the spread expected between cars, weight 1.
    """

    vehicle_id: Ints
    part_id: Ints
    own: Floats
    own_variance: Floats
    nominal_variance: Floats


@dataclass(frozen=True, slots=True)
class Interaction:
    """Two slots' parts together against the sum of each alone, relative to the geometric mean of the two gains.

    cars: measured in at least three of: neither, the one, the other, both (they show it).
    """

    slot_a: str
    slot_b: str
    mean: float
    variance: float
    cars: int
