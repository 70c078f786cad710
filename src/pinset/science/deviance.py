"""The profiled deviance of a linear mixed model, from sums that are taken over the data only once.

The model is ``y = X b + Z u + e`` with ``u ~ N(0, sigma² Λ Λ')`` and ``e ~ N(0, sigma² I)``. Λ repeats one small
lower triangle, the factor of a grouping, for every level of that grouping; ``theta`` strings the entries of all
these triangles together. For a given theta the best ``b`` and ``sigma`` follow in closed form, so that only theta
is left to search (Bates, Mächler, Bolker & Walker 2015, J. Stat. Softw. 67(1)).

Everything that a theta needs comes from cross products of Z, X and y. The grouping with the most effects gives
a block-diagonal system and is eliminated level by level: V1 below is what it and the error leave of the
covariance of y, over sigma². What remains is one small dense Cholesky factor whose diagonal holds the determinants
and the residual sum of squares. With V the whole covariance of y over sigma² and
P = V⁻¹ - V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹, the slopes are (Searle, Casella & McCulloch 1992, Variance Components)::

    d log|V| + d log|X'V⁻¹X| = trace(P dV)        d(y'Py) = -(Py)' dV (Py)        dV = Z d(ΛΛ') Z'
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, pairwise
from typing import Final

import numpy as np

from pinset.science.arrays import Floats, Integers

# Differences over this step keep eight digits of a first derivative and four of a second.
_NUDGE: Final = 1e-4


class Term:
    """One grouping as numbers: the level (n,) of each observation and the columns (n, width) that vary by level."""

    def __init__(self, level: Integers, levels: int, basis: Floats) -> None:
        self.level, self.levels, self.basis = level, levels, basis
        self.width = basis.shape[1]
        self.columns = levels * self.width

    def spread(self) -> Floats:
        """The columns of Z that belong to this grouping, level by level."""
        wide = np.zeros((len(self.level), self.levels, self.width))
        wide[np.arange(len(self.level)), self.level] = self.basis
        return wide.reshape(len(self.level), self.columns)

    def products(self, others: Floats) -> tuple[Floats, Floats]:
        """The diagonal blocks of Z'Z, (levels, width, width), and Z'others, (levels, width, m)."""
        order = np.argsort(self.level, kind="stable")
        starts = np.searchsorted(self.level[order], np.arange(self.levels))
        beside = np.concatenate([self.basis, others], axis=1)[order]
        sums = np.add.reduceat(self.basis[order, :, None] * beside[:, None, :], starts, axis=0)
        return sums[..., : self.width], sums[..., self.width :]


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
    """The profiled deviance as it looks from one theta (v,): value but for a constant, slope (v,), curvature (v, v).

    ``points`` are theta itself and, after it, a little up and then a little down along each entry; ``bend`` (v, v) is
    the second derivative of the slope by each entry alone, as rows.
    """

    at: Floats
    points: Points
    value: float
    slope: Floats
    curvature: Floats
    bend: Floats


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
        ends = list(accumulate((term.columns for term in others), initial=0))
        self._spans = [slice(start, end) for start, end in pairwise(ends)]
        self._effects = ends[-1]
        self._counted = self._effects + design.shape[1] * restricted
        dense = np.concatenate([*(term.spread() for term in others), design, response[:, None]], axis=1)
        self._gram, self._cross = first.products(dense)
        self._total = dense.T @ dense
        self._one = np.eye(first.width)
        self._unit = np.eye(len(self._total))
        self._unit[self._effects :] = 0.0

    def moments(self) -> tuple[Floats, Floats]:
        """What the design leaves of each grouping, and each grouping's variance over that of the error.

        The first are the traces of Z'MZ, M being the projection that takes the design out. The second are the
        variances that give the residual sum of squares and those of Z'My their expected values (minimum norm
        quadratic unbiased estimates with unit weights, Rao 1971, J. Multivar. Anal. 1:257-275): exactly those of
        restricted maximum likelihood where the data are balanced, near them where not, and below zero at times;
        all ones where that of the error is.
        """
        fixed, count = slice(self._effects, -1), len(self.widths)
        near, apart = self._cross[..., fixed], self._total[: self._effects, fixed]
        flat = near.reshape(-1, near.shape[-1])
        between = self._cross[..., : self._effects].reshape(len(flat), self._effects) - flat @ apart.T
        beside = self._total[: self._effects, : self._effects] - apart @ apart.T
        system = np.zeros((count + 1, count + 1))
        seen = np.empty(count + 1)
        system[0, 0] = _square(self._gram) - 2.0 * (near * (self._gram @ near)).sum() + _square(flat.T @ flat)
        system[0, -1] = np.einsum("qkk->", self._gram) - _square(flat)
        seen[0] = _square(self._cross[..., -1])
        for row, span in enumerate(self._spans, start=1):
            system[0, row] = _square(between[:, span])
            system[row, row:-1] = [_square(beside[span, other]) for other in self._spans[row - 1 :]]
            system[row, -1] = beside[span, span].trace()
            seen[row] = _square(self._total[span, -1])
        system[-1, -1], seen[-1] = self._left, self._total[-1, -1]
        try:
            variances = np.linalg.inv(system + np.triu(system, 1).T) @ seen
        except np.linalg.LinAlgError:
            variances = np.ones(count + 1)
        return system[:-1, -1], variances[:-1] / variances[-1] if variances[-1] > 0.0 else np.ones(count)

    def view(self, theta: Floats) -> View:
        """The deviance as it looks from one theta."""
        widths = _NUDGE * (1.0 + np.abs(theta))
        nudges = np.diag(widths)
        points = self.at(np.concatenate([theta[None], theta + nudges, theta - nudges]))
        slopes = points.determinants_slope + self.freedom * points.squares_slope / points.squares[:, None]
        uneven = derivatives(slopes, theta)
        bend = (slopes[1 : 1 + len(theta)] + slopes[1 + len(theta) :] - 2.0 * slopes[0]) / widths[:, None] ** 2
        return View(theta, points, float(points.deviance[0]), slopes[0], (uneven + uneven.T) / 2.0, bend)

    def at(self, thetas: Floats) -> Points:
        """The deviance, its slopes and the coefficients at each theta."""
        first, *others = lower_triangles(thetas, self.widths)
        logarithms, gram, cross, total = self._eliminated(first)
        root = np.linalg.cholesky(self._scaled(self._scaled(total, others).mT, others) + self._unit)
        inverse = np.linalg.inv(root)
        dense = total[:, :, : self._effects]
        solved = inverse @ self._scaled(np.concatenate([dense, cross], axis=2), others)
        slopes = [self._slopes(first, gram.sum(axis=1), solved[:, :, self._effects :])]
        for factor, span in zip(others, self._spans, strict=True):
            blocks = _summed_blocks(total[:, span, span], factor.shape[1])
            slopes.append(self._slopes(factor, blocks, solved[:, :, span]))
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
        spread = _times(factor, factor.mT)[:, None]
        inverse, logarithms = _inverted(self._one + _times(spread, self._gram))
        shrunk = inverse.mT
        cross = _times(shrunk, self._cross)
        flat = self._cross.reshape(-1, len(self._total))
        across = (len(factor), *flat.shape)
        return (
            logarithms.sum(axis=1),
            _times(shrunk, self._gram),
            cross.reshape(across).mT,
            self._total - flat.T @ _times(spread, cross).reshape(across),
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
        determinants = _times(2.0 * (blocks - counted.mT @ counted), factor)
        squares = _times(-2.0 * residual.mT @ residual, factor)
        return _lower_part(determinants), _lower_part(squares)


@cache
def lower_entries(width: int) -> tuple[Integers, Integers]:
    """Rows and columns of the entries of a lower triangle, row by row.

    >>> [places.tolist() for places in lower_entries(2)]
    [[0, 1, 1], [0, 0, 1]]
    """
    return np.tril_indices(width)


def lower_triangles(thetas: Floats, widths: Sequence[int]) -> list[Floats]:
    """The factors (s, width, width) of each grouping, cut out of each theta row by row.

    >>> lower_triangles(np.array([[1.0, 2.0, 3.0]]), [2])[0][0]
    array([[1., 0.],
           [2., 3.]])
    """
    factors, start = [], 0
    for width in widths:
        rows, columns = lower_entries(width)
        entries = thetas[:, start : start + len(rows)]
        factor = entries[:, :, None] if width == 1 else np.zeros((len(thetas), width, width))
        if width > 1:
            factor[:, rows, columns] = entries
        factors.append(factor)
        start += len(rows)
    return factors


def _lower_part(squares: Floats) -> Floats:
    """The entries of lower triangles, as rows."""
    rows, columns = lower_entries(squares.shape[-1])
    return squares[:, 0] if len(rows) == 1 else squares[:, rows, columns]


def derivatives(values: Floats, theta: Floats) -> Floats:
    """The derivatives (v, ...) by theta of ``values`` (1 + 2v, ...) at the points of a `View` from there."""
    count = len(theta)
    rises = values[1 : 1 + count] - values[1 + count :]
    return rises / (2.0 * _NUDGE * (1.0 + np.abs(theta))).reshape(count, *[1] * (values.ndim - 1))


def _square(values: Floats) -> float:
    """The sum of squares."""
    return float(np.vdot(values, values))


def _times(left: Floats, right: Floats) -> Floats:
    """``left @ right``, without the cost of a matrix product where left is a plain number."""
    return left * right if left.shape[-2:] == (1, 1) else left @ right


def _inverted(squares: Floats) -> tuple[Floats, Floats]:
    """The inverse and the logarithm of the determinant of positive matrices."""
    if squares.shape[-1] == 1:
        return 1.0 / squares, np.log(squares[..., 0, 0])
    return np.asarray(np.linalg.inv(squares), dtype=float), np.linalg.slogdet(squares)[1]


def _summed_blocks(squares: Floats, width: int) -> Floats:
    """The sum of the blocks of ``width`` along the diagonals of ``squares`` (s, m, m)."""
    points, size, _ = squares.shape
    levels = size // width
    blocks: Floats = np.einsum("siaib->sab", squares.reshape(points, levels, width, levels, width))
    return blocks
