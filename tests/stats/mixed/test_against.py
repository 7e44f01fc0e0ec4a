"""What the rows say of columns that are not in the model, against the model written out dense."""

import tracemalloc

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.sparse import csr_array

from service.stats.mixed.against import against
from service.stats.mixed.block import Floats
from service.stats.mixed.solve import reduce, solve
from tests.stats.mixed.designs import BORDER, THETA, shop
from tests.stats.mixed.layouts import NO_BORDER, Dense, block, same, starts

CLOSE = {"rtol": 1e-10, "atol": 1e-10}


def columns_of(rng: np.random.Generator, rows: int, columns: int, filled: float) -> Floats:
    """Columns of which so large a share is not nought."""
    return np.where(rng.uniform(size=(rows, columns)) < filled, rng.normal(size=(rows, columns)), 0.0)


@given(seed=st.integers(0, 3), drawn=st.integers(0, 99), filled=st.floats(0.02, 1.0))
@settings(max_examples=25, deadline=None)
def test_score_and_information_are_those_of_the_dense_projection(
    seed: int, drawn: int, filled: float
) -> None:
    blocks, rng = shop(seed), np.random.default_rng(drawn)
    solution, dense = (
        solve([reduce(each, THETA) for each in blocks], BORDER, THETA),
        Dense(blocks, BORDER, THETA),
    )
    columns = columns_of(rng, len(dense.y), 7, filled)
    score, groups = against(solution, csr_array(columns), np.array([0, 3, 3, 7]))
    information = columns.T @ dense.p_matrix @ columns
    assert_allclose(score, columns.T @ dense.p_matrix @ dense.y[:, 0], **CLOSE)
    assert [len(group) for group in groups] == [3, 0, 4]
    assert_allclose(groups[0], information[:3, :3], **CLOSE)
    assert_allclose(groups[2], information[3:, 3:], **CLOSE)


def test_put_into_the_model_the_columns_are_given_what_they_were_said_to_be() -> None:
    """Two columns more at the border, without a prior, as a new solution estimates them."""
    blocks = shop(1)
    dense = Dense(blocks, BORDER, THETA)
    columns = columns_of(np.random.default_rng(5), len(dense.y), 2, 0.5)
    solution = solve([reduce(each, THETA) for each in blocks], BORDER, THETA)
    score, (information,) = against(solution, csr_array(columns), np.array([0, 2]))
    inverse = np.linalg.inv(
        dense.v_all
    )  # what has a prior is part of it: of the model's columns those without are left
    x = np.hstack((dense.x[:, dense.prior.flat], columns))
    covariance = np.linalg.inv(x.T @ inverse @ x)
    estimates = covariance @ x.T @ inverse @ dense.y[:, 0]
    assert_allclose(np.linalg.solve(information, score), estimates[-2:], **CLOSE)
    assert_allclose(np.linalg.inv(information), covariance[-2:, -2:], **CLOSE)


def test_columns_without_rows_say_nothing() -> None:
    solution = solve([reduce(each, THETA) for each in shop(2)], BORDER, THETA)
    rows = sum(len(part.block.noise) for part in solution.reduced)
    score, (information,) = against(solution, csr_array((rows, 3)), np.array([0, 3]))
    assert (score.tolist(), information.tolist()) == ([0.0] * 3, [[0.0] * 3] * 3)
    assert against(solution, csr_array((rows, 0)), np.array([0]))[1] == []


def test_memory_grows_with_the_rows_and_not_with_rows_times_columns() -> None:
    n, group = 20_000, np.arange(20_000) // 3
    fixed = csr_array((np.ones(n), (np.arange(n), np.arange(n) % 40)), shape=(n, 40))
    large = block(np.sin(np.arange(n)), fixed, starts(group), [same(group), same(np.arange(n))])
    solution = solve([reduce(large, np.array([0.5, 1.0]))], NO_BORDER, np.array([0.5, 1.0]))
    columns = csr_array((np.ones(n), (np.arange(n), np.arange(n) // 50)), shape=(n, 400))
    tracemalloc.start()
    score, _ = against(solution, columns, np.arange(0, 401, 40))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(score) == 400
    assert peak < 80 * n * 8  # bytes: a fifth of the columns written out
