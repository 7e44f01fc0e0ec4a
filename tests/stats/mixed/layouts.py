"""Layouts of textbook mixed models as blocks, and the same model written out dense."""

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from service.stats.mixed.block import FIXED, FLAT, Block, Floats, Ints, Prior

DATA = Path(__file__).parent / "data"


def table(name: str) -> dict[str, NDArray[np.str_]]:
    """A check file by columns, as text."""
    with (DATA / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {column: np.array([row[column] for row in rows]) for column in rows[0]}


def incidence(*labels: NDArray[np.str_] | Ints) -> csr_array:
    """[n, levels]: 1 where a row has a level, levels sorted; several labels cross into one."""
    joined = ["\0".join(map(str, each)) for each in zip(*labels, strict=True)]
    levels, at = np.unique(joined, return_inverse=True)
    return csr_array((np.ones(len(at)), (np.arange(len(at)), at)), shape=(len(at), len(levels)))


def same(*labels: NDArray[np.str_] | Ints) -> csr_array:
    """[n, n]: 1 where two rows have the same level."""
    term = incidence(*labels)
    return (term @ term.T).tocsr()


def starts(labels: NDArray[np.str_] | Ints) -> Ints:
    """Where each group of sorted labels starts, and the end."""
    return np.concatenate(([0], np.flatnonzero(labels[1:] != labels[:-1]) + 1, [len(labels)]))


def flat(columns: int) -> Prior:
    """No prior."""
    return Prior(np.full(columns, FLAT), np.ones(columns))


def random(columns: int, theta: int) -> Prior:
    """One variance for all columns."""
    return Prior(np.full(columns, theta), np.ones(columns))


def joined(*priors: Prior) -> Prior:
    """Side by side."""
    return Prior(
        np.concatenate([prior.theta for prior in priors]), np.concatenate([prior.scale for prior in priors])
    )


NO_BORDER = flat(0)


def block(
    y: Floats,
    fixed: Floats | csr_array,
    group_start: Ints,
    patterns: Sequence[csr_array],
    prior: Prior | None = None,
    border: csr_array | None = None,
    pattern_theta: Sequence[int] | None = None,
) -> Block:
    """One block: pattern q has variance theta[q] unless said; no other noise; all of a border where one is given."""
    shared = csr_array((len(y), 0)) if border is None else border
    return Block(
        x_local=csr_array(fixed),
        x_border=shared,
        border=np.arange(shared.shape[1]),
        group_start=group_start,
        noise=np.zeros(len(y)),
        patterns=tuple(patterns),
        pattern_theta=np.arange(len(patterns)) if pattern_theta is None else np.array(pattern_theta),
        y=y[:, np.newaxis],
        prior_local=prior or flat(fixed.shape[1]),
    )


class Dense:
    """The whole model in one piece: no absorption, no structure, inverses by the book.

    x [n, p]: blocks' own columns side by side, then the border; v [n, n]; y [n, r]; v_all: V + X D X'; p_matrix: P;
    error: C.
    """

    def __init__(self, blocks: Sequence[Block], border_prior: Prior, theta: Floats) -> None:
        rows = sum(len(each.noise) for each in blocks)
        own = sum(len(each.prior_local) for each in blocks)
        self.x, self.v = np.zeros((rows, own + len(border_prior))), np.zeros((rows, rows))
        self.y = np.vstack([each.y for each in blocks])
        self.rows, self.own, row, column = [], [], 0, 0
        for each in blocks:
            n, p = each.x_local.shape
            at, mine = slice(row, row + n), slice(column, column + p)
            self.x[at, mine] = each.x_local.toarray()
            self.x[at, own + each.border] = each.x_border.toarray()
            self.v[at, at] = np.diag(each.noise)
            for index, pattern in zip(each.pattern_theta, each.patterns, strict=True):
                self.v[at, at] += pattern.toarray() * (1.0 if index == FIXED else theta[index])
            self.rows.append(at)
            self.own.append(mine)
            row, column = row + n, column + p
        self.border = slice(own, None)
        self.prior = joined(*(each.prior_local for each in blocks), border_prior)
        self._solve(theta)

    def _solve(self, theta: Floats) -> None:
        fixed, sd = self.prior.theta == FLAT, self.prior.sd(theta)
        x, z = self.x[:, fixed], self.x[:, ~fixed]
        self.v_all = self.v + (z * sd[~fixed] ** 2) @ z.T
        inverse = np.linalg.inv(self.v_all)
        information = x.T @ inverse @ x
        self.p_matrix = inverse - inverse @ x @ np.linalg.inv(information) @ x.T @ inverse
        self.form = np.einsum("ir,ij,jr->r", self.y, self.p_matrix, self.y)
        log_dets = np.linalg.slogdet(self.v_all)[1] + np.linalg.slogdet(information)[1]
        self.criterion = log_dets + self.form + (len(self.y) - x.shape[1]) * np.log(2.0 * np.pi)
        v_inverse = np.linalg.inv(self.v)
        precision = np.where(fixed, 0.0, 1.0 / sd**2)
        self.error = np.linalg.inv(self.x.T @ v_inverse @ self.x + np.diag(precision))
        self.u = self.error @ self.x.T @ v_inverse @ self.y
