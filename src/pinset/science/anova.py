"""Analysis of variance of plain designs, from the values or from a printed table of means.

Formulas: Snedecor & Cochran (1989), Statistical Methods, 8th edition.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, stdtrit

from pinset.science.arrays import Floats
from pinset.science.mixed import NoVariationLeft

# A share of the sum of squared values that rounding alone can leave.
_ROUNDING: Final = 1e-26


class TooFewGroups(ValueError):
    """There are fewer than two groups, so nothing is compared."""


class NoReplicates(ValueError):
    """No group has more than one value, so there is no error to compare with."""


class TableIncomplete(ValueError):
    """A value of the table is missing; fit a mixed model instead, which needs no full table."""


@dataclass(frozen=True, slots=True)
class Anova:
    """The F of one source of variation; mean squares are in squared units of the response."""

    f: float
    p: float
    numerator_df: int
    denominator_df: int
    mean_square: float
    error_mean_square: float


def one_way(groups: Sequence[ArrayLike]) -> Anova:
    """Compare the means of independent ``groups`` of values.

    Blood counts of Dunnett (1955):

    >>> control, drug_a = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32], [9.76, 8.80, 7.68, 9.36]
    >>> result = one_way([control, drug_a, [12.80, 9.68, 12.16, 9.20, 10.55]])
    >>> round(result.f, 3), result.numerator_df, result.denominator_df
    (7.137, 2, 12)
    """
    values = [np.asarray(group, dtype=float) for group in groups]
    counts = np.array([len(group) for group in values], dtype=float)
    means = np.array([group.mean() for group in values])
    return _between(counts, means, sum(float(np.square(group - group.mean()).sum()) for group in values))


def one_way_from_summary(means: ArrayLike, deviations: ArrayLike, counts: ArrayLike) -> Anova:
    """The same from the means, standard deviations (n - 1 in the divisor) and counts of the groups.

    Rounding of the printed means and deviations is all that is lost.

    >>> result = one_way_from_summary([10.0, 12.0], [1.0, 1.0], [5, 5])
    >>> round(result.f, 6), round(result.p, 4)
    (10.0, 0.0133)
    """
    averages, spreads, sizes = (np.asarray(each, dtype=float) for each in (means, deviations, counts))
    return _between(sizes, averages, float(((sizes - 1.0) * spreads**2).sum()))


def randomised_blocks(table: ArrayLike) -> Anova:
    """Compare arms laid out in complete blocks; ``table`` (blocks, arms) has one value for each arm in each block.

    >>> result = randomised_blocks([[10.1, 12.0], [13.0, 14.9], [15.9, 18.1]])
    >>> round(result.f, 4), result.denominator_df, round(result.p, 4)
    (400.0, 2, 0.0025)
    """
    values = np.asarray(table, dtype=float)
    blocks, arms = values.shape
    if not np.isfinite(values).all():
        raise TableIncomplete(TableIncomplete.__doc__)
    if min(blocks, arms) < 2:
        raise TooFewGroups(TooFewGroups.__doc__)
    by_arm = values.mean(axis=0)
    left = values - by_arm - values.mean(axis=1, keepdims=True) + values.mean()
    between = blocks * float(np.square(by_arm - values.mean()).sum())
    within, total = float(np.square(left).sum()), float(np.square(values).sum())
    return _tested(between, arms - 1, within, (arms - 1) * (blocks - 1), total)


def least_significant_difference(
    error_mean_square: float, replicates: float, error_df: float, *, confidence: float = 0.95
) -> float:
    """The smallest difference of two means of ``replicates`` values that Student's t tells from nothing.

    ``t * sqrt(2 * error_mean_square / replicates)``; good for one comparison chosen beforehand, and too
    small for the largest of many. With a coefficient of variation in place of the mean square see `mean_square`.

    >>> round(least_significant_difference(mean_square(19.14, 23.75), 3, 6), 2)
    9.08
    """
    return float(stdtrit(error_df, (1.0 + confidence) / 2.0)) * math.sqrt(2.0 * error_mean_square / replicates)


def mean_square(variation_percent: float, mean: float) -> float:
    """The error mean square behind a printed coefficient of variation in % of the ``mean``.

    >>> mean_square(10.0, 50.0)
    25.0
    """
    return (variation_percent / 100.0 * mean) ** 2


def _between(counts: Floats, means: Floats, within: float) -> Anova:
    """The F between groups of some counts and means, ``within`` being the sum of squares in the groups."""
    if len(counts) < 2:
        raise TooFewGroups(TooFewGroups.__doc__)
    centre = float(counts @ means) / float(counts.sum())
    between = float((counts * (means - centre) ** 2).sum())
    total = float(counts @ np.square(means))
    return _tested(between, len(counts) - 1, within, int(counts.sum()) - len(counts), total)


def _tested(between: float, numerator_df: int, within: float, denominator_df: int, total: float) -> Anova:
    """The F, unless the error is no more than rounding can leave of the ``total`` of the squared values."""
    if denominator_df < 1:
        raise NoReplicates(NoReplicates.__doc__)
    if within <= _ROUNDING * total:
        raise NoVariationLeft
    mean, error = between / numerator_df, within / denominator_df
    f = mean / error
    return Anova(f, float(fdtrc(numerator_df, denominator_df, f)), numerator_df, denominator_df, mean, error)
