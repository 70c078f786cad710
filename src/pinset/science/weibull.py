"""A Weibull model of times known only to lie between two checks, for few units and checks far apart.

The logarithm of the time is linear in what is known of a unit, with errors of one shape for all::

    log T = x'b + σ W,   P(W > w) = exp(-exp(w)),   S(t) = exp(-exp((log t - x'b) / σ))

exp(b) of an arm is then a time ratio: how many times as long it takes. A unit seen in (left, right] contributes
S(left) - S(right). Where the free-form median of `pinset.science.intervals` can only say "between two checks", the
model also says where between them, at the price of its shape.

Source: Kalbfleisch & Prentice (2002), The Statistical Analysis of Failure Time Data, chapter 3 (from memory); checked
against R's survival::survreg.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log
from typing import Final

import numpy as np

from pinset.science.arrays import Floats
from pinset.science.confidence import Confidence
from pinset.science.intervals import Codes
from pinset.science.newton import minimise
from pinset.science.turnbull import sound

# A likelihood this near to one, or a direction this much flatter than the steepest, leaves a coefficient open.
_CERTAIN: Final = 1e-6
_FLAT: Final = 1e-9
# Keeps the starting scale above zero where all middles agree.
_START_SCALE: Final = 0.1
# Beyond this many scales above its line an end is certain to be reached; further out exp(exp(z)) is not a number.
_FAR: Final = 500.0


class CannotFitWeibull(ValueError):
    """The Weibull model cannot be fitted."""


class TimeNotPositive(CannotFitWeibull):
    """Times count from the start, so that each right end must lie above zero."""


class NoneDone(CannotFitWeibull):
    """No unit was ever seen done, so that nothing says how long it takes."""


class ColumnsNotApart(CannotFitWeibull):
    """The columns of the design repeat each other, or there are more of them than units."""


class TimesNotApart(CannotFitWeibull):
    """The checks cannot tell these times apart: they are too far apart to show a spread, or an arm has none done."""


class TooFewBatches(CannotFitWeibull):
    """There must be more batches than columns in the design."""


@dataclass(frozen=True, eq=False, slots=True)
class WeibullFit:
    """A fitted Weibull model.

    ``coefficients`` (p,) are in logarithms of time; ``scale`` is σ, one over the Weibull shape; ``covariance``
    (p + 1, p + 1) is of the coefficients and log σ; ``df`` is infinite for independent units and the number of
    batches less p where batches were given.
    """

    coefficients: Floats
    scale: float
    covariance: Floats
    log_likelihood: float
    df: float

    def coefficient(self, column: int) -> Confidence:
        """The coefficient of a column of the design; its exponential is a time ratio.

        >>> done = np.array([9.0, 12.0, 15.0, 12.0, 15.0, 18.0])
        >>> fitted = fit_weibull(done - 3.0, done, np.column_stack([np.ones(6), [0, 0, 0, 1, 1, 1]]))
        >>> slower = fitted.coefficient(1)
        >>> round(float(np.exp(slower.value)), 2), round(slower.standard_error, 2)
        (1.25, 0.15)
        """
        return Confidence(float(self.coefficients[column]), float(np.sqrt(self.covariance[column, column])), self.df)

    def log_time(self, row: Floats, share: float = 0.5) -> Confidence:
        """The logarithm of the time by which a ``share`` of units with the design ``row`` (p,) is done.

        x'b + σ log(-log(1 - share)), its standard error by the delta method. Take exponentials of it and of its
        interval for the time.

        >>> done = np.array([9.0, 12.0, 15.0, 12.0, 15.0, 18.0])
        >>> median = fit_weibull(done - 3.0, done, np.ones((6, 1))).log_time(np.ones(1))
        >>> [round(float(np.exp(end)), 1) for end in (median.value, *median.interval())]
        [12.2, 10.0, 14.8]
        """
        place = log(-log(1 - share))
        gradient = np.append(row, self.scale * place)
        error = float(np.sqrt(gradient @ self.covariance @ gradient))
        return Confidence(float(row @ self.coefficients) + self.scale * place, error, self.df)


def fit_weibull(left: Floats, right: Floats, design: Floats, clusters: Codes | None = None) -> WeibullFit:
    """The maximum-likelihood Weibull model of times in (left, right], (n,), with ``design`` (n, p), an intercept first.

    Equal ends are exact times, infinite right ends units not seen done. With ``clusters`` (n,) the covariance is the
    sandwich over batches, times k / (k - 1) for k of them (Lin & Wei 1989, J. Am. Stat. Assoc. 84:1074, from memory):
    units of one batch may then be alike; with fewer than some ten batches it is still too small. Raises
    `TimeNotPositive`, `NoneDone`, `ColumnsNotApart`, `TimesNotApart`, `TooFewBatches`, and what
    `pinset.science.turnbull.lay_out` raises.

    >>> done = np.array([9.0, 12.0, 15.0, 12.0, 15.0, 18.0])
    >>> fitted = fit_weibull(done - 3.0, done, np.ones((6, 1)))
    >>> round(fitted.scale, 3), round(fitted.log_likelihood, 3)
    (0.201, -8.233)
    """
    left, right = sound(left, right)
    _refuse(left, right, design)
    times = _Times(left, right, design)
    found = minimise(times.look, times.start())
    view = found.view
    bends = np.linalg.eigvalsh(view.curvature)
    if not found.converged or view.value < _CERTAIN or bends[0] < _FLAT * bends[-1]:
        raise TimesNotApart(str(TimesNotApart.__doc__))
    covariance, df = np.linalg.inv(view.curvature).astype(float), inf
    if clusters is not None:
        covariance, df = _sandwich(covariance, view.each, clusters)
    at = view.at + found.step
    return WeibullFit(at[:-1], float(np.exp(at[-1])), covariance, -view.value, df)


def _refuse(left: Floats, right: Floats, design: Floats) -> None:
    if (right <= 0).any() or (left < 0).any():
        raise TimeNotPositive(str(TimeNotPositive.__doc__))
    if np.isinf(right).all():
        raise NoneDone(str(NoneDone.__doc__))
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ColumnsNotApart(str(ColumnsNotApart.__doc__))


def _sandwich(inverse: Floats, each: Floats, clusters: Codes) -> tuple[Floats, float]:
    """The covariance over batches and its degrees of freedom, from the slopes of each unit."""
    names, cluster = np.unique(clusters, return_inverse=True)
    count, columns = len(names), each.shape[1] - 1
    if count <= columns:
        raise TooFewBatches(str(TooFewBatches.__doc__))
    sums = np.eye(count)[cluster.reshape(-1)].T @ each
    spread: Floats = inverse @ (sums.T @ sums) @ inverse
    return spread * count / (count - 1), count - columns


@dataclass(frozen=True, eq=False, slots=True)
class _View:
    """Minus the log-likelihood at one point, its slope and curvature, and the slope of each unit (n, p + 1)."""

    at: Floats
    value: float
    curvature: Floats
    each: Floats

    @property
    def slope(self) -> Floats:
        slope: Floats = self.each.sum(axis=0)
        return slope

    @property
    def bend(self) -> Floats:
        """Nothing: with few columns plain steps of Newton's are quick enough."""
        return np.zeros_like(self.curvature)


class _Times:
    """The observations as logarithms, ready to be looked at from many points."""

    def __init__(self, left: Floats, right: Floats, design: Floats) -> None:
        self.design = design
        self.exact = left == right
        self.known = np.stack([(left > 0) & ~self.exact, np.isfinite(right)])
        self.logs = np.log(np.where(self.known, np.stack([left, right]), 1.0))

    def start(self) -> Floats:
        """Least squares on the middle of what is known of each time."""
        middle = self.logs.sum(axis=0) / np.maximum(self.known.sum(axis=0), 1)
        found, *_ = np.linalg.lstsq(self.design, middle, rcond=None)
        return np.append(found, np.log(np.std(middle - self.design @ found) + _START_SCALE))

    def look(self, at: Floats) -> _View:
        """Minus the log-likelihood, by the chain rule through z = (log t - x'b) / σ at both ends of each time.

        A step too far may land where the likelihood is nought; the search then sees an infinite value and steps back.
        """
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return self._look(at)

    def _look(self, at: Floats) -> _View:
        scale = np.exp(at[-1])
        z = np.where(self.known, (self.logs - self.design @ at[:-1]) / scale, 0.0)
        values, first, second = self._by_end(np.minimum(z, _FAR))
        by_line, by_scale = -first.sum(axis=0) / scale, -(first * z).sum(axis=0)
        line_line = second.sum(axis=0) / scale**2 - by_line**2
        line_scale = (second * z + first).sum(axis=0) / scale - by_line * by_scale
        scale_scale = (second * z**2 + first * z).sum(axis=0) - by_scale**2
        cross = self.design.T @ line_scale
        curvature = np.block(
            [[self.design.T @ (line_line[:, None] * self.design), cross[:, None]], [cross, scale_scale.sum()]]
        )
        each = np.column_stack([by_line[:, None] * self.design, by_scale - self.exact])
        value = values.sum() - self.exact.sum() * at[-1] - self.logs[1, self.exact].sum()
        return _View(at, -float(value), -curvature, -each)

    def _by_end(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """The log-likelihood of each time, and by z at both its ends the first and second slope of the likelihood.

        Both slopes are over the likelihood itself, so that a second slope of its logarithm is second - first². With
        u = exp(z), the likelihood is exp(-u_left) - exp(-u_right) between two ends and u exp(-u) / (σ t) at an exact
        time; σ t is left out.
        """
        u = np.where(self.known, np.exp(z), np.array([[0.0], [inf]]))
        inside = np.where(self.exact, 1.0, -np.expm1(u[0] - u[1]))
        fading = np.where(self.known[1], np.exp(u[0] - u[1]), 0.0)
        u[1] = late = np.where(self.known[1], u[1], 0.0)
        values = np.where(self.exact, z[1] - u[1], -u[0] + np.log(inside))
        ends = np.stack([-u[0], late * fading]) / inside
        first = np.where(self.exact, np.stack([np.zeros_like(late), 1.0 - late]), ends)
        bent = np.where(self.exact, np.stack([np.zeros_like(late), (1.0 - late) ** 2 - late]), ends * (1.0 - u))
        return values, first, bent
