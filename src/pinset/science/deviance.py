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
from functools import cache
from itertools import accumulate
from typing import Final

import numpy as np

from pinset.science.arrays import Floats, Integers

# Differences over this step lose as many digits to curvature as to rounding.
_NUDGE: Final = 1e-5


class Term:
    """One grouping as numbers: the level (n,) of each observation and the columns (n, width) that vary by level."""

    def __init__(self, level: Integers, levels: int, basis: Floats) -> None:
        self.level, self.levels, self.basis = level, levels, basis
        self.width = basis.shape[1]
        self.columns = levels * self.width
        self._order = np.argsort(level, kind="stable")
        self._starts = np.searchsorted(level[self._order], np.arange(levels))

    def spread(self) -> Floats:
        """The columns of Z that belong to this grouping, level by level."""
        wide = np.zeros((len(self.level), self.levels, self.width))
        wide[np.arange(len(self.level)), self.level] = self.basis
        return wide.reshape(len(self.level), self.columns)

    def sums(self, values: Floats) -> Floats:
        """Z'values of this grouping for ``values`` (n, m), as (levels, width, m)."""
        products = self.basis[:, :, None] * values[:, None, :]
        return np.add.reduceat(products[self._order], self._starts, axis=0)


@dataclass(frozen=True, eq=False)
class Points:
    """The deviance at some thetas (s, v) and what it was made from; every array has one entry for each theta.

    ``squares`` are y'Py; the slopes are per entry of theta.
    """

    deviance: Floats
    determinants: Floats
    squares: Floats
    determinants_slope: Floats
    squares_slope: Floats
    coefficients: Floats
    covariance: Floats


@dataclass(frozen=True, eq=False)
class View:
    """The profiled deviance as it looks from one theta (v,).

    ``points`` are theta itself and, after it, a little up and then a little down along each entry.
    """

    at: Floats
    points: Points
    freedom: int

    @property
    def value(self) -> float:
        """The deviance, but for a constant."""
        return float(self.points.deviance[0])

    @property
    def slope(self) -> Floats:
        """The slope by theta."""
        return self._slopes[0]

    @property
    def curvature(self) -> Floats:
        """The second derivatives by theta."""
        uneven = self.derivatives(self._slopes)
        return (uneven + uneven.T) / 2.0

    def derivatives(self, values: Floats) -> Floats:
        """The derivatives (v, ...) by theta of ``values`` (1 + 2v, ...) at the points."""
        count = len(self.at)
        widths = 2.0 * _NUDGE * (1.0 + np.abs(self.at))
        rises = values[1 : 1 + count] - values[1 + count :]
        return rises / widths.reshape(count, *[1] * (values.ndim - 1))

    @property
    def _slopes(self) -> Floats:
        points = self.points
        return points.determinants_slope + self.freedom * points.squares_slope / points.squares[:, None]


class Profile:
    """The profiled deviance of one data set as a function of theta.

    ``terms`` lists the grouping with the most effects first; ``design`` (n, p) has orthonormal columns. Thetas
    come and go as rows (s, v), since many small systems are solved in about the time of one.
    """

    def __init__(self, terms: Sequence[Term], design: Floats, response: Floats, restricted: bool) -> None:
        first, *others = terms
        self.widths = [term.width for term in terms]
        self.freedom = len(response) - design.shape[1] * restricted
        self._left = len(response) - design.shape[1]
        self._effects = sum(term.columns for term in others)
        self._counted = self._effects + design.shape[1] * restricted
        ends = accumulate(term.columns for term in others)
        self._spans = [slice(end - term.columns, end) for term, end in zip(others, ends, strict=True)]
        dense = np.concatenate([*(term.spread() for term in others), design, response[:, None]], axis=1)
        self._membership = np.repeat(np.eye(len(others)), [term.columns for term in others], axis=0)
        self._unit = np.diag(np.arange(dense.shape[1]) < self._effects).astype(float)
        self._gram = first.sums(first.basis)
        self._cross = first.sums(dense)
        self._total = dense.T @ dense

    def moments(self) -> tuple[Floats, Floats]:
        """What the design leaves of each grouping, and each grouping's variance over that of the error.

        The first are the traces of Z'MZ, M being the projection that takes the design out. The second are the
        variances that give the residual sum of squares and those of Z'My their expected values (minimum norm
        quadratic unbiased estimates with unit weights, Rao 1971, J. Multivar. Anal. 1:257-275): exactly those of
        restricted maximum likelihood where the data are balanced, near them where not, and below zero at times.
        """
        fixed = slice(self._effects, -1)
        near, apart = self._cross[..., fixed], self._total[: self._effects, fixed]
        flat = near.reshape(-1, near.shape[-1])
        within = np.square(self._gram).sum() - 2.0 * (near * (self._gram @ near)).sum()
        between = self._cross[..., : self._effects].reshape(len(flat), self._effects) - flat @ apart.T
        beside = self._total[: self._effects, : self._effects] - apart @ apart.T
        member = self._membership
        across = np.square(between).sum(axis=0) @ member
        traces = np.array([np.einsum("qkk->", self._gram) - np.square(flat).sum(), *(beside.diagonal() @ member)])
        seen = [np.square(self._cross[..., -1]).sum(), *(np.square(self._total[: self._effects, -1]) @ member)]
        system = np.empty((len(traces) + 1, len(traces) + 1))
        system[0, 0] = within + np.square(flat.T @ flat).sum()
        system[0, 1:-1] = system[1:-1, 0] = across
        system[1:-1, 1:-1] = member.T @ np.square(beside) @ member
        system[-1, :-1] = system[:-1, -1] = traces
        system[-1, -1] = self._left
        *variances, error = np.linalg.lstsq(system, np.array([*seen, self._total[-1, -1]]))[0]
        return traces, np.array(variances) / error

    def view(self, theta: Floats) -> View:
        """The deviance as it looks from one theta."""
        nudges = np.diag(_NUDGE * (1.0 + np.abs(theta)))
        return View(theta, self.at(np.concatenate([theta[None], theta + nudges, theta - nudges])), self.freedom)

    def at(self, thetas: Floats) -> Points:
        """The deviance, its slopes and the coefficients at each theta."""
        first, *others = lower_triangles(thetas, self.widths)
        logarithms, gram, cross, total = self._eliminated(first)
        root = np.linalg.cholesky(self._scaled(self._scaled(total, others).mT, others) + self._unit)
        inverse = np.linalg.inv(root)
        slopes = [self._slopes(first, gram.sum(axis=1), inverse @ self._scaled(cross, others))]
        for factor, span in zip(others, self._spans, strict=True):
            blocks = _summed_blocks(total[:, span, span], factor.shape[1])
            slopes.append(self._slopes(factor, blocks, inverse @ self._scaled(total[:, :, span], others)))
        diagonal = np.diagonal(root, axis1=1, axis2=2)
        determinants = logarithms + 2.0 * np.log(diagonal[:, : self._counted]).sum(axis=1)
        squares = diagonal[:, -1] ** 2
        fixed = inverse[:, self._effects : -1, self._effects : -1]
        return Points(
            deviance=determinants + self.freedom * np.log(squares),
            determinants=determinants,
            squares=squares,
            determinants_slope=np.concatenate([determinant for determinant, _ in slopes], axis=1),
            squares_slope=squares[:, None] * np.concatenate([square for _, square in slopes], axis=1),
            coefficients=-diagonal[:, -1:] * inverse[:, -1, self._effects : -1],
            covariance=fixed.mT @ fixed,
        )

    def _eliminated(self, factor: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """log|V1|, Z1'V1⁻¹Z1 by level, W'V1⁻¹Z1 and W'V1⁻¹W, where W holds the dense columns."""
        factor = factor[:, None]
        inner = _times(_times(factor.mT, self._gram), factor) + np.eye(factor.shape[-1])
        inverse, logarithms = _inverted(inner)
        kernel = _times(_times(factor, inverse), factor.mT)
        shrunk = _times(self._gram, kernel)
        flat = self._cross.reshape(-1, len(self._total))
        across = (len(factor), *flat.shape)
        return (
            logarithms.sum(axis=1),
            self._gram - _times(shrunk, self._gram),
            (self._cross - _times(shrunk, self._cross)).reshape(across).mT,
            self._total - flat.T @ _times(kernel, self._cross).reshape(across),
        )

    def _scaled(self, rows: Floats, factors: Sequence[Floats]) -> Floats:
        """Λ' times the rows that stand for effects; the others as they are."""
        if not factors:
            return rows
        scaled = rows.copy()
        for factor, span in zip(factors, self._spans, strict=True):
            effects = rows[:, span]
            width = factor.shape[-1]
            levels = effects.reshape(len(rows), effects.shape[1] // width, width, rows.shape[2])
            scaled[:, span] = _times(factor.mT[:, None], levels).reshape(effects.shape)
        return scaled

    def _slopes(self, factor: Floats, blocks: Floats, solved: Floats) -> tuple[Floats, Floats]:
        """Slopes of the determinants and of log(y'Py) by the entries of one factor.

        ``blocks`` is the sum over levels of the blocks of Z'V1⁻¹Z; ``solved`` is the inverse root times W'V1⁻¹Z.
        """
        points, width, _ = factor.shape
        levels = solved.shape[2] // max(width, 1)
        counted = solved[:, : self._counted].reshape(points, self._counted * levels, width)
        residual = solved[:, -1].reshape(points, levels, width)
        rows, columns = _lower(width)
        determinants = 2.0 * (blocks - counted.mT @ counted) @ factor
        squares = -2.0 * residual.mT @ residual @ factor
        return determinants[:, rows, columns], squares[:, rows, columns]


def lower_triangles(thetas: Floats, widths: Sequence[int]) -> list[Floats]:
    """The factors (s, width, width) of each grouping, cut out of each theta row by row.

    >>> lower_triangles(np.array([[1.0, 2.0, 3.0]]), [2])[0][0]
    array([[1., 0.],
           [2., 3.]])
    """
    factors, start = [], 0
    for width in widths:
        rows, columns = _lower(width)
        factor = np.zeros((len(thetas), width, width))
        factor[:, rows, columns] = thetas[:, start : start + len(rows)]
        factors.append(factor)
        start += len(rows)
    return factors


@cache
def _lower(width: int) -> tuple[Integers, Integers]:
    """Rows and columns of the entries of a lower triangle."""
    return np.tril_indices(width)


def _times(left: Floats, right: Floats) -> Floats:
    """``left @ right``, without the cost of a matrix product where left is a plain number."""
    return left * right if left.shape[-2:] == (1, 1) else left @ right


def _inverted(squares: Floats) -> tuple[Floats, Floats]:
    """The inverse and the logarithm of the determinant of positive matrices."""
    if squares.shape[-1] == 1:
        return 1.0 / squares, np.log(squares[..., 0, 0])
    return np.linalg.inv(squares), np.linalg.slogdet(squares)[1]


def _summed_blocks(squares: Floats, width: int) -> Floats:
    """The sum of the blocks of ``width`` along the diagonals of ``squares`` (s, m, m)."""
    points, size, _ = squares.shape
    levels = size // width
    return np.einsum("siaib->sab", squares.reshape(points, levels, width, levels, width))
