"""Differences between arms from a fitted model, with the degrees of freedom that a few blocks really give.

The standard error of a contrast rests on variances that are themselves estimates. Satterthwaite's degrees of freedom
say how well they are known: with V the variance of the contrast, ``df = 2 V² / var(V)``, where var(V) follows from
the curvature of the deviance (Kuznetsova, Brockhoff & Christensen 2017, J. Stat. Softw. 82(13)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, stdtr, stdtrit

from pinset.science.arrays import Floats
from pinset.science.mixed import MixedFit

# Share of the largest eigenvalue below which lmerTest takes rows of a contrast to repeat one another.
_REPEATED: Final = float(np.sqrt(np.finfo(float).eps))
# Relative distance within which degrees of freedom are the same; they come from differences good to nine digits.
_SAME_DF: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its doubt, in the units of the response: its interval and its two-sided p."""

    value: float
    standard_error: float
    df: float
    low: float
    high: float
    p: float

    @property
    def t(self) -> float:
        """The value over its standard error."""
        return self.value / self.standard_error


@dataclass(frozen=True, slots=True)
class JointTest:
    """Whether several contrasts may all be nothing at once: Wald's F with its degrees of freedom and p."""

    f: float
    numerator_df: int
    denominator_df: float
    p: float


def cell_means(labels: ArrayLike) -> tuple[list[Any], Floats]:
    """The names of the arms in order, and the design (n, arms) whose coefficients are the arms' means.

    >>> names, design = cell_means(["straw", "husk", "straw"])
    >>> names, design.tolist()
    (['husk', 'straw'], [[0.0, 1.0], [1.0, 0.0], [0.0, 1.0]])
    """
    names, places = np.unique(np.asarray(labels), return_inverse=True)
    return names.tolist(), np.eye(len(names))[places]


def degrees_of_freedom(fit: MixedFit, weights: ArrayLike) -> float:
    """Satterthwaite's degrees of freedom of ``weights @ coefficients``.

    >>> from pinset.science.mixed import fit
    >>> degrees_of_freedom(fit([1.0, 2.0, 4.0], [[1.0], [1.0], [1.0]]), [1.0]).__round__(6)
    2.0
    """
    row = np.asarray(weights, dtype=float)
    variance = float(row @ fit.covariance @ row)
    doubt = np.einsum("i,vij,j->v", row, fit.covariance_doubt, row)
    return 2.0 * variance**2 / float(doubt @ doubt)


def contrast(fit: MixedFit, weights: ArrayLike, *, confidence: float = 0.95) -> Estimate:
    """The value of ``weights`` (p,) times the coefficients, with its interval and p by Student's t.

    Two arms in three blocks, 2 kg apart:

    >>> from pinset.science.mixed import Grouping, fit
    >>> names, design = cell_means(["a", "b"] * 3)
    >>> trial = fit([10.1, 12.0, 13.0, 14.9, 15.9, 18.1], design, [Grouping("block", [1, 1, 2, 2, 3, 3])])
    >>> better = contrast(trial, [-1, 1])
    >>> f"{better.value:.2f} ({better.low:.2f} to {better.high:.2f}), {better.df:.2f} df, p {better.p:.4f}"
    '2.00 (1.57 to 2.43), 2.00 df, p 0.0025'
    """
    row = np.asarray(weights, dtype=float)
    value = float(row @ fit.coefficients)
    error = float(np.sqrt(row @ fit.covariance @ row))
    df = degrees_of_freedom(fit, row)
    reach = error * float(stdtrit(df, (1.0 + confidence) / 2.0))
    p = 2.0 * float(stdtr(df, -abs(value / error)))
    return Estimate(value, error, df, value - reach, value + reach, p)


def joint_test(fit: MixedFit, rows: ArrayLike) -> JointTest:
    """Test that every row (m, p) times the coefficients is nothing, as one.

    The contrasts are turned into independent ones by the eigenvectors of their covariance; the F is the mean of
    their squared t, and its denominator degrees of freedom are those whose F has the same mean as that sum of
    squared t's (Kuznetsova et al. 2017; Fai & Cornelius 1996, J. Stat. Comput. Simul. 54:363-378).
    Rows that repeat one another are counted once.

    >>> from pinset.science.mixed import fit
    >>> _, design = cell_means([1, 1, 2, 2, 3, 3])
    >>> test = joint_test(fit([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], design), [[-1, 1, 0], [0, -1, 1], [-1, 0, 1]])
    >>> round(test.f, 6), test.numerator_df, round(test.denominator_df, 6), round(test.p, 6)
    (16.0, 2, 3.0, 0.025095)
    """
    matrix = np.atleast_2d(np.asarray(rows, dtype=float))
    variances, vectors = np.linalg.eigh(matrix @ fit.covariance @ matrix.T)
    kept = variances > _REPEATED * variances[-1]
    independent = vectors[:, kept].T @ matrix
    squares = (independent @ fit.coefficients) ** 2 / variances[kept]
    f, count = float(squares.mean()), len(squares)
    df = _denominator([degrees_of_freedom(fit, row) for row in independent])
    return JointTest(f, count, df, float(fdtrc(count, df, f)))


def _denominator(dfs: Sequence[float]) -> float:
    """The denominator degrees of freedom of the mean of squared t's with the given ones."""
    if max(dfs) - min(dfs) < _SAME_DF * max(dfs):
        return float(np.mean(dfs))
    if min(dfs) <= 2.0:
        return 2.0
    expected = sum(df / (df - 2.0) for df in dfs)
    return 2.0 * expected / (expected - len(dfs))
