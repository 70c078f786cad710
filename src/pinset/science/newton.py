"""The smallest value of a smooth function of a few numbers whose slope is known exactly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from pinset.science.arrays import Floats

# Below this expected gain a full step is taken unseen and is the last: Newton's error then squares to nothing,
# while the difference of two values would drown in rounding.
_LAST_GAIN: Final = 1e-10
_FLATTEST: Final = 1e-8
_ARMIJO: Final = 1e-4
_SHORTEST: Final = 2.0**-30


@dataclass(frozen=True, eq=False, slots=True)
class Minimum:
    """Where the search ended, and whether the slope vanished there."""

    at: Floats
    converged: bool


def minimise(
    slope_at: Callable[[Floats], tuple[float, Floats]], start: Floats, *, steps: int = 200
) -> Minimum:
    """Find a minimum by Newton's method with the curvature taken positive in every direction.

    ``slope_at`` gives the value and the slope at a point. Each step solves with the absolute curvature (differences
    of the slope), so that a saddle pushes away and never attracts, and is halved until the value falls by
    Armijo's rule (Nocedal & Wright 2006, Numerical Optimization, sections 3.1 and 3.4).

    >>> low = minimise(lambda x: (float(x[0] ** 4 - x[0]), 4 * x**3 - 1), np.array([2.0]))
    >>> round(float(low.at[0]), 10), low.converged
    (0.6299605249, True)
    """
    here = start
    value, slope = slope_at(here)
    for _ in range(steps):
        step, gain = _newton_step(lambda point: slope_at(point)[1], here, slope)
        if gain < _LAST_GAIN:
            return Minimum(here + step, converged=True)
        length = 1.0
        while not (trial := slope_at(here + length * step))[0] <= value - _ARMIJO * length * gain:
            length /= 2.0
            if length < _SHORTEST:
                return Minimum(here, converged=False)
        here, (value, slope) = here + length * step, trial
    return Minimum(here, converged=False)


def differences(of: Callable[[Floats], Floats], at: Floats) -> Floats:
    """The derivatives of an array by each coordinate, coordinate first, by central differences.

    >>> differences(lambda x: x**2, np.array([1.0, 3.0])).round(6)
    array([[2., 0.],
           [0., 6.]])
    """
    return np.array([(of(at + step) - of(at - step)) / (2.0 * step.sum()) for step in _nudges(at, 1e-5)])


def _newton_step(slope_at: Callable[[Floats], Floats], here: Floats, slope: Floats) -> tuple[Floats, float]:
    """The step and the fall that a slope of that size promises."""
    curvature = np.array([(slope_at(here + step) - slope) / step.sum() for step in _nudges(here, 1e-7)])
    values, vectors = np.linalg.eigh((curvature + curvature.T) / 2.0)
    steepness = np.maximum(np.abs(values), _FLATTEST * np.abs(values).max(initial=1.0))
    step = -vectors @ ((vectors.T @ slope) / steepness)
    step /= max(1.0, float(np.max(np.abs(step) / (1.0 + np.abs(here)), initial=0.0)))
    return step, float(-slope @ step)


def _nudges(at: Floats, relative: float) -> Floats:
    """One small step along each coordinate, as rows."""
    return np.diag(relative * (1.0 + np.abs(at)))
