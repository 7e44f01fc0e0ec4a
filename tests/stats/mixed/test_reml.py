"""The gradient against finite differences, the search against another implementation, priors and vanishing spreads."""

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from statsmodels.regression.mixed_linear_model import MixedLM

from service.stats.mixed.block import FIXED, Block, Floats, Prior
from service.stats.mixed.reml import fit_reml, likelihood, variances
from service.stats.mixed.solve import reduce, solve
from tests.stats.mixed.designs import BORDER, THETA, shop
from tests.stats.mixed.layouts import NO_BORDER, Dense, block, incidence, random, same, starts


@pytest.mark.parametrize("seed", range(4))
def test_the_gradient_is_that_of_finite_differences_of_the_dense_likelihood(seed: int) -> None:
    blocks = shop(seed, right_sides=1)
    found = likelihood(blocks, BORDER, THETA)
    assert found.criterion == pytest.approx(Dense(blocks, BORDER, THETA).criterion[0], rel=1e-12)
    step = 1e-6

    def dense(theta: Floats) -> float:
        return float(Dense(blocks, BORDER, theta).criterion[0])

    differences = [(dense(THETA + e) - dense(THETA - e)) / (2.0 * step) for e in step * np.eye(len(THETA))]
    assert_allclose(found.gradient, differences, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("seed", range(2))
def test_the_information_is_that_of_the_dense_projection(seed: int) -> None:
    blocks, step = shop(seed, right_sides=1), 1e-6
    dense = Dense(blocks, BORDER, THETA)

    def covariance(theta: Floats) -> Floats:
        return Dense(blocks, BORDER, theta).v_all

    py = dense.p_matrix @ dense.y[:, 0]
    slopes = [
        (covariance(THETA + e) - covariance(THETA - e)) / (2.0 * step) for e in step * np.eye(len(THETA))
    ]
    moved = np.column_stack([slope @ py for slope in slopes])
    assert_allclose(
        likelihood(blocks, BORDER, THETA).information, moved.T @ dense.p_matrix @ moved, rtol=1e-6
    )


def test_a_part_of_theta_that_nothing_uses_has_no_slope() -> None:
    found = likelihood(shop(1, right_sides=1), BORDER, np.append(THETA, 2.0))
    assert found.gradient[-1] == 0.0
    assert not found.information[-1].any()


def history(seed: int, cars: int = 60, sd: tuple[float, float, float] = (2.0, 1.0, 0.5)) -> pd.DataFrame:
    """Cars of one platform in four bays, two visits of one to three setups: spreads of car, visit, setup."""
    rng, made = np.random.default_rng(seed), []
    bays = np.array([0.0, 1.5, -2.0, 0.7])
    for car in range(cars):
        level = sd[0] * rng.normal()
        for visit in range(2):
            bay, day = int(rng.integers(4)), sd[1] * rng.normal()
            for setup in range(int(rng.integers(1, 4))):
                value = 100.0 + bays[bay] + 3.0 * setup + level + day + sd[2] * rng.normal()
                made.append({"car": car, "visit": visit, "bay": bay, "part": setup, "y": value})
    return pd.DataFrame(made)


def shop_of(data: pd.DataFrame, visits: float = 1.0) -> Block:
    """A mean, a part's gain and bays without a prior; patterns of cars, visits and setups."""
    y, car, visit = (data[name].to_numpy() for name in ("y", "car", "visit"))
    bays = incidence(data["bay"].to_numpy()).toarray()[:, 1:]
    fixed = np.column_stack([np.ones(len(y)), data["part"].to_numpy(), bays])
    patterns = [same(car), visits * same(car, visit), same(np.arange(len(y)))]
    return block(y, fixed, starts(car), patterns)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_simulated_history_agrees_with_statsmodels(seed: int) -> None:
    data = history(seed)
    ours = shop_of(data)
    fitted = fit_reml([ours], NO_BORDER, np.zeros(3))
    model = MixedLM.from_formula(
        "y ~ part + C(bay)", data, groups="car", re_formula="1", vc_formula={"visit": "0 + C(visit)"}
    )
    theirs = model.fit(reml=True)
    assert fitted.criterion == pytest.approx(-2.0 * theirs.llf, abs=1e-5)
    # its search is known to end about 1e-4 off on variances
    found = [theirs.cov_re.iloc[0, 0], theirs.vcomp[0], theirs.scale]
    assert_allclose(fitted.theta, found, rtol=1e-3)
    solution = solve([reduce(ours, fitted.theta)], NO_BORDER, fitted.theta)
    gain = np.array([0.0, 1.0, 0.0, 0.0, 0.0])
    assert solution.mean(0, gain, np.empty(0))[0] == pytest.approx(theirs.fe_params["part"], rel=1e-5)


def test_the_search_ends_at_the_same_place_from_far_away() -> None:
    ours = shop_of(history(3))
    near = fit_reml([ours], NO_BORDER, np.zeros(3))
    far = fit_reml([ours], NO_BORDER, np.log([40.0, 0.02, 10.0]))
    assert near.converged
    assert far.converged
    assert_allclose(far.theta, near.theta, rtol=1e-6)


def test_a_spread_that_is_not_there_ends_at_its_floor_without_a_warning() -> None:
    data = history(
        1, cars=30, sd=(2.0, 0.0, 0.5)
    )  # a draw in which visits differ by less than their setups say
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fitted = fit_reml([shop_of(data)], NO_BORDER, np.zeros(3))
    assert np.sqrt(fitted.theta[1]) == pytest.approx(1e-7, rel=1e-6)
    assert fitted.converged
    gone = fit_reml([shop_of(data, visits=0.0)], NO_BORDER, np.zeros(3))
    assert_allclose(fitted.theta[[0, 2]], gone.theta[[0, 2]], rtol=1e-6)


def test_a_prior_on_a_log_sd_decides_where_the_data_are_silent() -> None:
    ours = shop_of(history(5), visits=0.0)
    centre, spread = np.log([2.0, 0.7, 0.5]), np.array([np.inf, 0.5, np.inf])
    fitted = fit_reml([ours], NO_BORDER, np.zeros(3), log_sd_prior=(centre, spread))
    assert np.sqrt(fitted.theta[1]) == pytest.approx(0.7, rel=1e-6)


def test_twice_the_inverse_curvature_is_how_far_the_log_sds_scatter() -> None:
    shops = [shop_of(history(seed, cars=25)) for seed in range(20, 60)]
    found = [fit_reml([each], NO_BORDER, np.zeros(3), gradient_tolerance=0.01) for each in shops]
    scatter = np.std([each.parameters for each in found], axis=0, ddof=1)
    said = np.sqrt(np.mean([2.0 * np.linalg.inv(each.curvature).diagonal() for each in found], axis=0))
    assert_allclose(scatter, said, rtol=0.35)  # forty draws know a standard deviation to some 11 %


def test_a_prior_on_a_log_sd_yields_to_the_data() -> None:
    ours = shop_of(history(6))
    free = fit_reml([ours], NO_BORDER, np.zeros(3))
    prior = (np.log(np.sqrt(free.theta)) + 1.0, np.full(3, 0.7))
    drawn = fit_reml([ours], NO_BORDER, np.zeros(3), log_sd_prior=prior)
    moved = drawn.parameters - np.log(np.sqrt(free.theta))
    assert (moved > 0.0).all()
    assert (moved < 0.1).all()  # a hundred observations outweigh one at 0.7


def test_log_sds_map_to_variances_and_their_slopes() -> None:
    x = np.array([-1.0, 0.3])
    theta, slope = variances(x)
    assert_allclose(theta, [np.exp(-2.0), np.exp(0.6)])
    assert_allclose(np.diagonal(slope), (variances(x + 1e-6)[0] - variances(x - 1e-6)[0]) / 2e-6, rtol=1e-8)


def test_the_likelihood_is_the_same_wherever_a_spread_is_placed() -> None:
    data = history(7, cars=20)
    within = shop_of(data)
    cars = incidence(data["car"].to_numpy())
    across = replace(within, patterns=within.patterns[1:], pattern_theta=np.array([1, 2]))
    at_border = replace(across, x_border=cars, border=np.arange(20))
    theta = np.array([3.0, 0.8, 0.3])
    one, other = likelihood([within], NO_BORDER, theta), likelihood([at_border], random(20, 0), theta)
    assert other.criterion == pytest.approx(one.criterion, rel=1e-12)
    assert_allclose(other.gradient, one.gradient, rtol=1e-9)
    assert_allclose(other.information, one.information, rtol=1e-9)


def test_blocks_that_share_only_the_border_add_up() -> None:
    blocks = shop(11, right_sides=1)
    no_border = Prior(np.full(6, FIXED), np.zeros(6))
    alone = [likelihood([each], no_border, THETA) for each in blocks]
    together = likelihood(blocks, no_border, THETA)
    assert together.criterion == pytest.approx(sum(each.criterion for each in alone), rel=1e-12)
    assert_allclose(together.gradient, np.sum([each.gradient for each in alone], axis=0), rtol=1e-9)
