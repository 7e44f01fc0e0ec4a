"""Normal order statistics: how the best of several equal pulls reads against their mean."""

from __future__ import annotations

from typing import Final

LARGEST_BEST_OF: Final = 20  # our choice: no shop keeps the best of more

# Mean and variance of the largest of n standard normal values (order statistics; see David & Nagaraja, Order
# Statistics, 2003), n = 1..20, integrated numerically; tests/stats/test_noise.py integrates them again.
# fmt: off
_BEST_MEAN: Final[tuple[float, ...]] = (
    0.0, 0.5641895835, 0.8462843753, 1.029375373, 1.1629644736,
    1.2672063606, 1.3521783756, 1.423600306, 1.4850131622, 1.5387527308,
    1.5864363519, 1.6292276399, 1.667990177, 1.7033815541, 1.7359134449,
    1.7659913931, 1.7939419809, 1.820031879, 1.8444815116, 1.8674750598,
)
_BEST_VARIANCE: Final[tuple[float, ...]] = (
    1.0, 0.6816901138, 0.5594672038, 0.4917152369, 0.447534069,
    0.415927109, 0.3919177761, 0.3728971433, 0.3573533264, 0.3443438233,
    0.3332474427, 0.323636387, 0.3152053842, 0.3077301025, 0.3010415703,
    0.295009809, 0.2895330037, 0.2845301297, 0.2799358049, 0.2756966156,
)
# fmt: on


def best_of_n_bias(n: int) -> float:
    """How far the best of n pulls reads above their mean on average [standard deviations of one pull]."""
    return _BEST_MEAN[_place(n)]


def best_of_n_variance_factor(n: int) -> float:
    """Variance of the best of n pulls over the variance of one."""
    return _BEST_VARIANCE[_place(n)]


def _place(n: int) -> int:
    if not 1 <= n <= LARGEST_BEST_OF:
        raise ValueError(
            f"best_of: {n} is outside 1..{LARGEST_BEST_OF}; give the number of pulls it is the best of"
        )
    return n - 1
