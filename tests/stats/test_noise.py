"""Noise of pulls against integrated order statistics and printed rounded figures."""

import math

import numpy as np
import pytest
from scipy import integrate
from scipy import stats as reference

from service.stats import noise


def moment_of_largest(n: int, power: int) -> float:
    """E[X^power] of the largest of n standard normal values, by its density n phi(x) Phi(x)^(n-1)."""
    density = reference.norm.pdf, reference.norm.cdf
    value, _ = integrate.quad(
        lambda x: x**power * n * density[0](x) * density[1](x) ** (n - 1),
        -10.0,
        10.0,
        epsabs=1e-13,
        points=[0.0],
    )
    return float(value)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 10, 20])
def test_the_kept_table_is_the_integral(n: int) -> None:
    mean = moment_of_largest(n, 1)
    assert noise.best_of_n_bias(n) == pytest.approx(mean, abs=1e-9)
    assert noise.best_of_n_variance_factor(n) == pytest.approx(moment_of_largest(n, 2) - mean**2, abs=1e-9)


@pytest.mark.parametrize(("n", "printed"), [(2, 0.56), (3, 0.85), (4, 1.03), (5, 1.16), (10, 1.54)])
def test_the_best_of_n_reads_high_by_the_printed_figures(n: int, printed: float) -> None:
    assert noise.best_of_n_bias(n) == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize(("n", "printed"), [(2, 0.68), (3, 0.56), (4, 0.49), (5, 0.45)])
def test_the_best_of_n_varies_less_by_the_printed_figures(n: int, printed: float) -> None:
    assert noise.best_of_n_variance_factor(n) == pytest.approx(printed, abs=0.005)


def test_two_and_three_have_closed_forms() -> None:
    assert noise.best_of_n_bias(2) == pytest.approx(1.0 / math.sqrt(math.pi), abs=1e-10)
    assert noise.best_of_n_bias(3) == pytest.approx(1.5 / math.sqrt(math.pi), abs=1e-10)
    assert noise.best_of_n_variance_factor(2) == pytest.approx(1.0 - 1.0 / math.pi, abs=1e-10)


@pytest.mark.parametrize("n", [0, 21])
def test_a_best_of_no_number_is_refused(n: int) -> None:
    with pytest.raises(ValueError, match=r"best_of: .* outside 1..20"):
        noise.best_of_n_bias(n)


def test_no_pull_gives_the_prior_and_many_give_their_own_spread() -> None:
    assert noise.pooled_spread(0.0, 0.0) == 0.005
    assert noise.pooled_spread(10_000 * 0.008**2, 10_000) == pytest.approx(0.008, rel=1e-3)


def test_a_few_pulls_are_drawn_halfway_in_variance() -> None:
    # four degrees of freedom against a prior of four: (0.005^2 + 0.009^2) / 2
    assert noise.pooled_spread(4 * 0.009**2, 4) == pytest.approx(math.sqrt((0.005**2 + 0.009**2) / 2))


def test_pooling_of_a_shops_setups_agrees_with_numpy() -> None:
    setups = np.random.default_rng(2).normal(1.0, 0.006, (50, 3))
    squares = float(((setups - setups.mean(axis=1, keepdims=True)) ** 2).sum())
    assert noise.pooled_spread(squares, 100, prior_df=0) == pytest.approx(
        math.sqrt(setups.var(axis=1, ddof=1).mean())
    )


@pytest.mark.parametrize(
    ("sd", "before", "after", "printed"),
    [
        (0.5, 3, 3, 0.8),
        (0.8, 3, 3, 1.3),
        (1.0, 3, 3, 1.6),
        (0.5, 1, 1, 1.4),
        (0.8, 1, 1, 2.2),
        (1.0, 6, 3, 1.4),
    ],
)
def test_the_smallest_visible_gain_is_the_printed_one(
    sd: float, before: int, after: int, printed: float
) -> None:
    variance = noise.difference_variance(sd, before, after)
    assert noise.smallest_visible_gain(variance) == pytest.approx(printed, abs=0.05)


def test_impossible_noise_is_refused() -> None:
    for call in (
        lambda: noise.pooled_spread(-1.0, 3),
        lambda: noise.pooled_spread(1.0, 0, prior_df=0),
        lambda: noise.smallest_visible_gain(-1.0),
        lambda: noise.smallest_visible_gain(math.nan),
        lambda: noise.difference_variance(0.5, 0, 3),
    ):
        with pytest.raises(ValueError, match=":"):
            call()
