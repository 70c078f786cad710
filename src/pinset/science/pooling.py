"""What several farms' trials say together: random-effects meta-analysis.

Each farm brings one effect, compared side by side on the same days, and its variance; no raw rows leave a farm. Farms
differ in more than chance (strain, straw, room), so the true effects are drawn around a mean μ with variance τ²:

    y_i = μ + u_i + e_i,   u_i ~ N(0, τ²),   e_i ~ N(0, v_i),   weights w_i = 1 / (v_i + τ²)

The mean answers "what on average"; the prediction interval answers what a grower asks, "what on a farm like mine".

Sources: DerSimonian & Laird (1986), Control. Clin. Trials 7:177; Viechtbauer (2005), J. Educ. Behav. Stat. 30:261
(REML, ML); Viechtbauer (2007), Stat. Med. 26:37 (Q-profile); Knapp & Hartung (2003), Stat. Med. 22:2693; all four from
memory, their results checked against R's metafor 3.8-1. Modified Knapp-Hartung for few unequal studies: Röver, Knapp &
Friede (2015), PMC4647507. What the gates ask for: Cochrane's methods group (2022) and the dominance rule of official
statistics (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

import numpy as np
from scipy.special import chdtri

from pinset.science.arrays import Floats
from pinset.science.confidence import Confidence, Interval

FEWEST_FARMS: Final = 5
"""Below this many farms each is shown and nothing general is claimed: a spread cannot be learnt from so few."""

LARGEST_SHARE: Final = 0.5
"""A farm that carries more than this share of the weight speaks for itself, not for farms in general."""

# Powers of ten, times the typical variance, at which the deviance is looked at before its slope is followed.
_EXPONENTS: Final = np.arange(-80, 49) / 8


class CannotPool(ValueError):
    """The effects cannot be pooled."""


class TooFewEffects(CannotPool):
    """One trial alone is not a pool: at least two effects are needed."""


class VarianceNotPositive(CannotPool):
    """Every effect needs a finite value and a variance above zero."""


class RatioNeedsPositiveMeans(CannotPool):
    """A ratio of means has a logarithm only where both means are above zero."""


class CountsDoNotFit(CannotPool):
    """There cannot be more events than units, nor fewer than none."""


class Effect(NamedTuple):
    """What one trial found, arm against control: the value and the variance (squared standard error) of it."""

    value: float
    variance: float


class Spread(StrEnum):
    """How the variance between farms is estimated."""

    RESTRICTED = "restricted maximum likelihood"
    LIKELIHOOD = "maximum likelihood"
    MOMENTS = "DerSimonian-Laird moments"
    NONE = "equal effects"


class Width(StrEnum):
    """How the interval of the mean is built.

    ``KNAPP_HARTUNG`` scales the squared standard error by q = Σw(y - μ)²/(k - 1) and uses t with k - 1 degrees of
    freedom; ``MODIFIED`` never lets q shrink it, max(1, q), as few farms of unequal size need; ``NORMAL`` does neither
    and is too narrow for few farms.
    """

    MODIFIED = "modified Knapp-Hartung"
    KNAPP_HARTUNG = "Knapp-Hartung"
    NORMAL = "normal"


@dataclass(frozen=True, slots=True)
class Pooled:
    """Several effects pooled.

    ``mean`` with its ``standard_error``, ``interval`` at ``confidence`` and two-sided ``p`` against no effect on
    ``df`` degrees of freedom (infinite: normal); the variance ``between`` farms (τ²) and its
    ``between_interval`` by Q-profile; ``heterogeneity`` (Cochran's Q, on count - 1 degrees of freedom) and
    ``inconsistency`` (I², the fraction of all variance that is between farms); ``prediction``, the interval for the
    effect on another such farm, on ``prediction_df`` degrees of freedom; and each farm's share of the weight.
    """

    count: int
    mean: float
    standard_error: float
    interval: Interval
    p: float
    df: float
    between: float
    between_interval: Interval
    heterogeneity: float
    inconsistency: float
    prediction: Interval
    prediction_df: float
    shares: tuple[float, ...]
    spread: Spread
    width: Width
    confidence: float

    def chance_elsewhere(self, bar: float = 0.0) -> float:
        """The chance that the effect on another such farm lies above ``bar``, by the prediction distribution."""
        return _elsewhere(self.mean, self.standard_error, self.between, self.prediction_df).chance_above(bar)


class Reach(StrEnum):
    """How far a pool carries."""

    NOTHING = "one farm alone: nothing to pool"
    EACH_SHOWN = "too few farms to generalise: each is shown"
    ONE_DOMINATES = "one farm carries more than half of the weight: each is shown"
    POOLED = "what farms that chose to share found together"


@dataclass(frozen=True, slots=True)
class Synthesis:
    """How far the farms carry, and only so far: ``pooled`` and ``without_each`` stay empty where they may not speak."""

    reach: Reach
    pooled: Pooled | None
    without_each: tuple[Pooled, ...]


def log_response_ratio(
    arm: float, control: float, arm_variance: float, control_variance: float, covariance: float = 0.0
) -> Effect:
    """The logarithm of the ratio of two means, such as kg per kg, with its variance by the delta method.

    ``arm`` and ``control`` are means in one unit, above zero; the variances (unit squared) are those of the means,
    squared standard errors, not of single units. With blocks in common the means vary together: give their
    ``covariance``.

        y = ln(arm / control),   v = v_a / arm² + v_c / control² - 2 cov / (arm control)

    Source: Hedges, Gurevitch & Curtis (1999), Ecology 80:1150, without the covariance (from memory).
    Raises `RatioNeedsPositiveMeans`.

    >>> effect = log_response_ratio(0.22, 0.20, 0.01**2, 0.01**2)
    >>> round(effect.value, 4), round(effect.variance, 6)
    (0.0953, 0.004566)
    """
    if min(arm, control) <= 0:
        raise RatioNeedsPositiveMeans(RatioNeedsPositiveMeans.__doc__)
    shared = 2 * covariance / (arm * control)
    return Effect(float(np.log(arm / control)), arm_variance / arm**2 + control_variance / control**2 - shared)


def mean_difference(
    arm: float, control: float, arm_variance: float, control_variance: float, covariance: float = 0.0
) -> Effect:
    """The difference of two means in their unit; parameters as for `log_response_ratio`, of either sign.

    >>> mean_difference(23.0, 25.8, 0.5, 0.7).variance
    1.2
    """
    return Effect(arm - control, arm_variance + control_variance - 2 * covariance)


def log_risk_ratio(events: int, units: int, control_events: int, control_units: int) -> Effect:
    """The logarithm of the ratio of two fractions, such as contaminated units of units made.

        y = ln((a / n) / (c / m)),   v = 1/a - 1/n + 1/c - 1/m

    With an empty cell of the two-by-two table (none or all of an arm) ½ is added to each cell. Raises `CountsDoNotFit`.
    Source: Woolf's variance and Haldane's ½, as in metafor's escalc.

    >>> effect = log_risk_ratio(4, 123, 11, 139)
    >>> round(effect.value, 4), round(effect.variance, 4)
    (-0.8893, 0.3256)
    """
    hit, missed, control_hit, control_missed = _cells(events, units, control_events, control_units)
    made, control_made = hit + missed, control_hit + control_missed
    ratio = (hit / made) / (control_hit / control_made)
    return Effect(float(np.log(ratio)), 1 / hit - 1 / made + 1 / control_hit - 1 / control_made)


def log_odds_ratio(events: int, units: int, control_events: int, control_units: int) -> Effect:
    """The logarithm of the ratio of two odds; parameters, empty cells and errors as for `log_risk_ratio`.

        y = ln(a d / (b c)),   v = 1/a + 1/b + 1/c + 1/d

    >>> effect = log_odds_ratio(4, 123, 11, 139)
    >>> round(effect.value, 4), round(effect.variance, 4)
    (-0.9387, 0.3571)
    """
    hit, missed, control_hit, control_missed = _cells(events, units, control_events, control_units)
    ratio = hit * control_missed / (missed * control_hit)
    return Effect(float(np.log(ratio)), 1 / hit + 1 / missed + 1 / control_hit + 1 / control_missed)


def as_ratio(interval: Interval) -> Interval:
    """The ends of an interval of logarithms as ratios.

    >>> as_ratio(Interval(0.0, 0.6931471805599453))
    Interval(low=1.0, high=2.0)
    """
    return Interval(float(np.exp(interval.low)), float(np.exp(interval.high)))


def pool(
    effects: Sequence[Effect],
    *,
    spread: Spread = Spread.RESTRICTED,
    width: Width = Width.MODIFIED,
    confidence: float = 0.95,
    prediction_df: float | None = None,
) -> Pooled:
    """Pool ``effects``, one per farm and in one unit, with intervals at ``confidence``.

    The prediction interval is μ ± t √(τ² + SE²) with the degrees of freedom of the mean's interval (k - 1 with
    Knapp-Hartung, as metafor has it); Higgins, Thompson & Spiegelhalter (2009) take k - 2, which
    ``prediction_df`` allows. Both presume normal farms and many of them. `synthesis` is the careful door: it
    claims nothing from few farms. Raises `TooFewEffects` and `VarianceNotPositive`.

    >>> found = pool([Effect(0.10, 0.004), Effect(0.25, 0.006), Effect(0.05, 0.003), Effect(0.30, 0.01)])
    >>> round(found.mean, 3), round(found.between, 4), round(found.chance_elsewhere(), 2)
    (0.157, 0.0081, 0.88)
    >>> [round(end, 3) for end in found.interval], [round(end, 3) for end in found.prediction]
    ([-0.028, 0.343], [-0.183, 0.498])
    """
    values, variances = _checked(effects)
    between = _BETWEEN[spread](values, variances)
    weights = 1 / (variances + between)
    total = float(weights.sum())
    mean = float(weights @ values) / total
    df = np.inf if width is Width.NORMAL else len(values) - 1.0
    error = float(np.sqrt(_scale(width, _squares(values, variances, between), len(values)) / total))
    if prediction_df is None:
        prediction_df = df
    average = Confidence(mean, error, df)
    return Pooled(
        count=len(values),
        mean=mean,
        standard_error=error,
        interval=average.interval(confidence),
        p=average.p(),
        df=df,
        between=between,
        between_interval=_between_interval(values, variances, confidence),
        heterogeneity=_squares(values, variances, 0.0),
        inconsistency=between / (between + _typical(variances)),
        prediction=_elsewhere(mean, error, between, prediction_df).interval(confidence),
        prediction_df=prediction_df,
        shares=tuple((weights / total).tolist()),
        spread=spread,
        width=width,
        confidence=confidence,
    )


def without_each(
    effects: Sequence[Effect],
    *,
    spread: Spread = Spread.RESTRICTED,
    width: Width = Width.MODIFIED,
    confidence: float = 0.95,
) -> tuple[Pooled, ...]:
    """The pool without the first effect, without the second, and so on: what hangs on one farm.

    >>> farms = [Effect(0.1, 0.01), Effect(0.1, 0.01), Effect(0.7, 0.01)]
    >>> [round(found.mean, 2) for found in without_each(farms)]
    [0.4, 0.4, 0.1]
    """
    rest = ([*effects[:left], *effects[left + 1 :]] for left in range(len(effects)))
    return tuple(pool(others, spread=spread, width=width, confidence=confidence) for others in rest)


def synthesis(effects: Sequence[Effect], *, confidence: float = 0.95) -> Synthesis:
    """Pool by restricted maximum likelihood and modified Knapp-Hartung, as far as the farms carry it.

    Below `FEWEST_FARMS` farms, or where one carries more than `LARGEST_SHARE` of the weight, nothing general is
    returned; each farm can still be shown beside the others.

    >>> synthesis([Effect(0.1, 0.01), Effect(0.2, 0.01)]).reach.value
    'too few farms to generalise: each is shown'
    """
    if len(effects) < 2:
        return Synthesis(Reach.NOTHING, None, ())
    if len(effects) < FEWEST_FARMS:
        return Synthesis(Reach.EACH_SHOWN, None, ())
    pooled = pool(effects, confidence=confidence)
    if max(pooled.shares) > LARGEST_SHARE:
        return Synthesis(Reach.ONE_DOMINATES, None, ())
    return Synthesis(Reach.POOLED, pooled, without_each(effects, confidence=confidence))


def _cells(events: int, units: int, control_events: int, control_units: int) -> tuple[float, float, float, float]:
    """The two-by-two table, with ½ added to each cell where one is empty."""
    cells = (events, units - events, control_events, control_units - control_events)
    if min(cells) < 0 or min(units, control_units) < 1:
        raise CountsDoNotFit(CountsDoNotFit.__doc__)
    added = 0.0 if min(cells) > 0 else 0.5
    hit, missed, control_hit, control_missed = (cell + added for cell in cells)
    return hit, missed, control_hit, control_missed


def _checked(effects: Sequence[Effect]) -> tuple[Floats, Floats]:
    """Values and variances as arrays."""
    if len(effects) < 2:
        raise TooFewEffects(TooFewEffects.__doc__)
    table = np.asarray(effects, dtype=np.float64)
    if not np.isfinite(table).all() or (table[:, 1] <= 0).any():
        raise VarianceNotPositive(VarianceNotPositive.__doc__)
    return table[:, 0], table[:, 1]


def _elsewhere(mean: float, error: float, between: float, df: float) -> Confidence:
    """The effect on another such farm, as uncertain as the mean and as the farms differ."""
    return Confidence(mean, float(np.sqrt(between + error**2)), df)


def _squares(values: Floats, variances: Floats, between: float) -> float:
    """Σ w (y - μ)²: Cochran's Q where ``between`` is zero, the generalised Q elsewhere."""
    weights = 1 / (variances + between)
    return float(weights @ (values - weights @ values / weights.sum()) ** 2)


def _scale(width: Width, squares: float, count: int) -> float:
    """What the squared standard error is multiplied by."""
    if width is Width.NORMAL:
        return 1.0
    q = squares / (count - 1)
    return max(1.0, q) if width is Width.MODIFIED else q


def _typical(variances: Floats) -> float:
    """The typical variance within farms (Higgins & Thompson 2002, Stat. Med. 21:1539, equation 9; from memory)."""
    weights = 1 / variances
    return float((len(weights) - 1) * weights.sum() / (weights.sum() ** 2 - (weights**2).sum()))


def _between_interval(values: Floats, variances: Floats, confidence: float) -> Interval:
    """The variances between farms at which the generalised Q is no surprise; Q falls as the variance grows."""
    df = len(values) - 1

    def where(tail: float) -> float:
        quantile = float(chdtri(df, tail))
        return _fall(lambda between: _squares(values, variances, between) - quantile, float(variances.max()))

    return Interval(where((1 - confidence) / 2), where((1 + confidence) / 2))


def _fall(height: Callable[[float], float], reach: float) -> float:
    """Where a falling function crosses zero, or nought where it never stands above it."""
    from scipy.optimize import brentq

    if height(0.0) <= 0:
        return 0.0
    while height(reach) > 0:
        reach *= 4
    return float(brentq(height, 0.0, reach, xtol=1e-15, rtol=1e-14))


def _moments(values: Floats, variances: Floats) -> float:
    """τ² = max(0, (Q - (k - 1)) / (Σw - Σw²/Σw))."""
    weights = 1 / variances
    surplus = _squares(values, variances, 0.0) - (len(values) - 1)
    return float(max(0.0, surplus / (weights.sum() - (weights**2).sum() / weights.sum())))


def _likeliest(values: Floats, variances: Floats, restricted: bool) -> float:
    """The τ² of least deviance: the best point of a grid, then the root of the slope beside it.

    The deviance can have more than one dip, so that following the slope from one start may end in the wrong one.
    """
    from scipy.optimize import brentq

    typical = max(_typical(variances), float(np.var(values)))
    grid = np.concatenate([[0.0], typical * 10.0**_EXPONENTS])
    best = int(np.argmin(_deviances(grid, values, variances, restricted)))
    low, high = grid[max(best - 1, 0)], grid[best + 1]

    def slope(between: float) -> float:
        return _deviance_slope(between, values, variances, restricted)

    if slope(low) >= 0:
        return float(low)
    return float(brentq(slope, low, high, xtol=1e-15, rtol=1e-14))


def _deviances(grid: Floats, values: Floats, variances: Floats, restricted: bool) -> Floats:
    """Minus twice the log-likelihood at each τ² of the grid, without its constant."""
    weights: Floats = 1 / (variances + grid[:, np.newaxis])
    totals = weights.sum(axis=1)
    residuals = values - (weights @ values / totals)[:, np.newaxis]
    deviances: Floats = (weights * residuals**2).sum(axis=1) - np.log(weights).sum(axis=1)
    return deviances + np.log(totals) if restricted else deviances


def _deviance_slope(between: float, values: Floats, variances: Floats, restricted: bool) -> float:
    """The slope of the deviance by τ²."""
    weights = 1 / (variances + between)
    total = weights.sum()
    residuals = values - weights @ values / total
    counted = (weights**2).sum() / total if restricted else 0.0
    return float(total - counted - (weights**2) @ residuals**2)


_BETWEEN: Final[dict[Spread, Callable[[Floats, Floats], float]]] = {
    Spread.RESTRICTED: lambda values, variances: _likeliest(values, variances, restricted=True),
    Spread.LIKELIHOOD: lambda values, variances: _likeliest(values, variances, restricted=False),
    Spread.MOMENTS: _moments,
    Spread.NONE: lambda values, variances: 0.0,
}
