"""How a line's response changes with passage: shapes side by side, and whether passage can be told from season.

A response may rise before it falls, and it need not fall straight: a straight line is never fitted alone. What is
fitted is one value per batch, best relative to a control made the same day from fresh spawn (the difference of yields,
or of their logarithms), so that lower is worse; turn the sign of days and of contamination. None of the shapes is
chosen here: each is returned with its interval, its AICc and its error in foretelling a batch it has not seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from math import inf, log
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from pinset.science.arrays import Floats, Integers

# The control stands for itself: its response to itself is nought without any doubt.
_SURE: Final = 1e9
# A passage without a batch takes its place between its neighbours and pulls at none.
_NO_PULL: Final = 1e-9
# Fitted values and sums of squares that are equal but for rounding differ by less, relatively.
_ALIKE: Final = 1e-7
# Rank correlations above this tangle passage with time: common practice (Dormann et al. 2013, Ecography 36:27, for
# regression in general; from memory).
_TANGLED: Final = 0.7


class CannotTell(ValueError):
    """These batches tell nothing of a decline."""


class TooFewPassages(CannotTell):
    """A decline shows between at least two passages, the control's counted."""


class TooFewBatches(CannotTell):
    """How far batches of one passage lie apart shows only where a passage has at least two."""


class ControlNotFresher(CannotTell):
    """Batches are compared with a control of a lower passage than theirs; leave the control's own batches out."""


class Shape(StrEnum):
    """The shapes that are set side by side, from the plainest on."""

    LEVEL = "no change"
    LINE = "a straight line"
    BEND = "level, then a straight fall"
    FALL = "a fall of any shape"
    RISE_AND_FALL = "a rise, then a fall, of any shape"


class Finding(StrEnum):
    """What the batches say of a fall."""

    FALLS = "falls"
    NO_FALL = "no fall that matters"
    CANNOT_BE_TOLD = "cannot be told"


class Telling(StrEnum):
    """Whether passage can be told from the time of year, and why."""

    CONTROLLED = "each passage has batches with a control made the same day"
    SIDE_BY_SIDE = "batches of different passages were made at the same time"
    TANGLED = "later passages were made later"
    APART = "each passage was made at its own time"


class Estimate(NamedTuple):
    """A value with its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """A shape through the batches: its ``values`` at each passage with their interval, (p,) each.

    ``aicc`` is lower for a better shape; ``error`` is its typical miss (root mean square, in the unit of the response)
    for a batch that was left out.
    """

    values: Floats
    low: Floats
    high: Floats
    aicc: float
    error: float


@dataclass(frozen=True, eq=False, slots=True)
class Decline:
    """What batches say of a line by ``passages`` (p,), the control's first where there is one.

    ``means`` (p,) and the number of ``batches`` (p,); ``fits`` by shape; the ``slope`` of the straight line, per
    passage; the passage up to which the bend is level (``level_until``); the passage at which the rise and fall is
    highest (``peak``) and the share of resamples in which that is not the first (``rises_first``). ``falls_from`` is
    the first passage from which on the response is surely lower, or None, and ``finding`` its word.
    """

    passages: Integers
    means: Floats
    batches: Integers
    fits: Mapping[Shape, Fit]
    slope: Estimate
    level_until: Estimate
    peak: int
    rises_first: float
    falls_from: int | None
    finding: Finding

    def __str__(self) -> str:
        return self.finding if self.falls_from is None else f"{self.finding} from passage {self.falls_from} on"


@dataclass(frozen=True, slots=True)
class Season:
    """Whether passage and season can be told apart: the reason, and what it stands on.

    ``rank_correlation`` of passage and day (-1 to 1), and the share of batches with one of another passage made within
    the days asked for (``shared``).
    """

    telling: Telling
    rank_correlation: float
    shared: float

    @property
    def told_apart(self) -> bool:
        """Whether a change by passage is more than a change by season."""
        return self.telling in (Telling.CONTROLLED, Telling.SIDE_BY_SIDE)


@dataclass(frozen=True, eq=False, slots=True)
class _Batches:
    """Batches summed up by passage: their number, weight and mean at each, and how to get there from one per batch."""

    at: Integers
    row: Integers
    response: Floats
    weight: Floats
    anchor: Floats

    @property
    def weights(self) -> Floats:
        """The weight at each passage, the control's sure."""
        return np.bincount(self.row, weights=self.weight, minlength=len(self.at)) + self.anchor

    @property
    def means(self) -> Floats:
        """The weighted mean response at each passage."""
        totals = np.bincount(self.row, weights=self.weight * self.response, minlength=len(self.at))
        return np.divide(totals, self.weights, out=np.zeros(len(self.at)), where=self.weights > 0)

    @property
    def freedom(self) -> int:
        """Batches less the passages whose mean they give."""
        return len(self.response) - len(np.unique(self.row))

    @property
    def spread(self) -> float:
        """The standard deviation among batches of one passage, for a batch of weight one."""
        return float(np.sqrt(self.misses(self.means) / self.freedom))

    def misses(self, values: Floats) -> float:
        """The weighted squares of what values by passage miss the batches by."""
        return float(self.weight @ (self.response - values[self.row]) ** 2)

    def without(self, batch: int) -> tuple[Floats, Floats]:
        """Means and weights by passage without one batch; a passage left empty lies between its neighbours."""
        kept = np.arange(len(self.row)) != batch
        rest = _Batches(self.at, self.row[kept], self.response[kept], self.weight[kept], self.anchor)
        full = rest.weights > 0
        return np.interp(self.at, self.at[full], rest.means[full]), np.where(full, rest.weights, _NO_PULL)


def decline(
    passage: Integers,
    response: Floats,
    weight: Floats | None = None,
    *,
    control: int | None = 0,
    matters: float | None = None,
    confidence: float = 0.95,
    resamples: int = 2000,
    seed: int = 0,
) -> Decline:
    """How the ``response`` of batches, (n,), changes with their ``passage``, (n,): five shapes and a word.

    ``weight`` (n,), such as units made, says how much a batch counts. Responses are relative to a same-day control of
    passage ``control``, at which they are nought; give None where there is none, and they are compared with those of
    the first passage. Intervals come from resampling what batches differ by from their passage's mean, pooled over
    passages, so that one passage with a single batch is not taken for sure.

    The word: passages are tested from the last back, each by Student's t with the pooled spread among batches, until
    one is not surely below the control (one-sided, at half of what the confidence leaves). Fixing the order in advance
    holds the risk of naming a fall that is none (fixed-sequence testing: Maurer, Hothorn & Lehmacher 1995; from
    memory). Without a fall it says "no fall that matters" where the intervals leave none beyond ``matters``, in the
    unit of the response, and else that it cannot be told.

    Monotone fits are weighted least squares by the max-min formula (Barlow et al. 1972; from memory). In the AICc a
    shape counts its distinct levels and its turn. Raises `TooFewPassages`, `TooFewBatches`, `ControlNotFresher`.

    >>> passage = np.repeat([1, 2, 3, 4], 4)
    >>> response = np.array([0.1, 0.3, 0.2, 0, 0.1, -0.1, 0, 0.1, -0.9, -0.7, -0.8, -0.9, -1.5, -1.4, -1.6, -1.4])
    >>> found = decline(passage, response)
    >>> str(found), found.peak, found.level_until.value, round(found.slope.value, 2)
    ('falls from passage 3 on', 1, 2.0, -0.27)
    >>> min(found.fits, key=lambda shape: found.fits[shape].error).value
    'a rise, then a fall, of any shape'
    """
    batches = _gathered(passage, response, weight, control)
    draws = _redrawn(batches, resamples, seed)
    tail = (1 - confidence) / 2
    fits, redrawn = _fits(batches, batches.means[None]), _fits(batches, draws)
    peak, peaks = (batches.at[each[Shape.RISE_AND_FALL].argmax(axis=1)] for each in (fits, redrawn))
    lows, highs = (
        {shape: np.quantile(each, end, axis=0) for shape, each in redrawn.items()} for end in (tail, 1 - tail)
    )
    falls_from, finding = _finding(batches, control is not None, tail, matters)
    return Decline(
        passages=batches.at,
        means=batches.means,
        batches=np.bincount(batches.row, minlength=len(batches.at)),
        fits={
            shape: Fit(values[0], lows[shape], highs[shape], _aicc(batches, shape, values[0]), _error(batches, shape))
            for shape, values in fits.items()
        },
        slope=_estimate(partial(_slope, batches.at), fits[Shape.LINE], redrawn[Shape.LINE], tail),
        level_until=_estimate(partial(_level_until, batches.at), fits[Shape.BEND], redrawn[Shape.BEND], tail),
        peak=int(peak[0]),
        rises_first=float(np.mean(peaks > batches.at[0])),
        falls_from=falls_from,
        finding=finding,
    )


def _gathered(passage: Integers, response: Floats, weight: Floats | None, control: int | None) -> _Batches:
    first = [] if control is None else [control]
    if len(passage) and passage.min() <= max(first, default=-inf):
        raise ControlNotFresher(ControlNotFresher.__doc__)
    at = np.unique(np.append(np.asarray(passage, dtype=np.intp), first).astype(np.intp))
    if len(at) < 2:
        raise TooFewPassages(TooFewPassages.__doc__)
    counts = np.ones(len(response)) if weight is None else np.asarray(weight, dtype=float)
    anchor = np.where(np.isin(at, first), _SURE * counts.sum(), 0.0)
    found = _Batches(at, np.searchsorted(at, passage), np.asarray(response, dtype=float), counts, anchor)
    if found.freedom < 1:
        raise TooFewBatches(TooFewBatches.__doc__)
    return found


def _redrawn(batches: _Batches, resamples: int, seed: int) -> Floats:
    """Means by passage had other batches been made, (resamples, p)."""
    roots = np.sqrt(batches.weight)
    rest = roots * (batches.response - batches.means[batches.row])
    rest = (rest - rest.mean()) * np.sqrt(len(rest) / batches.freedom)
    drawn = np.random.default_rng(seed).choice(rest, size=(resamples, len(rest)))
    share = np.zeros((len(rest), len(batches.at)))
    share[np.arange(len(rest)), batches.row] = roots / batches.weights[batches.row]
    means: Floats = batches.means + drawn @ share
    return means


def _fits(batches: _Batches, means: Floats) -> dict[Shape, Floats]:
    return {shape: fit(batches.at, means, batches.weights) for shape, fit in _SHAPES.items()}


def _level(at: Integers, means: Floats, weights: Floats) -> Floats:
    return _projected(np.ones((len(at), 1)), means, weights)


def _line(at: Integers, means: Floats, weights: Floats) -> Floats:
    return _projected(np.stack([np.ones(len(at)), at], axis=1), means, weights)


def _projected(terms: Floats, means: Floats, weights: Floats) -> Floats:
    """Weighted least squares of each row of means on the terms (p, t)."""
    roots = np.sqrt(weights)
    fitted: Floats = means @ (terms @ np.linalg.pinv(terms * roots[:, None]) * roots).T
    return fitted


def _bend(at: Integers, means: Floats, weights: Floats) -> Floats:
    """Level up to some passage, then a straight line downward: the best of all passages to bend at."""
    level = _level(at, means, weights)
    fits = [level]
    for knee in at[:-1]:
        bent = _projected(np.stack([np.ones(len(at)), np.maximum(0, at - knee)], axis=1), means, weights)
        fits.append(np.where(bent[:, -1:] < bent[:, :1], bent, level))
    return _best(np.stack(fits), means, weights)


def _fall(at: Integers, means: Floats, weights: Floats) -> Floats:
    return -_rising(-means, weights)


def _rise_and_fall(at: Integers, means: Floats, weights: Floats) -> Floats:
    """The best of all ways to rise over the first passages and fall over the rest."""
    fits = [-_rising(-means, weights)]
    fits += [
        np.concatenate([_rising(means[:, :turn], weights[:turn]), -_rising(-means[:, turn:], weights[turn:])], axis=1)
        for turn in range(1, len(at))
    ]
    return _best(np.stack(fits), means, weights)


def _rising(means: Floats, weights: Floats) -> Floats:
    """The nearest values to each row of means that never fall: max over a <= i of min over b >= i of mean(a to b)."""
    place = np.arange(means.shape[1])
    within = (place[:, None, None] >= place[:, None]) & (place[:, None, None] <= place)
    weight = np.tensordot(weights, within, axes=1)
    between = np.tensordot(means * weights, within, axes=1) / np.where(weight > 0, weight, 1.0)
    return np.stack([between[:, : i + 1, i:].min(axis=2).max(axis=1) for i in place], axis=1)


def _best(fits: Floats, means: Floats, weights: Floats) -> Floats:
    """Of several fits (f, r, p) to each row of means the one with the least weighted squares, the first of equals."""
    squares = ((fits - means) ** 2) @ weights
    found: Floats = np.take_along_axis(fits, _first_least(squares)[None, :, None], axis=0)[0]
    return found


def _first_least(squares: Floats) -> Integers:
    """The first of each column that is least but for rounding."""
    near: Integers = (squares <= squares.min(axis=0) * (1 + _ALIKE)).argmax(axis=0)
    return near


_SHAPES: Final[Mapping[Shape, Callable[[Integers, Floats, Floats], Floats]]] = {
    Shape.LEVEL: _level,
    Shape.LINE: _line,
    Shape.BEND: _bend,
    Shape.FALL: _fall,
    Shape.RISE_AND_FALL: _rise_and_fall,
}


def _slope(at: Integers, fitted: Floats) -> Floats:
    slopes: Floats = (fitted[:, -1] - fitted[:, 0]) / (at[-1] - at[0])
    return slopes


def _level_until(at: Integers, fitted: Floats) -> Floats:
    """The last passage at which each bend is still level."""
    level = fitted[:, :1] - fitted <= _ALIKE * np.abs(fitted).max(axis=1, keepdims=True)
    last: Floats = at[level.sum(axis=1) - 1].astype(float)
    return last


def _estimate(what: Callable[[Floats], Floats], fitted: Floats, drawn: Floats, tail: float) -> Estimate:
    low, high = np.quantile(what(drawn), [tail, 1 - tail])
    return Estimate(float(what(fitted)[0]), float(low), float(high))


def _levels(values: Floats) -> int:
    return 1 + int(np.sum(np.diff(np.sort(values)) > _ALIKE * np.abs(values).max()))


def _parameters(batches: _Batches, shape: Shape, values: Floats) -> int:
    """What a shape takes from the data, with the spread among batches; the control gives one level for nothing."""
    counted = {Shape.LEVEL: 1, Shape.LINE: 2, Shape.BEND: 3, Shape.FALL: _levels(values)}
    return counted.get(shape, _levels(values) + 1) + 1 - int(batches.anchor.any())


def _aicc(batches: _Batches, shape: Shape, values: Floats) -> float:
    """Akaike's criterion with its correction for few data, n ln(RSS / n) + 2 k + 2 k (k + 1) / (n - k - 1)."""
    count, taken = len(batches.response), _parameters(batches, shape, values)
    if count - taken - 1 <= 0:
        return inf
    misses = max(batches.misses(values), np.finfo(float).tiny)
    return count * log(misses / count) + 2 * taken + 2 * taken * (taken + 1) / (count - taken - 1)


def _error(batches: _Batches, shape: Shape) -> float:
    """The root mean square by which a shape misses each batch when it is fitted to the others."""
    missed = np.array(list(_missed(batches, shape)))
    return float(np.sqrt(batches.weight @ missed**2 / batches.weight.sum()))


def _missed(batches: _Batches, shape: Shape) -> Iterator[float]:
    for batch, (row, response) in enumerate(zip(batches.row, batches.response, strict=True)):
        means, weights = batches.without(batch)
        yield response - float(_SHAPES[shape](batches.at, means[None], weights)[0, row])


def _finding(batches: _Batches, controlled: bool, tail: float, matters: float | None) -> tuple[int | None, Finding]:
    """The first passage of an unbroken row of sure falls at the end, and the word."""
    errors = batches.spread / np.sqrt(batches.weights)
    above = 0.0 if controlled else errors[0]
    reach = float(stdtrit(batches.freedom, 1 - tail)) * np.hypot(errors, above)[1:]
    change = (batches.means - batches.means[0])[1:]
    row = (change + reach < 0)[::-1]
    falling = len(row) if row.all() else int(row.argmin())
    if falling:
        return int(batches.at[-falling]), Finding.FALLS
    none = matters is not None and bool(np.all(change - reach > -matters))
    return None, Finding.NO_FALL if none else Finding.CANNOT_BE_TOLD


def season(passage: Integers, day: Floats, controlled: NDArray[np.bool_], *, near: float = 7.0) -> Season:
    """Whether a change by ``passage`` can be told from one by season, (n,) batches made on some ``day`` (a number).

    Each passage must have batches ``controlled`` by one of fresh spawn made the same day, or else batches of different
    passages must have been made within ``near`` days of each other, and passage must not run with time: the rank
    correlation of the two at most 0.7. Raises `TooFewPassages`.

    >>> no_control = np.zeros(6, dtype=bool)
    >>> season(np.array([1, 1, 2, 2, 3, 3]), np.array([0.0, 1, 30, 31, 60, 61]), no_control).telling.value
    'each passage was made at its own time'
    >>> season(np.array([1, 2, 3, 1, 2, 3]), np.array([0.0, 1, 2, 30, 31, 32]), no_control).told_apart
    True
    """
    levels = np.unique(passage)
    if len(levels) < 2:
        raise TooFewPassages(TooFewPassages.__doc__)
    correlation = _rank_correlation(passage.astype(float), day)
    beside = (np.abs(day[:, None] - day) <= near) & (passage[:, None] != passage)
    shared = float(beside.any(axis=1).mean())
    if all(controlled[passage == level].any() for level in levels):
        telling = Telling.CONTROLLED
    elif shared == 0:
        telling = Telling.APART
    else:
        telling = Telling.TANGLED if abs(correlation) > _TANGLED else Telling.SIDE_BY_SIDE
    return Season(telling, correlation, shared)


def _rank_correlation(one: Floats, other: Floats) -> float:
    """Spearman's, with mean ranks for equal values; nought where one of them does not change."""
    first, second = (_ranks(each) - (len(each) - 1) / 2 for each in (one, other))
    size = float(np.sqrt((first @ first) * (second @ second)))
    return float(first @ second) / size if size > 0 else 0.0


def _ranks(values: Floats) -> Floats:
    _, place, counts = np.unique(values, return_inverse=True, return_counts=True)
    ranks: Floats = (counts.cumsum() - (counts + 1) / 2)[place.reshape(-1)]
    return ranks
