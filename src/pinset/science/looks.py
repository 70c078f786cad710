"""Looking at a trial before it is done, and paying for it in the width of the interval.

Who looks five times and stops when the usual interval leaves nought out will see a difference that is not there in
one trial of seven, not in one of twenty. If the bounds are set so that all looks together miss in one of
twenty, stopping is free at any of them, and the interval at each look holds (repeated confidence intervals: Jennison &
Turnbull 1989, J. R. Stat. Soc. B 51:305; from memory).

The statistic at look k is z_k = B(t_k) / √t_k with B a Brownian motion and t_k the part of all blocks then done. The
chance of staying within ±c_k until look k follows by integrating the density of B look by look (Armitage, McPherson &
Rowe 1969, J. R. Stat. Soc. A 132:235), here by Gauss-Legendre quadrature. With few blocks the bound goes over to
Student's t by its nominal p-value, which is Pocock's advice (Biometrika 1977, 64:191); both from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import Final

import numpy as np
from scipy.special import ndtr, ndtri

from pinset.science.arrays import Floats

# Bounds beyond this are as good as none: the normal tail there is below 1e-28.
_HIGHEST: Final = 11.0
# Nodes for each standard deviation of the narrowest step; twice as many change no result by 1e-9.
_DENSITY: Final = 3
# Chances below this are lost in rounding, and so is any bound that would spend them.
_ROUNDING: Final = 1e-14


class LooksOutOfOrder(ValueError):
    """Looks are given as rising parts of the planned blocks, above 0 and at most 1, or as their count, at least 1."""


class Spending(StrEnum):
    """How fast the chance of a false alarm is spent as the trial goes on.

    ``LATE`` keeps nearly all of it for the end (O'Brien & Fleming's kind); ``EVEN`` gives early looks their
    share (Pocock's kind). Both from Lan & DeMets (1983), Biometrika 70:659; from memory.
    """

    LATE = "O'Brien-Fleming kind"
    EVEN = "Pocock kind"


def confidence_for_looks(looks: int | Sequence[float], confidence: float = 0.95) -> float:
    """The confidence that each look's interval needs so that all of them together hold at ``confidence``.

    ``looks`` is how often the trial was looked at, this time included (evenly spaced), or the parts of the planned
    blocks that were done at each look. The bound is the same at every look (Pocock 1977), as fits a grower who
    looks unplanned and may stop at any of them.

    >>> [round(confidence_for_looks(looks), 4) for looks in (1, 2, 5)]
    [0.95, 0.9706, 0.9842]
    """
    return float(1 - 2 * ndtr(-constant_bound(looks, confidence)))


def constant_bound(looks: int | Sequence[float], confidence: float = 0.95) -> float:
    """Pocock's bound: the one z that all looks together pass by chance with 1 - ``confidence``, whichever the side.

    ``looks`` as for `confidence_for_looks`. Raises `LooksOutOfOrder`.

    >>> [round(constant_bound(looks), 3) for looks in (1, 2, 3, 4, 5)]
    [1.96, 2.178, 2.289, 2.361, 2.413]
    """
    fractions = _fractions(looks)
    return _solved(lambda bound: crossing(np.full(len(fractions), bound), fractions).sum(), 1 - confidence)


def obrien_fleming_bounds(looks: int | Sequence[float], confidence: float = 0.95) -> Floats:
    """Bounds c / √t, hard to pass early and close to the usual one at the end (O'Brien & Fleming 1979; from memory).

    ``looks`` as for `confidence_for_looks`, planned beforehand and ending with 1. Raises `LooksOutOfOrder`.

    >>> obrien_fleming_bounds(3).round(3).tolist()
    [3.471, 2.454, 2.004]
    """
    fractions = _fractions(looks)
    shape = 1 / np.sqrt(fractions)
    bounds: Floats = shape * _solved(lambda bound: crossing(bound * shape, fractions).sum(), 1 - confidence)
    return bounds


def spending_bounds(
    looks: int | Sequence[float], confidence: float = 0.95, spending: Spending = Spending.LATE
) -> Floats:
    """Bounds that spend the chance of a false alarm by a function of how much is done (Lan & DeMets 1983).

    Neither the number of looks nor their times need be planned, only the end. With α = 1 - confidence::

        LATE   α(t) = 4 - 4 Φ(z / √t),  z the normal quantile at 1 - α/4 (each side spends its half)
        EVEN   α(t) = α ln(1 + (e - 1) t)

    ``looks`` as for `confidence_for_looks`. Raises `LooksOutOfOrder`.

    >>> spending_bounds([0.5, 1.0]).round(3).tolist()
    [2.963, 1.969]
    """
    fractions = _fractions(looks)
    spent = np.diff(_spent(fractions, 1 - confidence, spending), prepend=0.0)
    bounds = np.empty(len(fractions))
    for look, share in enumerate(spent):
        upto = fractions[: look + 1]

        def alarm(bound: float, look: int = look, upto: Floats = upto) -> float:
            return float(crossing(np.append(bounds[:look], bound), upto)[-1])

        bounds[look] = _solved(alarm, share)
    return bounds


def crossing(bounds: Floats, fractions: Floats) -> Floats:
    """The chance that |z| first passes its bound at each look, where there is no difference.

    ``bounds`` (looks,) are above 0, ``fractions`` (looks,) rise and are at most 1.

    >>> crossing(np.array([1.96, 1.96]), np.array([0.5, 1.0])).round(4).tolist()
    [0.05, 0.0331]
    """
    edges = np.minimum(bounds, _HIGHEST) * np.sqrt(fractions)
    steps = np.sqrt(np.diff(fractions, prepend=0.0))
    nodes, weights = np.polynomial.legendre.leggauss(int(24 + _DENSITY * (2 * edges / steps).max()))
    within = [1.0]
    places, density = np.zeros(1), np.ones(1)
    for edge, step in zip(edges, steps, strict=True):
        further = edge * nodes
        apart = (further[:, np.newaxis] - places) / step
        density = edge * weights * (np.exp(-(apart**2) / 2) @ density) / (step * np.sqrt(2 * np.pi))
        places = further
        within.append(density.sum())
    return -np.diff(within)


def _fractions(looks: int | Sequence[float]) -> Floats:
    """The part done at each look."""
    fractions = np.arange(1, looks + 1) / looks if isinstance(looks, int) and looks > 0 else np.atleast_1d(looks)
    steps = np.diff(fractions, prepend=0.0)
    if not len(fractions) or not (steps > 0).all() or fractions[-1] > 1:
        raise LooksOutOfOrder(LooksOutOfOrder.__doc__)
    return fractions.astype(np.float64)


def _spent(fractions: Floats, alarm: float, spending: Spending) -> Floats:
    """How much of the chance of a false alarm is spent when each part is done."""
    spent: Floats
    if spending is Spending.LATE:
        spent = 4 * ndtr(ndtri(alarm / 4) / np.sqrt(fractions))
    else:
        spent = alarm * np.log1p((np.e - 1) * fractions)
    return spent


def _solved(alarm: Callable[[float], float], wanted: float) -> float:
    """The bound at which the chance of an alarm is as wanted."""
    from scipy.optimize import brentq

    if wanted < _ROUNDING:
        return _HIGHEST
    return float(brentq(lambda bound: alarm(bound) - wanted, 1e-3, _HIGHEST, xtol=1e-10))
