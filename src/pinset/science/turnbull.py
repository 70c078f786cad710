"""The likeliest spread of times that were only seen to lie between two checks, for many weightings at once.

A unit found not yet done at one check and done at the next has its time in (left, right]. The likelihood can put mass
only on the innermost intervals, those that begin at some left end and close at the very next right end (Turnbull 1976,
J. R. Stat. Soc. B 38:290). With A the 0/1 matrix that says which observation covers which of them, the masses p are::

    maximise  sum_i w_i log (A p)_i    over p >= 0, sum_j p_j = 1

This is concave, so p is the maximum if and only if no interval gains by more mass: with the slopes
d_j = sum_i w_i A_ij / (A p)_i and sum_i w_i = 1, d_j <= 1 for every j (Gentleman & Geyer 1994, Biometrika 81:618).
Concavity makes the condition a certificate too: the mean log-likelihood of p lies below the maximum by at most
max_j d_j - 1, the gap.

Turnbull's own iteration p_j <- p_j d_j (EM) needs thousands of rounds where masses go to zero. The primal-dual interior
point method below needs some fifteen, each a small linear system (the problem as a convex program: Koenker & Mizera
2014, J. Am. Stat. Assoc. 109:674; the method: Boyd & Vandenberghe 2004, Convex Optimization, section 11.7; all from
memory). Every resample of a bootstrap is only another w over the same A, so all of them are solved side by side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from pinset.science.arrays import Floats, Integers

GAP: Final = 1e-10
"""How far, in mean log-likelihood, a solution may lie below the maximum."""

SPECK: Final = 1e-6
"""Masses below this are how far the method stops from zero, not shares of units."""

_MOST_ROUNDS: Final = 200
# Each round aims for a tenth of the present distance from the maximum and stops just short of zero masses.
_CENTRING: Final = 0.1
_SHORT_OF_ZERO: Final = 0.95
_LEAST_SLACK: Final = 0.1
# Numbers that the largest array holds while weightings are solved side by side: what fits a processor's cache.
_HELD: Final = 50_000


class NoSuchTimes(ValueError):
    """These cannot be interval-censored times."""


class NothingSeen(NoSuchTimes):
    """There is not one observation."""


class EndMissing(NoSuchTimes):
    """Every observation needs a left end that is a finite number and a right end that is a number or infinite."""


class EndsTurned(NoSuchTimes):
    """A right end lies before its left end."""


@dataclass(frozen=True, eq=False, slots=True)
class Checks:
    """The distinct observations of a set, and the innermost intervals on which their likelihood can put mass.

    The ends of all observations are ranked, so that "no later than" is a comparison of whole numbers: at the same time
    the closed left end of an exactly known time comes first, then right ends, then open left ends. ``when`` (r,) is the
    time of each rank; ``starts`` and ``ends`` (n,) are the ranks of the distinct observations; innermost interval j
    goes from rank ``first[j]`` to the rank after it; ``covers`` (n, m) is the matrix A; ``row`` says for each original
    observation which of the n it is.
    """

    row: Integers
    when: Floats
    starts: Integers
    ends: Integers
    first: Integers
    covers: Floats

    @property
    def counts(self) -> Floats:
        """How many original observations each distinct one stands for."""
        return np.bincount(self.row, minlength=len(self.starts)).astype(float)


def lay_out(left: Floats, right: Floats) -> Checks:
    """Find the distinct observations and innermost intervals of (left, right], shape (n,) each, any unit of time.

    A right end may be infinite (not yet done at the last check); equal ends are an exactly known time.
    Raises `NothingSeen`, `EndMissing`, `EndsTurned`. Source: Turnbull (1976).

    >>> checks = lay_out(np.array([0.0, 5.0, 8.0]), np.array([7.0, 11.0, np.inf]))
    >>> checks.when[checks.first], checks.when[checks.first + 1]
    (array([5., 8.]), array([ 7., 11.]))
    """
    left, right = sound(left, right)
    pairs, row = np.unique(np.column_stack([left, right]), axis=0, return_inverse=True)
    exact = pairs[:, 0] == pairs[:, 1]
    opening = np.column_stack([pairs[:, 0], np.where(exact, -1.0, 1.0)])
    closing = np.column_stack([pairs[:, 1], np.zeros(len(pairs))])
    keys, rank = np.unique(np.concatenate([opening, closing]), axis=0, return_inverse=True)
    starts, ends = rank.reshape(2, len(pairs))
    closes = keys[:, 1] == 0.0
    first = np.flatnonzero(~closes[:-1] & closes[1:])
    covers = (starts[:, None] <= first) & (first < ends[:, None])
    return Checks(row.reshape(-1), keys[:, 0], starts, ends, first, covers.astype(float))


def sound(left: Floats, right: Floats) -> tuple[Floats, Floats]:
    """The ends as arrays of numbers, once they are known to be interval-censored times.

    Raises `NothingSeen`, `EndMissing`, `EndsTurned`.

    >>> sound(np.array([7]), np.array([np.inf]))
    (array([7.]), array([inf]))
    """
    left, right = np.atleast_1d(left).astype(float), np.atleast_1d(right).astype(float)
    if not len(left):
        raise NothingSeen(str(NothingSeen.__doc__))
    if not np.isfinite(left).all() or np.isnan(right).any():
        raise EndMissing(str(EndMissing.__doc__))
    if (right < left).any():
        raise EndsTurned(str(EndsTurned.__doc__))
    return left, right


class Solution(NamedTuple):
    """Masses (b, m) for each weighting, its gap (b,) below the maximum mean log-likelihood, and the rounds taken."""

    masses: Floats
    gaps: Floats
    rounds: int


def solve(covers: Floats, weights: Floats, gap: float = GAP) -> Solution:
    """The likeliest masses for each row of ``weights`` (b, n) over the observations of ``covers`` (n, m).

    Weights are not negative and each row has some. The gap of every solution is at most ``gap`` unless rounding stops
    it earlier; it is returned so that a caller can check.

    >>> covers = np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> solve(covers, np.array([[2.0, 5.0, 1.0]])).masses.round(6)
    array([[0.666667, 0.333333]])
    """
    shares = weights / weights.sum(axis=1, keepdims=True)
    at_once = max(1, _HELD // (covers.shape[1] * max(covers.shape)))
    parts = [_climb(covers, shares[start : start + at_once], gap) for start in range(0, len(shares), at_once)]
    masses, gaps, rounds = zip(*parts, strict=True)
    return Solution(np.concatenate(masses), np.concatenate(gaps), max(rounds))


def _climb(covers: Floats, shares: Floats, gap: float) -> Solution:
    masses = np.full((len(shares), covers.shape[1]), 1.0 / covers.shape[1])
    seen, slopes, gaps = _standing(covers, shares, masses)
    slacks = np.maximum(1.0 - slopes, _LEAST_SLACK)
    rounds = 0
    least = gap / (4 * covers.shape[1])
    while gaps.max() > gap and rounds < _MOST_ROUNDS:
        aim = np.maximum(_CENTRING * (masses * slacks).mean(axis=1, keepdims=True), least)
        masses, slacks = _nearer(covers, shares / seen**2, slopes, masses, slacks, aim)
        seen, slopes, gaps = _standing(covers, shares, masses)
        rounds += 1
    return Solution(masses / masses.sum(axis=1, keepdims=True), gaps, rounds)


def _standing(covers: Floats, shares: Floats, masses: Floats) -> tuple[Floats, Floats, Floats]:
    """The probability of each observation, the slopes d, and the gap."""
    seen = masses @ covers.T
    slopes = (shares / seen) @ covers
    return seen, slopes, slopes.max(axis=1) * masses.sum(axis=1) - 1.0


def _nearer(
    covers: Floats, curving: Floats, slopes: Floats, masses: Floats, slacks: Floats, aim: Floats
) -> tuple[Floats, Floats]:
    """One Newton step towards slopes + slacks = 1 and masses * slacks = ``aim`` (b, 1).

    The aim stays above zero: where a resample cannot tell two intervals apart, only the slacks keep the system regular.
    """
    many, wide = masses.shape
    spread = (covers.T * curving[:, None, :]).reshape(many * wide, len(covers)) @ covers
    root = np.sqrt(masses)
    system = root[:, :, None] * spread.reshape(many, wide, wide) * root[:, None, :]
    system[:, np.arange(wide), np.arange(wide)] += slacks
    pull = root * (slopes - 1.0 + aim / masses)
    step = root * np.linalg.solve(system, pull[:, :, None])[:, :, 0]
    slack_step = (aim - slacks * step) / masses - slacks
    return masses + _within(masses, step) * step, slacks + _within(slacks, slack_step) * slack_step


def _within(values: Floats, steps: Floats) -> Floats:
    """How much of each row's step can be taken with all values staying above zero, as (b, 1)."""
    steepest = (-steps / values).max(axis=1, keepdims=True)
    part: Floats = _SHORT_OF_ZERO / np.maximum(steepest, _SHORT_OF_ZERO)
    return part


def widened(checks: Checks, weights: Floats) -> tuple[Floats, Floats]:
    """For each weighting (b, n), the ends (b, m) between which each innermost interval's mass may lie.

    Where a resample lacks some observations, fewer ends tell the times apart, and the mass of an innermost interval of
    the whole may lie anywhere between the nearest ends that are left. With every observation present the ends are
    those of the innermost intervals themselves.
    """
    ranks = np.arange(len(checks.when))
    present = weights > 0
    opened = np.where(present @ (checks.starts[:, None] == ranks), ranks, 0)
    closed = np.where(present @ (checks.ends[:, None] == ranks), ranks, ranks[-1])
    lower = np.maximum.accumulate(opened, axis=1)[:, checks.first]
    upper = np.minimum.accumulate(closed[:, ::-1], axis=1)[:, ::-1][:, checks.first + 1]
    return checks.when[lower], checks.when[upper]
