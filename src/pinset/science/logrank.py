"""Whether arms differ in times known only to lie between two checks: logrank tests by permutation.

Each unit gets a score that says how early it is among all units, arms ignored. If the arm does nothing, the scores
could as well have fallen to the arms in any other way that the draw of the trial allowed; so they are dealt out again,
within blocks, by whole batches where the whole batch got the arm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import reduce
from itertools import combinations
from math import copysign, factorial, nan, prod, sqrt
from typing import Final

import numpy as np
from scipy.special import chdtrc

from pinset.science.arrays import Floats, Integers
from pinset.science.intervals import Codes
from pinset.science.turnbull import SPECK, lay_out, solve

# Arrangements drawn at a time, so that the largest array stays small.
_AT_ONCE: Final = 1000
# Arrangements that are equally far from chance may differ by rounding.
_ROUNDING: Final = 1e-9


class Scores(StrEnum):
    """How the score of a unit weighs early and late differences.

    ``SUN`` generalises the usual logrank scores (Sun 1996, Stat. Med. 15:1387); ``FINKELSTEIN`` is the score of
    proportional hazards in grouped time (Finkelstein 1986, Biometrics 42:845); ``WILCOXON``, of proportional odds,
    weighs early differences more (Peto & Peto 1972, J. R. Stat. Soc. A 135:185).
    """

    SUN = "Sun's logrank"
    FINKELSTEIN = "Finkelstein's logrank"
    WILCOXON = "Wilcoxon-Mann-Whitney"


def scores(left: Floats, right: Floats, kind: Scores = Scores.SUN) -> Floats:
    """How early each unit (n,) is among all with times in (left, right], (n,): above zero is early; they sum to zero.

    With S the pooled survival after each innermost interval, unit i scores the mean of c over the intervals it covers,
    weighted by their masses p_j = S_(j-1) - S_j. Finkelstein: c_j = (S_(j-1) log S_(j-1) - S_j log S_j) / p_j. Sun: the
    same with the sum of -p_k / S_(k-1) for log S. Wilcoxon: c_j = S_(j-1) + S_j - 1. Raises what
    `pinset.science.intervals.estimate` raises. Source: Fay & Shaw (2010), J. Stat. Softw. 36(2), section 3.

    >>> scores(np.array([0.0, 7.0, 7.0]), np.array([7.0, 14.0, 14.0]), Scores.WILCOXON).round(4)
    array([ 0.6667, -0.3333, -0.3333])
    """
    checks = lay_out(left, right)
    found = solve(checks.covers, checks.counts[None]).masses[0]
    kept = found > SPECK
    masses = found[kept] / found[kept].sum()
    weights = checks.covers[:, kept] * masses
    each: Floats = weights @ _interval_scores(masses, kind) / weights.sum(axis=1)
    return each[checks.row]


def _interval_scores(masses: Floats, kind: Scores) -> Floats:
    survival: Floats = np.append(masses[::-1].cumsum()[::-1], 0.0)
    if kind is Scores.WILCOXON:
        return survival[:-1] + survival[1:] - 1.0
    before = survival[:-1]
    logs = np.log(before) if kind is Scores.FINKELSTEIN else -np.append(0.0, (masses / before).cumsum()[:-1])
    return -np.diff(before * logs, append=0.0) / masses


class BatchInSeveralArms(ValueError):
    """A batch that is dealt out whole must lie in one arm and one block."""


@dataclass(frozen=True, slots=True)
class TimeComparison:
    """Whether arms differ in their times.

    ``earliness`` is, arm by arm, the sum of scores beyond what chance within blocks expects: above zero means earlier.
    ``chi_square`` on ``freedom`` degrees of freedom with ``p_asymptotic`` is the form for many units; for two arms
    ``z`` is its signed root for the first arm (NaN for more). ``p`` is the share of all ``arrangements`` of the
    ``dealt`` batches (or units) among arms within blocks that lie at least as far from chance as what was seen;
    ``exact`` says that each was looked at rather than a sample. No p can lie below 1 / ``arrangements``, however clear
    the difference.
    """

    arms: tuple[str, ...]
    units: tuple[int, ...]
    dealt: int
    earliness: tuple[float, ...]
    chi_square: float
    freedom: int
    p_asymptotic: float
    z: float
    p: float
    arrangements: int
    exact: bool


def compare_times(
    left: Floats,
    right: Floats,
    arm: Codes,
    *,
    kind: Scores = Scores.SUN,
    blocks: Codes | None = None,
    clusters: Codes | None = None,
    permutations: int = 9999,
    seed: int = 0,
) -> TimeComparison:
    """Test whether arms (codes ``arm`` (n,)) differ in times in (left, right], (n,), by dealing their scores out again.

    Scores are dealt out within ``blocks`` (n,). With ``clusters`` (n,) the scores of a batch are added up and batches
    dealt out whole. If there are no more than ``permutations`` arrangements each is looked at, otherwise as many are
    drawn and p = (1 + hits) / (1 + permutations) (Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39, from
    memory). Valid where all arms are checked alike. Raises `BatchInSeveralArms` and what `scores` raises. Source of the
    chi-square: Fay & Shaw (2010), J. Stat. Softw. 36(2), its covariance summed over blocks.

    >>> left = np.array([7.0, 7.0, 9.0, 14.0, 14.0, 16.0])
    >>> found = compare_times(left, left + 3.0, np.array(list("aaabbb")))
    >>> found.arrangements, found.exact, found.p, found.earliness[0] > 0
    (20, True, 0.1, True)
    """
    names, codes = np.unique(arm, return_inverse=True)
    codes = codes.reshape(-1)
    dealt = _Dealt(scores(left, right, kind), codes, _coded(blocks, len(codes)))
    if clusters is not None:
        dealt = dealt.by_batch(_coded(clusters, len(codes)))
    groups = dealt.blocks(len(names))
    covariance = np.sum([group.covariance for group in groups], axis=0)
    inverse = np.linalg.pinv(covariance, hermitian=True)
    freedom = int(np.linalg.matrix_rank(covariance, hermitian=True))
    seen = np.sum([group.seen for group in groups], axis=0)
    chi_square = float(seen @ inverse @ seen)
    arrangements = prod(group.arrangements for group in groups)
    exact = arrangements <= permutations
    hits = _hits(_every(groups) if exact else _some(groups, permutations, seed), inverse, chi_square)
    return TimeComparison(
        arms=tuple(map(str, names)),
        units=tuple(np.bincount(codes).tolist()),
        dealt=len(dealt.score),
        earliness=tuple(seen.tolist()),
        chi_square=chi_square,
        freedom=freedom,
        p_asymptotic=float(chdtrc(freedom, chi_square)) if freedom else 1.0,
        z=copysign(sqrt(chi_square), seen[0]) if len(names) == 2 else nan,
        p=hits / arrangements if exact else (1 + hits) / (1 + permutations),
        arrangements=arrangements,
        exact=exact,
    )


def _coded(codes: Codes | None, count: int) -> Integers:
    if codes is None:
        return np.zeros(count, dtype=np.intp)
    return np.unique(codes, return_inverse=True)[1].reshape(-1)


@dataclass(frozen=True, eq=False, slots=True)
class _Dealt:
    """What is dealt out: one score, arm and block each."""

    score: Floats
    arm: Integers
    block: Integers

    def by_batch(self, batch: Integers) -> _Dealt:
        first = np.unique(batch, return_index=True)[1]
        arm, block = self.arm[first], self.block[first]
        if (arm[batch] != self.arm).any() or (block[batch] != self.block).any():
            raise BatchInSeveralArms(str(BatchInSeveralArms.__doc__))
        return _Dealt(np.bincount(batch, weights=self.score).astype(float), arm, block)

    def blocks(self, arms: int) -> list[_Block]:
        inside = [self.block == one for one in range(self.block.max() + 1)]
        return [_Block(self.score[one] - self.score[one].mean(), np.eye(arms)[self.arm[one]]) for one in inside]


@dataclass(frozen=True, eq=False, slots=True)
class _Block:
    """One block: scores beyond its mean (n,), and which arm has which, as (n, arms) of 0 and 1."""

    score: Floats
    arm: Floats

    @property
    def seen(self) -> Floats:
        return self.score @ self.arm

    @property
    def sizes(self) -> list[int]:
        return [int(size) for size in self.arm.sum(axis=0)]

    @property
    def covariance(self) -> Floats:
        """The covariance of the arms' sums over all arrangements."""
        sizes = np.array(self.sizes, dtype=float)
        variance = self.score @ self.score / max(1, len(self.score) - 1)
        return variance * (np.diag(sizes) - np.outer(sizes, sizes) / len(self.score))

    @property
    def arrangements(self) -> int:
        return factorial(len(self.score)) // prod(factorial(size) for size in self.sizes)


def _every(groups: Sequence[_Block]) -> Floats:
    """The arms' sums in every arrangement, as (arrangements, arms)."""
    each = (np.array(list(_arrangements(tuple(group.score), group.sizes))) for group in groups)
    return reduce(lambda one, other: (one[:, None, :] + other).reshape(-1, one.shape[1]), each)


def _arrangements(score: tuple[float, ...], sizes: Sequence[int]) -> Iterator[tuple[float, ...]]:
    if len(sizes) == 1:
        yield (sum(score),)
        return
    for chosen in combinations(range(len(score)), sizes[0]):
        others = tuple(one for place, one in enumerate(score) if place not in chosen)
        for rest in _arrangements(others, sizes[1:]):
            yield (sum(score[place] for place in chosen), *rest)


def _some(groups: Sequence[_Block], permutations: int, seed: int) -> Floats:
    """The arms' sums in arrangements drawn at random, as (permutations, arms)."""
    generator = np.random.default_rng(seed)
    score, arm = np.concatenate([group.score for group in groups]), np.concatenate([group.arm for group in groups])
    block = np.repeat(np.arange(len(groups)), [len(group.score) for group in groups])
    sums = []
    for start in range(0, permutations, _AT_ONCE):
        keys = block + generator.random((min(_AT_ONCE, permutations - start), len(score)))
        sums.append(score[keys.argsort(axis=1)] @ arm)
    return np.concatenate(sums)


def _hits(sums: Floats, inverse: Floats, chi_square: float) -> int:
    """How many of the arms' sums lie at least as far from chance as ``chi_square``."""
    distance = np.einsum("ra,ab,rb->r", sums, inverse, sums)
    return int(np.count_nonzero(distance >= chi_square - _ROUNDING * (1.0 + chi_square)))
