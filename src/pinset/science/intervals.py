"""Times known only to lie between two checks: where they lie, and a median or mean with both its doubts.

Checks are days apart, so the day of full colonisation is not the day of the check that found it: it is known to lie
after the last check that found it unfinished and no later than the first that found it done, (left, right]. A unit
never seen done has an infinite right end; a time known exactly has equal ends.

Units of one batch are alike. Where batches are given as ``clusters``, whole batches are resampled; a bag is then never
taken for an independent trial. Arms are compared by a test in `pinset.science.logrank`, by a model in
`pinset.science.weibull`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan
from typing import Any, Final, Generic, NamedTuple, TypeAlias, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, stdtrit

from pinset.science.arrays import Floats, Integers
from pinset.science.turnbull import SPECK, Checks, lay_out, solve, widened

Codes: TypeAlias = NDArray[Any]
"""One code per unit (text or numbers), such as the batch, block or arm it belongs to."""

# Sums of masses that should meet a share exactly may miss it by as much.
_CLOSE: Final = 1e-6
# Resamples differ by far more than what this leaves of their mean log-likelihood.
_RESAMPLE_GAP: Final = 1e-8

Number = TypeVar("Number", float, Floats)


class Between(NamedTuple, Generic[Number]):
    """A value, and the lowest and highest that the checks leave open."""

    value: Number
    low: Number
    high: Number


@dataclass(frozen=True, slots=True)
class Quantile:
    """The time by which a ``share`` (0 to 1) of the units is done; for a half, the median.

    The likelihood does not say where in an innermost interval its mass lies, so the quantile is only known to lie in
    the interval that holds it: ``low`` and ``high``. The ``value`` spreads the mass evenly over the interval, a
    convention; it is infinite where the share was not reached before the last check.
    """

    share: float

    def of(self, lower: Floats, upper: Floats, masses: Floats) -> Between[Floats]:
        """The quantile of each row of masses (b, m) that lie between ``lower`` and ``upper`` (b, m).

        >>> Quantile(0.5).of(np.array([[0.0, 10.0]]), np.array([[5.0, 20.0]]), np.array([[0.25, 0.75]])).value
        array([13.33333333])
        """
        reached = masses.cumsum(axis=1) >= self.share - _CLOSE
        here = reached.argmax(axis=1)[:, None]
        low, high = np.take_along_axis(lower, here, 1), np.take_along_axis(upper, here, 1)
        inside = np.where((lower == low) & (upper == high), masses, 0.0).sum(axis=1)
        before = np.where((upper <= low) & (lower < high), masses, 0.0).sum(axis=1)
        part = np.clip((self.share - before) / inside, 0.0, 1.0)
        low, high = low[:, 0], high[:, 0]
        return Between(np.where(np.isinf(high), inf, low + part * (_finite(high) - low)), low, high)


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """The mean time up to a horizon, where a unit not done by then counts as the horizon: the area under survival.

    ``until`` is the horizon in the unit of the times. It uses all units, where a median hangs on a few checks, and
    is always finite. ``low`` and ``high`` put every mass at the early or late end of its interval; ``value`` spreads it
    evenly, and counts the horizon where an interval has no end.
    """

    until: float

    def of(self, lower: Floats, upper: Floats, masses: Floats) -> Between[Floats]:
        """The restricted mean of each row of masses (b, m) that lie between ``lower`` and ``upper`` (b, m).

        >>> RestrictedMean(10.0).of(np.array([[0.0, 8.0]]), np.array([[4.0, np.inf]]), np.array([[0.5, 0.5]])).value
        array([6.])
        """
        early, late = np.minimum(lower, self.until), np.minimum(upper, self.until)
        width = _finite(upper) - lower
        within = np.divide(late - early, width, out=np.ones_like(width), where=width > 0)
        even = np.where(np.isinf(upper), late, within * (early + late) / 2 + (1 - within) * self.until)
        low, value, high = (np.sum(masses * time, axis=1) for time in (early, even, late))
        return Between(value, low, high)


Summary: TypeAlias = Quantile | RestrictedMean

MEDIAN: Final = Quantile(0.5)


def _finite(times: Floats) -> Floats:
    return np.where(np.isinf(times), 0.0, times)


@dataclass(frozen=True, eq=False, slots=True)
class TimeSpread:
    """The likeliest spread of interval-censored times.

    ``masses`` (k,) are the shares of units whose time lies in (``lower``, ``upper``] (k,); equal ends are an exact time
    and an infinite upper end means not seen done. ``log_likelihood`` is at most ``gap`` below the highest there is,
    which the Gentleman-Geyer condition certifies; it took ``rounds`` Newton rounds over ``count`` observations.
    """

    lower: Floats
    upper: Floats
    masses: Floats
    log_likelihood: float
    gap: float
    rounds: int
    count: int

    def survival(self, at: ArrayLike) -> Between[Floats]:
        """The share not yet done at each time ``at``: within ``low`` and ``high``, and spread evenly over intervals.

        >>> spread = estimate(np.array([0.0, 5.0, 8.0]), np.array([7.0, 11.0, np.inf]))
        >>> spread.survival([4.0, 6.0]).low.round(3), spread.survival([4.0, 6.0]).value.round(3)
        (array([1. , 0.5]), array([1.  , 0.75]))
        """
        when = np.asarray(at, dtype=float)[..., None]
        sure = np.where(self.lower == self.upper, self.lower > when, self.lower >= when)
        unsure = ~sure & (self.upper > when)
        gone = np.divide(when - self.lower, self.upper - self.lower, out=np.zeros(unsure.shape), where=unsure)
        return Between((sure + unsure - gone) @ self.masses, sure @ self.masses, (sure | unsure) @ self.masses)

    def quantile(self, share: float = 0.5) -> Between[float]:
        """The time by which a share of the units is done; see `Quantile`.

        >>> estimate(np.array([0.0, 5.0, 8.0]), np.array([7.0, 11.0, np.inf])).quantile(0.25).low
        5.0
        """
        return self.summary(Quantile(share))

    def restricted_mean(self, until: float) -> Between[float]:
        """The mean time up to a horizon; see `RestrictedMean`.

        >>> spread = estimate(np.array([0.0, 4.0]), np.array([4.0, 8.0]))
        >>> [round(each, 6) for each in spread.restricted_mean(8.0)]
        [4.0, 2.0, 6.0]
        """
        return self.summary(RestrictedMean(until))

    def summary(self, what: Summary) -> Between[float]:
        """A quantile or restricted mean, whichever ``what`` is.

        >>> estimate(np.array([0.0, 4.0]), np.array([4.0, 8.0])).summary(MEDIAN).high
        4.0
        """
        found = what.of(self.lower[None], self.upper[None], self.masses[None])
        return Between(*(float(each[0]) for each in found))


def estimate(left: Floats, right: Floats) -> TimeSpread:
    """The non-parametric maximum-likelihood spread of times seen to lie in (left, right], (n,) each, any unit of time.

    Valid where the days of the checks do not hang on how far a unit is. Intervals with no mass are left out.
    Raises `NothingSeen`, `EndMissing`, `EndsTurned` of `pinset.science.turnbull`, which also says how it is found.
    Sources: Turnbull (1976), J. R. Stat. Soc. B 38:290; Gentleman & Geyer (1994), Biometrika 81:618.

    >>> spread = estimate(np.array([0.0, 5.0, 8.0]), np.array([7.0, 11.0, np.inf]))
    >>> spread.lower, spread.upper, spread.masses.round(4)
    (array([5., 8.]), array([ 7., 11.]), array([0.5, 0.5]))
    >>> spread.gap < 1e-8
    True
    """
    return _spread(lay_out(left, right))


def _spread(checks: Checks) -> TimeSpread:
    found = solve(checks.covers, checks.counts[None])
    masses = np.where(found.masses[0] > SPECK, found.masses[0], 0.0)
    masses /= masses.sum()
    seen = checks.covers @ masses
    slopes = (checks.counts / seen) @ checks.covers
    kept = np.flatnonzero(masses)
    ends = checks.first[kept]
    return TimeSpread(
        lower=checks.when[ends],
        upper=checks.when[ends + 1],
        masses=masses[kept],
        log_likelihood=float(checks.counts @ np.log(seen)),
        gap=max(0.0, float(slopes.max() - checks.counts.sum())),
        rounds=found.rounds,
        count=len(checks.row),
    )


class CannotResample(ValueError):
    """These units cannot be resampled."""


class TooFewToResample(CannotResample):
    """At least two independent batches (or units, where batches are not given) of each arm are needed."""


class NotTwoArms(CannotResample):
    """A difference is between two arms, no fewer and no more."""


@dataclass(frozen=True, slots=True)
class TimeEstimate:
    """A time, or a difference of times, with both its doubts: what the checks leave open, and what chance does.

    By the checks alone the value lies between ``open_low`` and ``open_high``; ``low`` and ``high`` are its interval at
    ``confidence`` from ``resamples`` resamples of ``count`` independent batches (or units).
    """

    value: float
    open_low: float
    open_high: float
    low: float
    high: float
    confidence: float
    count: int
    resamples: int


def time_estimate(
    left: Floats,
    right: Floats,
    what: Summary = MEDIAN,
    *,
    clusters: Codes | None = None,
    confidence: float = 0.95,
    resamples: int = 1000,
    seed: int = 0,
) -> TimeEstimate:
    """A quantile (by default the median) or restricted mean of times in (left, right], (n,), with a bootstrap interval.

    ``clusters`` (n,) says which batch each unit belongs to; k batches are drawn k - 1 at a time with replacement, which
    keeps the spread from being understated (Rao & Wu 1988, J. Am. Stat. Assoc. 83:231), and the percentiles are moved
    out from the normal's to those of Student's t with k - 1 degrees of freedom (expanded percentiles: Hesterberg 2015,
    Am. Stat. 69:371; both from memory). The lower limit is a percentile of the lowest times that the checks leave open,
    the upper limit of the highest: no check day is taken for a day of growth. With fewer than some five batches the
    interval is rough. Raises `TooFewToResample` and what `estimate` raises.

    >>> left = np.array([14.0, 14.0, 17.0, 17.0, 14.0, 21.0])
    >>> found = time_estimate(left, left + 3.0, clusters=np.array([1, 1, 2, 2, 3, 3]))
    >>> round(found.value, 2), found.open_low, found.open_high, found.count
    (17.0, 14.0, 17.0, 3)
    """
    checks = lay_out(left, right)
    cluster = _clusters(clusters, len(checks.row))
    draws = _draws(np.zeros(cluster.max() + 1, dtype=np.intp), resamples, seed)
    again = _resampled(checks, draws @ _tally(checks, cluster, draws.shape[1]), what)
    tail = _tail(confidence, draws.shape[1] - 1)
    middle = _spread(checks).summary(what)
    limits = _lower_limit(again.low, tail), _upper_limit(again.high, tail)
    return TimeEstimate(*middle, *limits, confidence, draws.shape[1], resamples)


def time_difference(
    left: Floats,
    right: Floats,
    arm: Codes,
    what: Summary = MEDIAN,
    *,
    clusters: Codes | None = None,
    confidence: float = 0.95,
    resamples: int = 1000,
    seed: int = 0,
) -> TimeEstimate:
    """How much later the second of two arms (by the order of their codes ``arm`` (n,)) is than the first.

    As `time_estimate`, but the interval follows the values, spread evenly within intervals: arms looked at on the same
    days share what the checks leave open, so most of it cancels. ``open_low`` and ``open_high`` show what remains if
    none of it does. Batches are drawn within their arm; give the blocks as ``clusters`` where each holds both arms, and
    blocks are drawn whole. A resample in which neither arm gets there counts as unlimited both ways.
    Raises `NotTwoArms`, `TooFewToResample` and what `estimate` raises.

    >>> left = np.array([14.0, 14.0, 17.0, 21.0, 21.0, 24.0])
    >>> found = time_difference(left, left + 3.0, np.array(list("aaabbb")))
    >>> round(found.value, 2), found.open_low, found.open_high, found.low > 0
    (7.0, 4.0, 10.0, True)
    """
    side = _coded(arm)
    if side.max() != 1:
        raise NotTwoArms(str(NotTwoArms.__doc__))
    cluster = _clusters(clusters, len(side))
    strata = _strata(cluster, side)
    draws = _draws(strata, resamples, seed)
    arms = [lay_out(left[side == one], right[side == one]) for one in (0, 1)]
    weights = [draws @ _tally(checks, cluster[side == one], len(strata)) for one, checks in enumerate(arms)]
    usable = np.all([each.any(axis=1) for each in weights], axis=0)
    again = (_resampled(checks, each[usable], what).value for checks, each in zip(arms, weights, strict=True))
    later = _later(*again)
    tail = _tail(confidence, len(strata) - len(np.unique(strata)))
    first, second = (_spread(checks).summary(what) for checks in arms)
    return TimeEstimate(
        value=float(_later(np.array(first.value), np.array(second.value))),
        open_low=second.low - first.high,
        open_high=second.high - first.low,
        low=_lower_limit(np.where(np.isnan(later), -inf, later), tail),
        high=_upper_limit(np.where(np.isnan(later), inf, later), tail),
        confidence=confidence,
        count=len(strata),
        resamples=len(later),
    )


def _coded(codes: Codes) -> Integers:
    return np.unique(codes, return_inverse=True)[1].reshape(-1)


def _clusters(clusters: Codes | None, count: int) -> Integers:
    return np.arange(count) if clusters is None else _coded(clusters)


def _strata(cluster: Integers, side: Integers) -> Integers:
    """What each cluster is drawn among: those of its arm, or all of them where some cluster holds both arms."""
    per_side = np.zeros((cluster.max() + 1, 2), dtype=bool)
    per_side[cluster, side] = True
    return np.where(per_side.all(axis=1).any(), 0, per_side.argmax(axis=1))


def _draws(strata: Integers, resamples: int, seed: int) -> Floats:
    """How often each cluster is drawn in each resample, as (resamples, clusters)."""
    generator = np.random.default_rng(seed)
    draws = np.zeros((resamples, len(strata)))
    for stratum in range(strata.max() + 1):
        members = np.flatnonzero(strata == stratum)
        if len(members) < 2:
            raise TooFewToResample(str(TooFewToResample.__doc__))
        even = np.full(len(members), 1 / len(members))
        draws[:, members] = generator.multinomial(len(members) - 1, even, size=resamples)
    return draws


def _tally(checks: Checks, cluster: Integers, clusters: int) -> Integers:
    """How many units of each cluster gave each distinct observation, as (clusters, n)."""
    distinct = len(checks.starts)
    both = cluster * distinct + checks.row
    return np.bincount(both, minlength=clusters * distinct).reshape(clusters, distinct)


def _resampled(checks: Checks, weights: Floats, what: Summary) -> Between[Floats]:
    return what.of(*widened(checks, weights), solve(checks.covers, weights, _RESAMPLE_GAP).masses)


def _later(first: Floats, second: Floats) -> Floats:
    """Second minus first; NaN where neither is reached."""
    known = np.isfinite(first) | np.isfinite(second)
    return np.subtract(second, first, out=np.full_like(first, nan), where=known)


def _tail(confidence: float, freedom: int) -> float:
    return float(ndtr(stdtrit(freedom, (1 - confidence) / 2)))


def _lower_limit(values: Floats, tail: float) -> float:
    return float(np.sort(values)[int(tail * (len(values) - 1))])


def _upper_limit(values: Floats, tail: float) -> float:
    return -_lower_limit(-values, tail)
