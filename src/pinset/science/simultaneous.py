"""Several comparisons at once, all of them right together with the stated confidence.

Six arms against one control are five chances to be wrong. Dunnett (1955, J. Am. Stat. Assoc. 50:1096-1121) widens
the intervals just enough that all of them hold at once: the critical value is that which the largest of the
correlated t's stays below with the stated confidence.

The probability is that of a multivariate t inside a cube. Where each correlation is the product of a number for
one comparison and a number for the other, as it is when independent means are compared with one control, it is an
integral over two plain variables and good to about ten digits. In a trial with lost units correlations are
nearly such products, and what little they are off is allowed for by the slope of the probability. Otherwise
it is estimated over randomly shifted lattice points, with shifts that are always the same (Genz & Bretz 2009,
Computation of Multivariate Normal and t Probabilities). The error is stated each time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv, gammaln, ndtr, ndtri, stdtrit

from pinset.science.arrays import Floats
from pinset.science.contrasts import Estimate, contrast
from pinset.science.mixed import MixedFit

# Up to here correlations beyond products are allowed for by the slope; in trials of both ways the square of the
# largest, which is stated, was at least thrice the error.
_NEARLY_PRODUCTS: Final = 0.01
# Correlations from a fit are good to about nine digits, so products this near to them are them.
_PRODUCT: Final = 1e-8
# Above this squared share of the control in a comparison the integrand is too steep for equal steps.
_STEEPEST: Final = 1.0 - 1e-5
_QUADRATURE_ERROR: Final = 1e-8
_BOUND_ERROR: Final = 1e-12
_LATTICE_POINTS: Final = 4001
_SHIFTS: Final = 12
_SEED: Final = 1955
# Genz's choice: three and a half standard errors of the mean over the shifts.
_ERRORS_STATED: Final = 3.5
_PRIMES: Final = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97)


class NotACorrelation(ValueError):
    """A correlation matrix is square and symmetric, has ones on its diagonal and no negative eigenvalue."""


class TooManyComparisons(ValueError):
    """More than 24 comparisons whose correlations are no products cannot be held together; compare fewer arms."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """The probability that all comparisons stay within the bound, and the most by which it may be off."""

    probability: float
    error: float


def joint_coverage(bound: float, correlation: ArrayLike, df: float = math.inf) -> Coverage:
    """The probability that correlated t's with common ``df`` (inf for normal) all lie within ``-bound`` and ``bound``.

    Two comparisons and 30 degrees of freedom, for which Dunnett (1955) prints 2.32:

    >>> round(joint_coverage(2.32, [[1, 0.5], [0.5, 1]], 30).probability, 3)
    0.95
    """
    return _coverage(_checked(correlation), df)(bound)


def critical_value(correlation: ArrayLike, df: float = math.inf, *, confidence: float = 0.95) -> float:
    """The bound within which all of the correlated t's stay with the stated confidence.

    It lies between Student's own value and Bonferroni's.

    Three comparisons with one control and 10 degrees of freedom, for which Dunnett (1964) prints 2.76 (his 2.81 of
    1955 was an approximation, as he says in 1964):

    >>> round(critical_value([[1, 0.5, 0.5], [0.5, 1, 0.5], [0.5, 0.5, 1]], 10), 2)
    2.76
    """
    matrix = _checked(correlation)
    return _bound(_coverage(matrix, df), len(matrix), df, confidence)


def simultaneous(fit: MixedFit, rows: ArrayLike, *, confidence: float = 0.95) -> tuple[Estimate, ...]:
    """Estimates of every row (m, p) times the coefficients whose intervals all hold at once, with p's to match.

    Each comparison is read at its own degrees of freedom. The p is the smallest error rate for all comparisons
    together at which this one would be told from nothing.
    """
    matrix = np.atleast_2d(np.asarray(rows, dtype=float))
    covariance = matrix @ fit.covariance @ matrix.T
    errors = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(errors, errors)
    estimates = [contrast(fit, row, confidence=confidence) for row in matrix]
    found: dict[float, tuple[Callable[[float], Coverage], float]] = {}
    for df in {_rounded(alone.df) for alone in estimates}:
        coverage = _coverage(correlation, df)
        found[df] = coverage, _bound(coverage, len(matrix), df, confidence)
    return tuple(_widened(alone, *found[_rounded(alone.df)]) for alone in estimates)


def against_control(
    fit: MixedFit, arms: Sequence[int], control: int, *, confidence: float = 0.95
) -> tuple[Estimate, ...]:
    """Each arm minus the control at simultaneous confidence, for a fit whose coefficients include the arms' means.

    ``arms`` and ``control`` are places among the coefficients. Blood counts of Dunnett (1955), two drugs and
    a control:

    >>> from pinset.science.contrasts import cell_means
    >>> from pinset.science.mixed import fit
    >>> counts = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32, 9.76, 8.80, 7.68, 9.36, 12.80, 9.68, 12.16, 9.20, 10.55]
    >>> names, design = cell_means(["control"] * 6 + ["drug A"] * 4 + ["drug B"] * 5)
    >>> drug_a, drug_b = against_control(fit(counts, design), arms=[1, 2], control=0)
    >>> f"{drug_b.value:.2f} ({drug_b.low:.2f} to {drug_b.high:.2f}), p {drug_b.p:.4f}"
    '2.63 (0.84 to 4.42), p 0.0058'
    """
    rows = np.zeros((len(arms), len(fit.coefficients)))
    rows[range(len(arms)), arms] = 1.0
    rows[:, control] -= 1.0
    return simultaneous(fit, rows, confidence=confidence)


def _checked(correlation: ArrayLike) -> Floats:
    matrix = np.atleast_2d(np.asarray(correlation, dtype=float))
    square = matrix.ndim == 2 and matrix.shape[0] == matrix.shape[1]
    if not square or not np.allclose(matrix, matrix.T) or not np.allclose(np.diag(matrix), 1.0):
        raise NotACorrelation(NotACorrelation.__doc__)
    if np.linalg.eigvalsh(matrix)[0] < -_PRODUCT:
        raise NotACorrelation(NotACorrelation.__doc__)
    return matrix


def _rounded(df: float) -> float:
    """Degrees of freedom to the digits that they are good to, so that equal ones share their bound."""
    return round(df, 5)


def _widened(alone: Estimate, coverage: Callable[[float], Coverage], bound: float) -> Estimate:
    """An estimate with the interval and the p that it has among all comparisons."""
    reach = bound * alone.standard_error
    p = 1.0 - coverage(abs(alone.t)).probability
    return replace(alone, low=alone.value - reach, high=alone.value + reach, p=max(p, alone.p))


def _coverage(correlation: Floats, df: float) -> Callable[[float], Coverage]:
    """How to find the coverage of a bound, by the best way that the correlations allow."""
    loadings = _loadings(correlation)
    apart = correlation - np.outer(loadings, loadings)
    np.fill_diagonal(apart, 0.0)
    if np.abs(apart).max() < _NEARLY_PRODUCTS and np.square(loadings).max() < _STEEPEST:
        return _product_coverage(loadings, apart, df)
    if len(correlation) >= len(_PRIMES):
        raise TooManyComparisons(TooManyComparisons.__doc__)
    return _lattice_coverage(correlation, df)


def _loadings(correlation: Floats) -> Floats:
    """The numbers b with b[i]*b[j] as the correlations, or near them (Spearman 1904's single factor).

    For each i, b[i]² is the sum of r[i,j]*r[i,k] over that of r[j,k] for all other pairs j, k.
    """
    size = np.abs(correlation)
    np.fill_diagonal(size, 0.0)
    row = size.sum(axis=1)
    above = (row**2 - (size**2).sum(axis=1)) / 2.0
    below = size.sum() / 2.0 - row
    alone = below <= _PRODUCT * (1.0 + row)
    shares = np.where(alone, row, above / np.where(alone, 1.0, below))
    signs = np.where(correlation[np.argmax(row)] < 0.0, -1.0, 1.0)
    return np.asarray(signs * np.sqrt(shares))


def _scales(df: float) -> tuple[Floats, Floats]:
    """Values of a chi over the root of its degrees of freedom, and their weights.

    Equal steps in the logarithm: the density falls off so fast to both sides that such a sum converges
    geometrically (Trefethen & Weideman 2014, SIAM Rev. 56:385-458).
    """
    if math.isinf(df):
        return np.ones(1), np.ones(1)
    spread = 6.0 / math.sqrt(df)
    step = min(0.15, spread / 12.0)
    logarithms = np.arange(-spread - 36.0 / df, min(spread, 2.5), step)
    density = df * logarithms - df / 2.0 * np.expm1(2.0 * logarithms)
    constant = math.log(2.0) + df / 2.0 * (math.log(df / 2.0) - 1.0) - float(gammaln(df / 2.0))
    return np.exp(logarithms), step * np.exp(density + constant)


def _product_coverage(loadings: Floats, apart: Floats, df: float) -> Callable[[float], Coverage]:
    """Given the control's own error and the common scale, the comparisons are independent of one another.

    ``apart`` is what the correlations are beyond the products. The slope of the probability by a correlation is the
    density at the edges of the two comparisons (Plackett 1954, Biometrika 41:351-360); it is followed by that much.
    """
    rest = np.sqrt(1.0 - loadings**2)
    step = math.pi * math.sqrt(2.0 / (25.0 * (1.0 + float(((loadings / rest) ** 2).sum()))))
    shared = np.arange(-8.5, 8.5 + step, step)
    weights = step * np.exp(-(shared**2) / 2.0) / math.sqrt(2.0 * math.pi)
    scales, scale_weights = _scales(df)
    centres = np.outer(shared, loadings)
    furthest = float(np.abs(apart).max())

    def coverage(bound: float) -> Coverage:
        reach = bound * scales[:, None, None]
        high, low = (reach - centres) / rest, (-reach - centres) / rest
        inside = ndtr(high) - ndtr(low)
        together = inside.prod(axis=2)
        probability = float(scale_weights @ together @ weights)
        if furthest < _PRODUCT:
            return Coverage(probability, _QUADRATURE_ERROR)
        edges = (np.exp(-(high**2) / 2.0) - np.exp(-(low**2) / 2.0)) / (math.sqrt(2.0 * math.pi) * rest)
        edges = np.divide(edges, inside, out=np.zeros_like(inside), where=inside > 0.0)
        weighted = (scale_weights[:, None] * together * weights)[..., None] * edges
        slopes = np.tensordot(weighted, edges, axes=((0, 1), (0, 1)))
        turned = float((slopes * apart).sum()) / 2.0
        return Coverage(probability + turned, _QUADRATURE_ERROR + furthest**2)

    return coverage


def _lattice_coverage(correlation: Floats, df: float) -> Callable[[float], Coverage]:
    """Genz's separation of variables: each comparison in turn, given those before it."""
    count = len(correlation)
    root = np.linalg.cholesky(correlation + 1e-12 * np.eye(count))
    generators = np.sqrt(np.array(_PRIMES[: count + 1], dtype=float))
    shifts = np.random.default_rng(_SEED).random((_SHIFTS, 1, count + 1))
    lattice = np.arange(1, _LATTICE_POINTS + 1)[:, None] * generators
    points = np.abs(2.0 * np.mod(lattice + shifts, 1.0) - 1.0)
    scales = np.ones(points.shape[:2]) if math.isinf(df) else np.sqrt(2.0 * gammaincinv(df / 2.0, points[..., -1]) / df)

    def coverage(bound: float) -> Coverage:
        reach = bound * scales
        inside = np.ones_like(scales)
        drawn = np.zeros((*scales.shape, count))
        for place in range(count):
            centre = drawn[..., :place] @ root[place, :place]
            low = ndtr((-reach - centre) / root[place, place])
            share = ndtr((reach - centre) / root[place, place]) - low
            inside *= share
            drawn[..., place] = ndtri(np.clip(low + points[..., place] * share, 1e-16, 1.0 - 1e-16))
        means = inside.mean(axis=1)
        error = _ERRORS_STATED * float(means.std(ddof=1)) / math.sqrt(_SHIFTS)
        return Coverage(float(means.mean()), error)

    return coverage


def _bound(coverage: Callable[[float], Coverage], count: int, df: float, confidence: float) -> float:
    """Where the coverage of all comparisons meets the confidence."""
    low = _t_quantile(df, (1.0 + confidence) / 2.0)
    high = _t_quantile(df, 1.0 - (1.0 - confidence) / (2.0 * count))
    enough = coverage(low).error / 100.0
    return _crossing(lambda bound: coverage(bound).probability - confidence, low, high, enough)


def _t_quantile(df: float, probability: float) -> float:
    return float(ndtri(probability) if math.isinf(df) else stdtrit(df, probability))


def _crossing(rising: Callable[[float], float], low: float, high: float, enough: float) -> float:
    """Where a rising function that is not above 0 at ``low`` and not below 0 at ``high`` is within ``enough`` of 0.

    False position with Illinois' halving (Dahlquist & Björck 1974, Numerical Methods).
    """
    at_low, at_high = min(rising(low), 0.0), max(rising(high), 0.0)
    last_low = None
    while high - low > _BOUND_ERROR and at_high > at_low:
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        value = rising(middle)
        if abs(value) < enough:
            return middle
        if value < 0.0:
            low, at_low, at_high = middle, value, at_high / (2.0 if last_low is True else 1.0)
        else:
            high, at_high, at_low = middle, value, at_low / (2.0 if last_low is False else 1.0)
        last_low = value < 0.0
    return low if -at_low < at_high else high
