"""The profiled deviance of a linear mixed model, from sums that are taken over the data only once.

The model is ``y = X b + Z u + e`` with ``u ~ N(0, sigma² Λ Λ')`` and ``e ~ N(0, sigma² I)``. Λ repeats one small
lower triangle, the factor of a grouping, for every level of that grouping; ``theta`` strings the entries of all
these triangles together. For a given theta the best ``b`` and ``sigma`` follow in closed form, so that only theta
is left to search (Bates, Mächler, Bolker & Walker 2015, J. Stat. Softw. 67(1), section 3.4).

Everything that a theta needs comes from cross products of Z, X and y. The grouping with the most effects gives
a block-diagonal system and is eliminated level by level: V1 below is what it and the error leave of the
covariance of y, over sigma². What remains is one small dense Cholesky factor whose diagonal holds the determinants
and the residual sum of squares. With V the whole covariance of y over sigma² and
P = V⁻¹ - V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹, the slopes are (Searle, Casella & McCulloch 1992, Variance Components, chapter 6)::

    d log|V| + d log|X'V⁻¹X| = trace(P dV)        d(y'Py) = -(Py)' dV (Py)        dV = Z d(ΛΛ') Z'
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pinset.science.arrays import Floats, Integers


@dataclass(frozen=True, eq=False)
class Term:
    """One grouping as numbers: the level of each observation, and the columns (n, width) whose effect varies."""

    level: Integers
    levels: int
    basis: Floats

    @property
    def width(self) -> int:
        """How many effects each level has."""
        return self.basis.shape[1]

    @property
    def columns(self) -> int:
        """How many effects the grouping has over all its levels."""
        return self.levels * self.width

    def spread(self) -> Floats:
        """The columns of Z that belong to this grouping, level by level."""
        wide = np.zeros((len(self.level), self.levels, self.width))
        wide[np.arange(len(self.level)), self.level] = self.basis
        return wide.reshape(len(self.level), self.columns)

    def sums(self, values: Floats) -> Floats:
        """Z'values of this grouping for ``values`` (n, m), as (levels, width, m)."""
        order = np.argsort(self.level, kind="stable")
        products = self.basis[order, :, None] * values[order, None, :]
        starts = np.searchsorted(self.level[order], np.arange(self.levels))
        return np.add.reduceat(products, starts, axis=0)


@dataclass(frozen=True, eq=False)
class Point:
    """The deviance at one theta and what it was made from; the slopes are per entry of theta."""

    deviance: float
    determinants: float
    squares: float
    determinants_slope: Floats
    squares_slope: Floats
    coefficients: Floats
    covariance: Floats

    def slope(self, freedom: int) -> Floats:
        """The slope of the profiled deviance."""
        return self.determinants_slope + freedom * self.squares_slope / self.squares


class Profile:
    """The profiled deviance of one data set as a function of theta.

    ``terms`` lists the grouping with the most effects first; ``design`` (n, p) has orthonormal columns.
    """

    def __init__(self, terms: Sequence[Term], design: Floats, response: Floats, restricted: bool) -> None:
        first, *others = terms
        dense = np.column_stack([*(term.spread() for term in others), design, response])
        ends = np.cumsum([term.columns for term in others], dtype=int).tolist()
        self.widths = [term.width for term in terms]
        self.freedom = len(response) - design.shape[1] * restricted
        self._spans = [slice(end - term.columns, end) for term, end in zip(others, ends, strict=True)]
        self._effects = dense.shape[1] - design.shape[1] - 1
        self._counted = self._effects + design.shape[1] * restricted
        self._effects_first = first.columns
        self._gram = first.sums(first.basis)
        self._cross = first.sums(dense)
        self._total = dense.T @ dense

    def at(self, theta: Floats) -> Point:
        """The deviance, its slopes and the coefficients at one theta."""
        first, *others = lower_triangles(theta, self.widths)
        logarithm, gram, cross, total = self._eliminated(first)
        bordered = self._scaled(self._scaled(total, others).T, others)
        bordered[np.diag_indices(self._effects)] += 1.0
        root = np.linalg.cholesky(bordered)
        inverse = np.linalg.inv(root)
        slopes = [self._slopes(first, gram, inverse @ self._scaled(cross, others))]
        for factor, span in zip(others, self._spans, strict=True):
            blocks = _diagonal_blocks(total[span, span], len(factor))
            slopes.append(self._slopes(factor, blocks, inverse @ self._scaled(total[:, span], others)))
        determinants = logarithm + 2.0 * np.log(np.diag(root)[: self._counted]).sum()
        squares = root[-1, -1] ** 2
        fixed = slice(self._effects, -1)
        return Point(
            deviance=determinants + self.freedom * np.log(squares),
            determinants=determinants,
            squares=squares,
            determinants_slope=np.concatenate([determinant for determinant, _ in slopes]),
            squares_slope=squares * np.concatenate([square for _, square in slopes]),
            coefficients=-root[-1, -1] * inverse[-1, fixed],
            covariance=inverse[fixed, fixed].T @ inverse[fixed, fixed],
        )

    def _eliminated(self, factor: Floats) -> tuple[float, Floats, Floats, Floats]:
        """log|V1|, Z1'V1⁻¹Z1 by level, W'V1⁻¹Z1 and W'V1⁻¹W, where W holds the dense columns."""
        inner = factor.T @ self._gram @ factor + np.eye(len(factor))
        kernel = factor @ np.linalg.inv(inner) @ factor.T
        shrunk = self._gram @ kernel
        flat = self._cross.reshape(self._effects_first, len(self._total))
        return (
            float(np.linalg.slogdet(inner)[1].sum()),
            self._gram - shrunk @ self._gram,
            (self._cross - shrunk @ self._cross).reshape(flat.shape).T,
            self._total - flat.T @ (kernel @ self._cross).reshape(flat.shape),
        )

    def _scaled(self, rows: Floats, factors: Sequence[Floats]) -> Floats:
        """Λ' times the rows that stand for effects; the others as they are."""
        scaled = rows.copy()
        for factor, span in zip(factors, self._spans, strict=True):
            effects = rows[span]
            levels = effects.reshape(len(effects) // len(factor), len(factor), rows.shape[1])
            scaled[span] = (factor.T @ levels).reshape(effects.shape)
        return scaled

    def _slopes(self, factor: Floats, blocks: Floats, solved: Floats) -> tuple[Floats, Floats]:
        """Slopes of the determinants and of log(y'Py) by the entries of one factor.

        ``blocks`` are the diagonal blocks of Z'V1⁻¹Z; ``solved`` is the inverse root times the bordered column.
        """
        levels, width, _ = blocks.shape
        counted = solved[: self._counted].reshape(self._counted * levels, width)
        residual = solved[-1].reshape(levels, width)
        lower = np.tril_indices(width)
        trace = blocks.sum(axis=0) - counted.T @ counted
        return (2.0 * trace @ factor)[lower], (-2.0 * residual.T @ residual @ factor)[lower]


def lower_triangles(theta: Floats, widths: Sequence[int]) -> list[Floats]:
    """The factor of each grouping, cut out of theta row by row."""
    factors = [np.zeros((width, width)) for width in widths]
    start = 0
    for factor in factors:
        rows, columns = np.tril_indices(len(factor))
        factor[rows, columns] = theta[start : start + len(rows)]
        start += len(rows)
    return factors


def _diagonal_blocks(square: Floats, width: int) -> Floats:
    """The blocks of ``width`` along the diagonal, as (levels, width, width)."""
    levels = len(square) // width
    return np.einsum("iaib->iab", square.reshape(levels, width, levels, width))
