"""An estimate with its doubt: intervals, p-values and the chance of lying above a bar, all from one distribution.

The confidence distribution of an estimate is the estimate plus its standard error times Student's t: its central parts
are the confidence intervals, and its upper tail is one minus a one-sided p-value. Read as a chance it presumes
that nothing was known beforehand; it is the posterior under a flat prior (Xie & Singh 2013, Int. Stat. Rev. 81:3;
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import stdtr, stdtrit


class Interval(NamedTuple):
    """Two ends, low first."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Confidence:
    """A value in some unit with its standard error in the same unit and the degrees of freedom behind that error.

    Infinite ``df`` stands for a normal distribution. A standard error of nought says that nothing is in doubt.

    >>> gain = Confidence(0.12, 0.05, df=8)
    >>> [round(end, 3) for end in gain.interval()], round(gain.p(), 3), round(gain.chance_above(0.0), 3)
    ([0.005, 0.235], 0.043, 0.978)
    """

    value: float
    standard_error: float
    df: float = np.inf

    def interval(self, confidence: float = 0.95) -> Interval:
        """The confidence interval, value ± t SE, at ``confidence`` (0 to 1)."""
        reach = float(stdtrit(self.df, (1 + confidence) / 2)) * self.standard_error
        return Interval(self.value - reach, self.value + reach)

    def chance_above(self, bar: float) -> float:
        """The confidence that the true value lies above ``bar``; half where nothing is in doubt and it lies on it."""
        above = self.value - bar
        if self.standard_error == 0:
            return float((1 + np.sign(above)) / 2)
        return float(stdtr(self.df, above / self.standard_error))

    def p(self, bar: float = 0.0) -> float:
        """The two-sided p-value against a true value of ``bar``."""
        beyond = Confidence(-abs(self.value - bar), self.standard_error, self.df)
        return 2 * beyond.chance_above(0.0)
