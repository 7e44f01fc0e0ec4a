"""Absorption, border and back-substitution against the same model written out dense, to 1e-8 and better."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.sparse import csr_array

from service.stats.mixed.block import FIXED, FLAT, Block, Floats, Ints, Prior
from service.stats.mixed.rows import information, rows, weighted_residuals
from service.stats.mixed.solve import Singular, Solution, reduce, solve
from tests.stats.mixed.designs import BORDER, LOCAL, THETA, a_block, shop
from tests.stats.mixed.layouts import NO_BORDER, Dense, block, flat, same, starts

SEEDS = range(4)
CLOSE = {"rtol": 1e-10, "atol": 1e-11}


def solved(blocks: list[Block], theta: Floats = THETA, border: Prior = BORDER) -> Solution:
    return solve([reduce(each, theta) for each in blocks], border, theta)


@pytest.mark.parametrize("seed", SEEDS)
def test_effects_and_likelihood_are_those_of_the_dense_model(seed: int) -> None:
    blocks = shop(seed)
    solution, dense = solved(blocks), Dense(blocks, BORDER, THETA)
    assert_allclose(solution.border, dense.u[dense.border], **CLOSE)
    for found, own in zip(solution.local, dense.own, strict=True):
        assert_allclose(found, dense.u[own], **CLOSE)
    assert_allclose(solution.criterion, dense.criterion, **CLOSE)
    assert_allclose(solution.residual_form, dense.form, **CLOSE)
    assert solution.degrees_of_freedom == len(dense.y) - 4


@pytest.mark.parametrize("seed", SEEDS)
def test_contrasts_have_the_dense_models_means_and_covariances(seed: int) -> None:
    blocks, rng = shop(seed), np.random.default_rng(seed)
    solution, dense = solved(blocks), Dense(blocks, BORDER, THETA)
    local, border = rng.normal(size=(4, 3)), rng.normal(size=(4, 6))
    for i, own in enumerate(dense.own):
        contrast = np.zeros((4, len(dense.u)))
        contrast[:, own], contrast[:, dense.border] = local, border
        covariance = contrast @ dense.error @ contrast.T
        assert_allclose(solution.mean(i, local, border), contrast @ dense.u, **CLOSE)
        assert_allclose(solution.covariance(i, local, border), covariance, **CLOSE)
        assert_allclose(solution.variance(i, local, border), np.diagonal(covariance), **CLOSE)
        assert_allclose(solution.variance(i, local[1], border[1]), covariance[1, 1], **CLOSE)
    at_border = border @ dense.error[dense.border, dense.border] @ border.T
    assert_allclose(solution.border_covariance(border), at_border, **CLOSE)


@pytest.mark.parametrize("seed", SEEDS)
def test_rows_and_group_blocks_are_those_of_the_dense_projection(seed: int) -> None:
    blocks = shop(seed)
    solution, dense = solved(blocks), Dense(blocks, BORDER, THETA)
    for i, at in enumerate(dense.rows):
        seen, group = rows(solution, i), blocks[i].packing.group
        together = group[:, np.newaxis] == group
        assert_allclose(seen.py, (dense.p_matrix @ dense.y)[at], **CLOSE)
        assert_allclose(seen.p.toarray(), dense.p_matrix[at, at] * together, **CLOSE)
        scaled = dense.error[dense.own[i], dense.own[i]].diagonal() / LOCAL.sd(THETA) ** 2
        assert_allclose(seen.shrunk[:3], scaled, **CLOSE)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_terms_are_known_by_is_that_of_the_dense_projection(seed: int) -> None:
    blocks = shop(seed)
    solution, dense = solved(blocks), Dense(blocks, BORDER, THETA)
    for i, at in enumerate(dense.rows):
        group = blocks[i].packing.group
        terms = csr_array((np.ones(len(group)), (np.arange(len(group)), group)))
        wide = terms.toarray()
        assert_allclose(
            information(solution, i, terms), (wide.T @ dense.p_matrix[at, at] @ wide).diagonal(), **CLOSE
        )
        assert_allclose(weighted_residuals(solution, i), (dense.p_matrix @ dense.y)[at], **CLOSE)


@given(st.lists(st.integers(1, 5), min_size=2, max_size=8), st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_groups_of_any_sizes_in_any_order_are_the_dense_model(sizes: list[int], seed: int) -> None:
    blocks = [a_block(np.random.default_rng(seed), sizes, np.arange(6)), *shop(0)[1:]]
    solution, dense = solved(blocks), Dense(blocks, BORDER, THETA)
    assert_allclose(solution.border, dense.u[dense.border], rtol=1e-8, atol=1e-9)
    assert_allclose(solution.criterion, dense.criterion, rtol=1e-8)
    assert_allclose(rows(solution, 0).py, (dense.p_matrix @ dense.y)[dense.rows[0]], rtol=1e-8, atol=1e-9)


def test_a_group_term_is_predicted_as_if_it_were_a_column() -> None:
    blocks = shop(7)
    first, level = blocks[0], blocks[0].patterns[0]
    group = first.packing.group
    term = csr_array((np.ones(len(group)), (np.arange(len(group)), group)))
    predicted, variance = rows(solved(blocks), 0).predict(term, THETA[0])
    # The same variance taken out of the pattern and given to columns of the block's own
    columns = csr_array(np.column_stack([first.x_local.toarray(), term.toarray()]))
    prior = Prior(
        np.concatenate([LOCAL.theta, np.zeros(term.shape[1], int)]),
        np.append(LOCAL.scale, np.ones(term.shape[1])),
    )
    moved = replace(first, x_local=columns, prior_local=prior, patterns=(0.0 * level, *first.patterns[1:]))
    solution = solved([moved, *blocks[1:]])
    assert_allclose(predicted, solution.local[0][3:], **CLOSE)
    own = np.eye(3 + term.shape[1])[3:]
    assert_allclose(variance, solution.variance(0, own, np.zeros((len(own), 6))), **CLOSE)
    assert_allclose(solution.criterion, solved(blocks).criterion, **CLOSE)


def test_one_over_the_form_is_the_variance_of_a_term_left_free() -> None:
    blocks = shop(8)
    first, n = blocks[0], len(blocks[0].noise)
    group = first.packing.group
    term = csr_array((group == 4).astype(float)[:, np.newaxis])
    seen = rows(solved(blocks), 0)
    free = replace(
        first,
        x_local=csr_array(np.column_stack([first.x_local.toarray(), term.toarray()])),
        prior_local=Prior(np.append(LOCAL.theta, FLAT), np.append(LOCAL.scale, 1.0)),
    )
    solution, last = solved([free, *blocks[1:]]), np.array([0.0, 0.0, 0.0, 1.0])
    assert n == 19
    assert 1.0 / seen.forms(term)[0] == pytest.approx(solution.variance(0, last, np.zeros(6)), rel=1e-10)
    assert_allclose((term.T @ seen.py)[0] / seen.forms(term), solution.local[0][3], **CLOSE)


def test_a_replaced_block_gives_what_a_rebuild_gives() -> None:
    blocks, other = shop(1), shop(2)[1]
    reduced = [reduce(each, THETA) for each in blocks]
    reduced[1] = reduce(other, THETA)
    live, rebuilt = solve(reduced, BORDER, THETA), solved([blocks[0], other, blocks[2]])
    assert_allclose(live.border, rebuilt.border, rtol=0, atol=0)
    assert_allclose(live.criterion, rebuilt.criterion, rtol=0, atol=0)


def test_the_order_of_groups_and_blocks_is_no_matter() -> None:
    blocks = shop(3)
    forward, backward = solved(blocks), solved(blocks[::-1])
    assert_allclose(forward.border, backward.border, **CLOSE)
    assert_allclose(forward.local[0], backward.local[2], **CLOSE)


def test_other_right_sides_need_no_new_factors_and_agree_with_a_new_solve() -> None:
    blocks, rng = shop(4), np.random.default_rng(4)
    others = [rng.normal(size=(len(each.noise), 7)) for each in blocks]
    solution = solved(blocks)
    pairs = zip(solution.reduced, others, strict=True)
    again = solution.with_values([part.with_values(y) for part, y in pairs])
    anew = solved([replace(each, y=y) for each, y in zip(blocks, others, strict=True)])
    assert again.border_chol is solution.border_chol
    assert_allclose(again.border, anew.border, **CLOSE)
    assert_allclose(again.residual_form, anew.residual_form, **CLOSE)


@pytest.mark.parametrize("seed", SEEDS)
def test_rows_left_out_are_as_if_they_had_never_been(seed: int) -> None:
    blocks, rng = shop(seed), np.random.default_rng(seed)
    had = [rng.random(len(each.noise)) < 0.7 for each in blocks]
    had[0][1:5] = False  # all of a group
    left_out = solve(
        [reduce(each, THETA, kept) for each, kept in zip(blocks, had, strict=True)], BORDER, THETA
    )
    taken = solved([rows_of(each, np.flatnonzero(kept)) for each, kept in zip(blocks, had, strict=True)])
    assert left_out.degrees_of_freedom == taken.degrees_of_freedom
    assert_allclose(left_out.border, taken.border, **CLOSE)
    assert_allclose(left_out.criterion, taken.criterion, **CLOSE)
    for i, kept in enumerate(had):
        assert_allclose(left_out.local[i], taken.local[i], **CLOSE)
        every, some = rows(left_out, i), rows(taken, i)
        assert_allclose(every.py[kept], some.py, **CLOSE)
        assert_allclose(every.p.toarray()[np.ix_(kept, kept)], some.p.toarray(), **CLOSE)
        assert not every.py[~kept].any()
        assert not every.p.toarray()[~kept].any()


def rows_of(block: Block, at: Ints) -> Block:
    return replace(
        block,
        x_local=block.x_local[at],
        x_border=block.x_border[at],
        group_start=starts(block.packing.group[at]),
        noise=block.noise[at],
        patterns=tuple(pattern.tocsr()[at][:, at] for pattern in block.patterns),
        y=block.y[at],
    )


def test_a_large_level_costs_no_digits_of_the_likelihood() -> None:
    blocks = shop(5, right_sides=1)
    raised = [replace(each, y=each.y + 1e4) for each in blocks]
    assert_allclose(solved(raised).criterion, solved(blocks).criterion, rtol=1e-11)


def test_a_prior_variance_of_zero_holds_its_columns_at_zero() -> None:
    theta = THETA * np.array([1.0, 1.0, 0.0, 1.0, 1.0])
    solution = solved(shop(6), theta)
    assert not solution.border[4].any()
    assert not solution.local[0][1].any()
    one = np.array([0.0, 1.0, 0.0])
    assert solution.variance(0, one, np.zeros(6)) == 0.0
    nearly = solved(shop(6), THETA * np.array([1.0, 1.0, 1e-14, 1.0, 1.0]))
    assert_allclose(solution.border, nearly.border, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("which", [0, 1, 2, 3])
def test_a_variance_of_1e_9_beside_ordinary_ones_keeps_eight_digits(which: int) -> None:
    theta = THETA.copy()
    theta[[which, 4]] = 1e-9, 0.0
    blocks = shop(9)
    solution, dense = solved(blocks, theta), Dense(blocks, BORDER, theta)
    assert_allclose(solution.border, dense.u[dense.border], rtol=1e-8, atol=1e-15)
    assert_allclose(solution.criterion, dense.criterion, rtol=1e-10)


def test_a_smaller_unit_moves_no_effect() -> None:
    small = 1e-9
    blocks = [
        replace(each, patterns=each.patterns[:4], pattern_theta=each.pattern_theta[:4]) for each in shop(9)
    ]
    scaled = [
        replace(each, noise=small * each.noise, prior_local=fixed_scaled(LOCAL, small)) for each in blocks
    ]
    one, other = solved(blocks), solved(scaled, small * THETA, fixed_scaled(BORDER, small))
    assert_allclose(other.border, one.border, **CLOSE)
    assert_allclose(other.residual_form * small, one.residual_form, rtol=1e-10)


def fixed_scaled(prior: Prior, by: float) -> Prior:
    return Prior(prior.theta, np.where(prior.theta == FIXED, by * prior.scale, prior.scale))


def test_a_block_without_own_columns_and_without_border_is_its_noise_alone() -> None:
    y = np.array([1.0, -2.0, 0.5])
    alone = block(y, np.empty((3, 0)), np.array([0, 3]), [same(np.arange(3))])
    solution = solved([alone], np.array([4.0]), NO_BORDER)
    normal = 3 * np.log(2 * np.pi * 4.0) + (y @ y) / 4.0
    assert solution.criterion[0] == pytest.approx(normal, rel=1e-14)


def test_a_block_without_rows_leaves_its_columns_at_their_prior() -> None:
    blocks = shop(10)
    empty = Block(
        x_local=csr_array((0, 1)),
        x_border=csr_array((0, 2)),
        border=np.array([1, 3]),
        group_start=np.array([0]),
        noise=np.empty(0),
        patterns=(),
        pattern_theta=np.empty(0, np.int64),
        y=np.empty((0, 2)),
        prior_local=Prior(np.array([2]), np.array([3.0])),
    )
    solution = solved([*blocks, empty])
    assert_allclose(solution.border, solved(blocks).border, **CLOSE)
    assert solution.variance(3, np.ones(1), np.zeros(6)) == pytest.approx(3.0 * THETA[2])
    assert rows(solution, 3).py.shape == (0, 2)


def test_memory_grows_with_the_rows_and_not_with_their_square() -> None:
    n, group = 20_000, np.arange(20_000) // 3
    fixed = csr_array((np.ones(n), (np.arange(n), np.arange(n) % 40)), shape=(n, 40))
    large = block(np.sin(np.arange(n)), fixed, starts(group), [same(group), same(np.arange(n))])
    tracemalloc.start()
    rows(solved([large], np.array([0.5, 1.0]), NO_BORDER), 0)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 200 * n * 8  # bytes: 200 of the 20,000 rows of a dense covariance


def test_a_column_that_nothing_determines_is_named() -> None:
    y = np.array([1.0, 2.0, 3.0, 4.0])
    twice = np.column_stack([np.ones(4), [0.0, 0.0, 1.0, 1.0], [1.0, 1.0, 0.0, 0.0]])
    tangled = block(y, twice, np.array([0, 2, 4]), [same(np.arange(4))], flat(3))
    with pytest.raises(Singular, match=r"columns \[2\] of a block have none, .*give them a prior variance"):
        reduce(tangled, np.array([1.0]))
    absent = block(y, np.zeros((4, 1)), np.array([0, 2, 4]), [same(np.arange(4))])
    with pytest.raises(Singular, match=r"columns \[0\] of a block"):
        reduce(absent, np.array([1.0]))


def test_a_covariance_that_is_none_is_refused() -> None:
    together = block(np.zeros(4), np.ones((4, 1)), np.array([0, 2, 4]), [same(np.array([0, 0, 1, 1]))])
    with pytest.raises(Singular, match="group of 2 rows not positive definite; give its rows noise"):
        reduce(together, np.array([1.0]))


def test_a_pattern_between_groups_and_a_wrong_shape_are_refused() -> None:
    across = csr_array(np.ones((4, 4)))
    with pytest.raises(ValueError, match="patterns: an entry lies between two groups"):
        block(np.zeros(4), np.ones((4, 1)), np.array([0, 2, 4]), [across])
    with pytest.raises(ValueError, match=r"x_local, .* have shapes .*must have"):
        block(np.zeros(4), np.ones((3, 1)), np.array([0, 2, 4]), [])
    with pytest.raises(ValueError, match="y must be finite"):
        block(np.array([1.0, np.nan]), np.ones((2, 1)), np.array([0, 2]), [])
