"""Shares of units, such as the share contaminated: intervals, differences and ratios that hold for few units.

Contamination strikes batches, not bags: where the batch of each unit is known, use `clustered_proportion`, which asks
how much more batches differ than chance alone would make them, and lets the units count for that much less.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, isfinite, log, nan, sqrt
from typing import Final, NamedTuple

import numpy as np
from scipy.special import betainccinv, betaincinv, chdtrc, gammaln, ndtri, stdtrit

from pinset.science.arrays import Floats, Integers
from pinset.science.intervals import Codes
from pinset.science.ratios import ratio_of_totals

# Probabilities of tables that are equally likely may differ by rounding; R's fisher.test allows the same.
_ALIKE: Final = 1e-7


class CountsDoNotFit(ValueError):
    """A share needs at least one unit, and between none and all of them counted."""


class NoneCounted(ValueError):
    """A ratio on the logarithm needs some units counted in both arms, and for odds some that are not."""


class NotSeparated(ValueError):
    """Nowhere are there units of both arms with some counted and some not, so that nothing can be compared."""


class TooFewBatches(ValueError):
    """How much batches differ shows only from two of them on."""


class Proportion(NamedTuple):
    """A share (0 to 1) with its interval at the confidence asked for."""

    value: float
    low: float
    high: float


class Contrast(NamedTuple):
    """A difference or ratio of two shares with its interval at the confidence asked for."""

    value: float
    low: float
    high: float


def wilson(count: float, total: float, confidence: float = 0.95) -> Proportion:
    """The Wilson score interval of ``count`` units out of ``total``.

    (p + z²/2n ± z √(p(1 - p)/n + z²/4n²)) / (1 + z²/n). Its average coverage is close to nominal even for few units;
    it never leaves 0 to 1 and never has no width. Raises `CountsDoNotFit`. Sources: Wilson (1927), J. Am. Stat. Assoc.
    22:209; Newcombe (1998), Stat. Med. 17:857, method 3.

    >>> [round(end, 4) for end in wilson(13, 16)]
    [0.8125, 0.5699, 0.9341]
    """
    _fit(count, total)
    return _wilson(count / total, total, _reach(confidence))


def _wilson(share: float, size: float, reach: float) -> Proportion:
    middle = share + reach**2 / (2 * size)
    half = reach * sqrt(share * (1 - share) / size + reach**2 / (4 * size**2))
    stretch = 1 + reach**2 / size
    # Where none or all are counted rounding would leave the end a little off.
    low = (middle - half) / stretch if share > 0 else 0.0
    high = (middle + half) / stretch if share < 1 else 1.0
    return Proportion(share, low, high)


def clopper_pearson(count: float, total: float, confidence: float = 0.95) -> Proportion:
    """The exact interval of ``count`` units out of ``total``: never covers less often than it says, often more.

    Its ends are the shares under which a count as high, or as low, has half of what the confidence leaves; they are
    quantiles of the Beta(count, total - count + 1) and Beta(count + 1, total - count) distributions. Raises
    `CountsDoNotFit`. Source: Clopper & Pearson (1934), Biometrika 26:404.

    >>> [round(end, 4) for end in clopper_pearson(13, 16)]
    [0.8125, 0.5435, 0.9595]
    """
    _fit(count, total)
    tail = (1 - confidence) / 2
    low = float(betaincinv(count, total - count + 1, tail)) if count > 0 else 0.0
    high = float(betainccinv(count + 1, total - count, tail)) if count < total else 1.0
    return Proportion(count / total, low, high)


def jeffreys(count: float, total: float, confidence: float = 0.95) -> Proportion:
    """The interval of ``count`` units out of ``total`` from the prior Beta(1/2, 1/2), with equal tails.

    Its end is 0 where none and 1 where all are counted. Raises `CountsDoNotFit`. Source: Brown, Cai & DasGupta (2001),
    Stat. Sci. 16:101.

    >>> [round(end, 4) for end in jeffreys(13, 16)]
    [0.8125, 0.5792, 0.9442]
    """
    _fit(count, total)
    tail = (1 - confidence) / 2
    shape = count + 0.5, total - count + 0.5
    low = float(betaincinv(*shape, tail)) if count > 0 else 0.0
    high = float(betainccinv(*shape, tail)) if count < total else 1.0
    return Proportion(count / total, low, high)


def _fit(count: float, total: float) -> None:
    if not 0 <= count <= total or total <= 0:
        raise CountsDoNotFit(str(CountsDoNotFit.__doc__))


def _reach(confidence: float) -> float:
    return float(ndtri((1 + confidence) / 2))


def difference(first: Proportion, second: Proportion) -> Contrast:
    """The first share less the second, with an interval from those of both.

    The distances of each share to its own ends are added in squares: below by the first's lower and the second's upper,
    above the other way round. With Wilson intervals this is Newcombe's hybrid score method; with intervals of
    `clustered_proportion` it counts batches. The two shares must come from different, independent units, with the same
    confidence. Source: Newcombe (1998), Stat. Med. 17:873, method 10.

    >>> [round(end, 4) for end in difference(wilson(56, 70), wilson(48, 80))]
    [0.2, 0.0524, 0.3339]
    """
    value = first.value - second.value
    below = sqrt((first.value - first.low) ** 2 + (second.high - second.value) ** 2)
    above = sqrt((first.high - first.value) ** 2 + (second.value - second.low) ** 2)
    return Contrast(value, value - below, value + above)


def ratio(first: Proportion, second: Proportion) -> Contrast:
    """The first share over the second, with an interval from those of both; it allows for counts of none.

    The ends are the ratios at which a line through the shares just leaves both intervals, squares added as in
    `difference`. Where the second share is none the ratio and its upper end are infinite; where both are, the ratio is
    not known (NaN) and anything is possible. Source: Donner & Zou (2012), Stat. Methods Med. Res. 21:347 (MOVER-R,
    from memory; checked against Fagerland, Lydersen & Laake's package contingencytables).

    >>> [round(end, 4) for end in ratio(wilson(7, 34), wilson(1, 34))]
    [7.0, 1.1537, 41.9763]
    """
    without = inf if first.value > 0 else nan
    return Contrast(
        value=first.value / second.value if second.value > 0 else without,
        low=_ratio_end(first.value, first.low, second.value, second.high, -1) if first.value > 0 else 0.0,
        high=_ratio_end(first.value, first.high, second.value, second.low, 1) if second.low > 0 else inf,
    )


def _ratio_end(first: float, first_end: float, second: float, second_end: float, side: int) -> float:
    both = first * second
    above, below = first_end * (2 * first - first_end), second_end * (2 * second - second_end)
    root = sqrt(max(0.0, both**2 - above * below))
    return above / (2 * both) if below == 0 else (both + side * root) / below


def risk_ratio(
    first: float, first_total: float, second: float, second_total: float, confidence: float = 0.95
) -> Contrast:
    """The ratio of two shares with the usual interval on the logarithm.

    log RR ± z √(1/first - 1/first_total + 1/second - 1/second_total). Valid for some ten counted in each arm; raises
    `NoneCounted` where an arm has none, for which `ratio` of two intervals is the remedy, and `CountsDoNotFit`.
    Source: Katz et al. (1978), Biometrics 34:469.

    >>> [round(end, 2) for end in risk_ratio(43, 54, 3, 21)]
    [5.57, 1.94, 16.03]
    """
    _fit(first, first_total)
    _fit(second, second_total)
    _some(first, second)
    error = sqrt(1 / first - 1 / first_total + 1 / second - 1 / second_total)
    return _on_logarithm(first / first_total * second_total / second, error, confidence)


def odds_ratio(
    first: float, first_total: float, second: float, second_total: float, confidence: float = 0.95
) -> Contrast:
    """The ratio of the odds of two shares with the usual interval on the logarithm.

    log OR ± z √(sum of one over each of the four counts). Raises `NoneCounted`, `CountsDoNotFit`. Source: Woolf (1955),
    Ann. Hum. Genet. 19:251.

    >>> round(odds_ratio(43, 54, 3, 21).value, 2)
    23.45
    """
    _fit(first, first_total)
    _fit(second, second_total)
    cells = first, first_total - first, second, second_total - second
    _some(*cells)
    error = sqrt(sum(1 / cell for cell in cells))
    return _on_logarithm(cells[0] * cells[3] / (cells[1] * cells[2]), error, confidence)


def _some(*cells: float) -> None:
    if min(cells) == 0:
        raise NoneCounted(str(NoneCounted.__doc__))


def _on_logarithm(value: float, error: float, confidence: float) -> Contrast:
    reach = _reach(confidence) * error
    return Contrast(value, exp(log(value) - reach), exp(log(value) + reach))


class ChiSquare(NamedTuple):
    """A chi-square on one degree of freedom and its p-value."""

    value: float
    p: float


def chi_square(
    first: float, first_total: float, second: float, second_total: float, *, corrected: bool = False
) -> ChiSquare:
    """Pearson's chi-square of two shares, with Yates's correction for continuity where ``corrected``.

    Valid where each of the four counts would be five or more if the shares were equal (common practice); else use
    `fisher_exact`. Raises `CountsDoNotFit`, and `NotSeparated` where all units or none are counted.

    >>> round(chi_square(43, 54, 3, 21).value, 2), round(chi_square(43, 54, 3, 21, corrected=True).value, 2)
    (27.22, 24.54)
    """
    _fit(first, first_total)
    _fit(second, second_total)
    total, counted = first_total + second_total, first + second
    margins = first_total * second_total * counted * (total - counted)
    if margins == 0:
        raise NotSeparated(str(NotSeparated.__doc__))
    apart = abs(first * second_total - second * first_total)
    if corrected:
        apart -= min(apart, total / 2)
    found = apart**2 * total / margins
    return ChiSquare(found, float(chdtrc(1, found)))


def fisher_exact(first: int, first_total: int, second: int, second_total: int) -> float:
    """The two-sided p-value of Fisher's exact test that two shares are equal, given how many are counted in all.

    The probabilities of all splits no likelier than the one seen are added. Raises `CountsDoNotFit`. Source: Fisher
    (1935), J. R. Stat. Soc. 98:39; the same two-sided rule as R's fisher.test.

    >>> round(fisher_exact(0, 16, 15, 72), 5)
    0.06287
    """
    _fit(first, first_total)
    _fit(second, second_total)
    counted = first + second
    splits = np.arange(max(0, counted - second_total), min(first_total, counted) + 1)
    logs = _log_choose(first_total, splits) + _log_choose(second_total, counted - splits)
    likely = np.exp(logs - logs.max())
    seen = likely[first - splits[0]]
    return float(likely[likely <= seen * (1 + _ALIKE)].sum() / likely.sum())


def _log_choose(total: int, chosen: Integers) -> Floats:
    chances: Floats = gammaln(total + 1) - gammaln(chosen + 1) - gammaln(total - chosen + 1)
    return chances


@dataclass(frozen=True, slots=True)
class Stratified:
    """Two arms compared within blocks: the common ratio of shares with its interval, and the test that it is one."""

    ratio: Contrast
    test: ChiSquare


def mantel_haenszel(
    first: Floats, first_totals: Floats, second: Floats, second_totals: Floats, confidence: float = 0.95
) -> Stratified:
    """The ratio of shares common to all blocks, from counts and totals of two arms in each block, (b,) each.

    RR = sum(a m / N) / sum(c n / N) over blocks with a of n in the first and c of m in the second arm; its logarithm
    has variance sum((n m (a + c) - a c N) / N²) / (sum(a m / N) sum(c n / N)). The test is Cochran's and Mantel and
    Haenszel's without correction for continuity. Holds for few large or many small blocks; units are taken as
    independent within blocks; a block without one of the arms tells nothing and does no harm. Raises `CountsDoNotFit`,
    `NoneCounted` where an arm has none in all blocks, and `NotSeparated`. Sources: Mantel & Haenszel (1959), J. Natl
    Cancer Inst. 22:719; Greenland & Robins (1985), Biometrics 41:55.

    >>> arms = [np.array(each, dtype=float) for each in ([647, 41], [1269, 69], [2, 19], [29, 51])]
    >>> [round(end, 4) for end in mantel_haenszel(*arms).ratio]
    [2.4751, 1.5831, 3.8698]
    """
    counts, totals = np.stack([first, second]), np.stack([first_totals, second_totals])
    if (counts < 0).any() or (counts > totals).any() or (totals.sum(axis=0) == 0).any():
        raise CountsDoNotFit(str(CountsDoNotFit.__doc__))
    total, counted = first_totals + second_totals, first + second
    for_first, for_second = float((first * second_totals / total).sum()), float((second * first_totals / total).sum())
    spread = (first_totals * second_totals * counted - first * second * total) / total**2
    chance = first_totals * second_totals * counted * (total - counted) / (total**2 * np.maximum(total - 1, 1))
    if chance.sum() == 0:
        raise NotSeparated(str(NotSeparated.__doc__))
    _some(for_first, for_second)
    found = float((first - first_totals * counted / total).sum() ** 2 / chance.sum())
    error = sqrt(spread.sum() / (for_first * for_second))
    ratio_of_shares = _on_logarithm(for_first / for_second, error, confidence)
    return Stratified(ratio_of_shares, ChiSquare(found, float(chdtrc(1, found))))


@dataclass(frozen=True, slots=True)
class ClusteredProportion:
    """A share of units that come in batches.

    ``design_effect`` is how many times the variance among batches is that of independent units (NaN where it cannot be
    seen); the interval of ``share`` is that of ``effective`` independent units and counts ``batches``.
    """

    share: Proportion
    design_effect: float
    effective: float
    batches: int


def design_effect(counts: Floats, totals: Floats, arm: Codes | None = None) -> float:
    """How many times as much as chance batches differ, from ``counts`` out of ``totals`` of each batch, (k,).

    d = k / (k - 1) sum((count - total p)²) / (n p (1 - p)) with p the share and n the units of all batches; over
    several arms (codes ``arm``, (k,)) sums above and below are added, each arm with its own p. NaN where all units of
    each arm are alike. Raises `CountsDoNotFit`, `TooFewBatches` where an arm has one batch alone. Source: Rao & Scott
    (1992), Biometrics 48:577.

    >>> litters = np.array([1.0, 8, 9, 8, 8, 27]), np.array([10.0, 20, 15, 16, 10, 30])
    >>> round(design_effect(*litters), 6)
    6.334514
    """
    codes = np.zeros(len(counts)) if arm is None else arm
    parts = [_design_parts(counts[codes == one], totals[codes == one]) for one in np.unique(codes)]
    between, by_chance = np.sum(parts, axis=0)
    return float(between / by_chance) if by_chance > 0 else nan


def _design_parts(counts: Floats, totals: Floats) -> tuple[float, float]:
    """The variance of an arm's total, as its batches show it and as independent units would have it."""
    if len(counts) < 2:
        raise TooFewBatches(str(TooFewBatches.__doc__))
    for one in zip(counts, totals, strict=True):
        _fit(*one)
    units = float(totals.sum())
    found = ratio_of_totals(counts, totals)
    return (found.standard_error * units) ** 2, units * found.value * (1 - found.value)


def clustered_proportion(
    counts: Floats, totals: Floats, confidence: float = 0.95, *, effect: float | None = None
) -> ClusteredProportion:
    """The share of units counted where units come in batches: ``counts`` out of ``totals`` of each batch, (k,).

    The Wilson interval of n / d independent units, with Student's t on k - 1 degrees of freedom for z. The design
    effect d is that of these batches, or ``effect`` where one is given, such as that of all arms together; below one
    it counts as one, since so few batches do not show that units of a batch shun each other. Where all or none of the
    units are counted and no effect is given, each batch counts as one unit. Raises `CountsDoNotFit`, `TooFewBatches`.
    Source: Rao & Scott (1992), Biometrics 48:577; t for z as in Korn & Graubard (1998), Surv. Methodol. 24:193 (from
    memory).

    >>> found = clustered_proportion(np.array([0.0, 6, 1, 0, 5, 0]), np.full(6, 8.0))
    >>> [round(end, 3) for end in found.share], round(found.design_effect, 2), round(found.effective, 1)
    ([0.25, 0.057, 0.649], 5.07, 9.5)
    """
    between, by_chance = _design_parts(counts, totals)
    seen = between / by_chance if by_chance > 0 else nan
    used = seen if effect is None else effect
    units = float(totals.sum())
    effective = units / max(1.0, used) if isfinite(used) else float(len(counts))
    reach = float(stdtrit(len(counts) - 1, (1 + confidence) / 2))
    return ClusteredProportion(_wilson(float(counts.sum()) / units, effective, reach), used, effective, len(counts))
