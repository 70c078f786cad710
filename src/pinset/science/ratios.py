"""A ratio of two totals over batches, such as kg picked per kg of wet substrate, with an honest interval.

Bags of one batch are alike; what varies independently is the batch. The interval therefore counts batches, not bags.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from pinset.science.arrays import Floats


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of totals, its standard error and interval, and the number of batches behind it."""

    value: float
    standard_error: float
    low: float
    high: float
    count: int


class NothingToDivideBy(ValueError):
    """The denominators add up to zero, or there are none."""


def ratio_of_totals(numerators: Floats, denominators: Floats, confidence: float = 0.95) -> Ratio:
    """The ratio of two totals over independent batches, with its interval by linearisation and Student's t.

    ``numerators`` and ``denominators`` have one value per batch (shape ``(n,)``, any one unit each). With
    R = sum(y) / sum(x), residuals e = y - R x and n batches, SE = sqrt(n / (n - 1) * sum(e^2)) / sum(x) and the
    interval is R +- t(n - 1) SE. With one batch there is no interval: its ends are NaN.

    Source: W. G. Cochran, Sampling Techniques, 3rd ed. (1977), section 6.4, finite-population correction left out
    (formula from memory; agreement with a bootstrap is tested).

    >>> found = ratio_of_totals(np.array([4.0, 5.0, 6.0]), np.array([20.0, 20.0, 20.0]))
    >>> round(found.value, 3), round(found.low, 3), round(found.high, 3)
    (0.25, 0.126, 0.374)
    """
    top, bottom = np.asarray(numerators, dtype=float), np.asarray(denominators, dtype=float)
    total = float(bottom.sum())
    if total <= 0:
        raise NothingToDivideBy(str(NothingToDivideBy.__doc__))
    count, value = len(bottom), float(top.sum()) / total
    if count < 2:
        return Ratio(value, np.nan, np.nan, np.nan, count)
    rest = top - value * bottom
    error = float(np.sqrt(count / (count - 1) * (rest @ rest)) / total)
    reach = float(stdtrit(count - 1, (1 + confidence) / 2)) * error
    return Ratio(value, error, value - reach, value + reach, count)
