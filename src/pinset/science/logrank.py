"""Whether arms differ in times known only to lie between two checks: logrank tests by permutation.

Each unit gets a score that says how early it is among all units, arms ignored. If the arm does nothing, the scores
could as well have fallen to the arms in any other way that the draw of the trial allowed; so they are shuffled
(`pinset.science.permutation`), within blocks, by whole batches where the whole batch got the arm.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import copysign, nan, sqrt
from typing import Any

import numpy as np
from scipy.special import chdtrc

from pinset.science.arrays import Floats, Integers
from pinset.science.intervals import Codes
from pinset.science.permutation import PermutationTest, permutation_test
from pinset.science.turnbull import SPECK, lay_out, solve


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
    """A batch that is shuffled as a whole must lie in one arm and one block."""


@dataclass(frozen=True, slots=True)
class TimeComparison:
    """Whether arms differ in their times.

    ``earliness`` is, arm by arm, the sum of scores beyond what chance within blocks expects: above zero means earlier.
    ``chi_square`` on ``freedom`` degrees of freedom with ``p_asymptotic`` is the form for many units; for two arms
    ``z`` is its signed root for the first arm (NaN for more). ``shuffled`` is the test to go by when units are few: of
    all arms at once and of each against the control, over ``dealt`` batches (or units).
    """

    arms: tuple[str, ...]
    units: tuple[int, ...]
    dealt: int
    earliness: tuple[float, ...]
    chi_square: float
    freedom: int
    p_asymptotic: float
    z: float
    shuffled: PermutationTest


def compare_times(
    left: Floats,
    right: Floats,
    arm: Codes,
    control: Any,
    *,
    kind: Scores = Scores.SUN,
    blocks: Codes | None = None,
    clusters: Codes | None = None,
    draws: int = 9_999,
    seed: int = 0,
) -> TimeComparison:
    """Test whether arms (codes ``arm`` (n,), ``control`` among them) differ in times in (left, right], (n,).

    Scores are shuffled within ``blocks`` (n,). With ``clusters`` (n,) the scores of a batch are added up and batches
    shuffled whole. ``draws`` shuffles are looked at where there are too many for all. Valid where all arms are checked
    alike. Raises `BatchInSeveralArms`, and what `scores` and `pinset.science.permutation.permutation_test` raise.
    Source of the chi-square: Fay & Shaw (2010), J. Stat. Softw. 36(2), its covariance summed over blocks.

    >>> left = np.array([7.0, 7.0, 9.0, 14.0, 14.0, 16.0])
    >>> found = compare_times(left, left + 3.0, np.array(list("aaabbb")), "a")
    >>> found.shuffled.dealings, found.shuffled.p, found.earliness[0] > 0
    (20, 0.1, True)
    """
    names, codes = np.unique(arm, return_inverse=True)
    score, got, block = scores(left, right, kind), codes.reshape(-1), _coded(blocks, len(codes))
    units = np.bincount(got).tolist()
    if clusters is not None:
        score, got, block = _by_batch(_coded(clusters, len(codes)), score, got, block)
    shuffled = permutation_test(score, names[got], block, control, draws=draws, seed=seed)
    earliness, covariance = _moments(score, got, block)
    chi_square = float(earliness @ np.linalg.pinv(covariance, hermitian=True) @ earliness)
    freedom = int(np.linalg.matrix_rank(covariance, hermitian=True))
    return TimeComparison(
        arms=tuple(map(str, names)),
        units=tuple(units),
        dealt=len(score),
        earliness=tuple(earliness.tolist()),
        chi_square=chi_square,
        freedom=freedom,
        p_asymptotic=float(chdtrc(freedom, chi_square)) if freedom else 1.0,
        z=copysign(sqrt(chi_square), earliness[0]) if len(names) == 2 else nan,
        shuffled=shuffled,
    )


def _coded(codes: Codes | None, count: int) -> Integers:
    if codes is None:
        return np.zeros(count, dtype=np.intp)
    return np.unique(codes, return_inverse=True)[1].reshape(-1)


def _by_batch(batch: Integers, score: Floats, got: Integers, block: Integers) -> tuple[Floats, Integers, Integers]:
    """Scores added up by batch, and the arm and block of each batch."""
    first = np.unique(batch, return_index=True)[1]
    if (got[first][batch] != got).any() or (block[first][batch] != block).any():
        raise BatchInSeveralArms(str(BatchInSeveralArms.__doc__))
    return np.bincount(batch, weights=score).astype(float), got[first], block[first]


def _moments(score: Floats, got: Integers, block: Integers) -> tuple[Floats, Floats]:
    """The arms' sums of scores beyond their blocks' means, and the covariance of these sums over all shuffles."""
    sizes = np.bincount(block)
    counts = np.zeros((len(sizes), got.max() + 1))
    np.add.at(counts, (block, got), 1.0)
    beyond = score - (np.bincount(block, weights=score) / sizes)[block]
    variances = np.bincount(block, weights=beyond**2) / np.maximum(sizes - 1, 1)
    covariance = np.diag(variances @ counts) - counts.T @ (counts * (variances / sizes)[:, None])
    return np.bincount(got, weights=beyond, minlength=counts.shape[1]).astype(float), covariance
