"""The smallest value of a smooth function of a few numbers whose slope is known exactly.

Functions take many points at once, as rows: for small problems the second point then costs next to nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from pinset.science.arrays import Floats

# Below this expected gain a full step is taken unseen and is the last: Newton's error then squares to nothing,
# while the difference of two values would drown in rounding.
_LAST_GAIN: Final = 1e-10
# Differences over this step lose as many digits to curvature as to rounding.
_NUDGE: Final = 1e-5
# Curvature below this share of the largest is not told from none by such differences.
_FLAT: Final = 1e-7
_PUSH: Final = 0.1
_ARMIJO: Final = 1e-4
_SHORTEST: Final = 2.0**-30


@dataclass(frozen=True, eq=False, slots=True)
class Minimum:
    """Where the search ended, and whether the slope vanished there."""

    at: Floats
    converged: bool


@dataclass(frozen=True, eq=False, slots=True)
class _View:
    """What the function looks like from one point."""

    at: Floats
    value: float
    slope: Floats
    curvature: Floats


def minimise(
    slopes_at: Callable[[Floats], tuple[Floats, Floats]], start: Floats, *, steps: int = 200
) -> Minimum:
    """Find a minimum by Newton's method with the curvature taken positive in every direction.

    ``slopes_at`` gives the values (s,) and the slopes (s, v) at points (s, v). Each step solves with the absolute
    curvature and moves on where it is downward even if the slope is nothing, so that no maximum or saddle is taken
    for a minimum. A step is halved until the value falls by Armijo's rule (Nocedal & Wright 2006, Numerical
    Optimization, sections 3.1 and 3.4).

    >>> low = minimise(lambda x: (x[:, 0] ** 4 - x[:, 0], 4 * x**3 - 1), np.array([2.0]))
    >>> round(float(low.at[0]), 10), low.converged
    (0.6299605249, True)
    """
    here = _look(slopes_at, start)
    for _ in range(steps):
        step, gain = _newton_step(here)
        if gain < _LAST_GAIN:
            return Minimum(here.at + step, converged=True)
        length = 1.0
        while not (there := _look(slopes_at, here.at + length * step)).value <= here.value - _ARMIJO * length * gain:
            length /= 2.0
            if length < _SHORTEST:
                return Minimum(here.at, converged=False)
        here = there
    return Minimum(here.at, converged=False)


def neighbours(at: Floats) -> Floats:
    """A point (v,) and, below it, the points a little up and then a little down each coordinate: (1 + 2v, v).

    >>> neighbours(np.array([1.0, 0.0])) - [1.0, 0.0]
    array([[ 0.e+00,  0.e+00],
           [ 2.e-05,  0.e+00],
           [ 0.e+00,  1.e-05],
           [-2.e-05,  0.e+00],
           [ 0.e+00, -1.e-05]])
    """
    nudges = np.diag(_NUDGE * (1.0 + np.abs(at)))
    return at + np.concatenate([np.zeros((1, len(at))), nudges, -nudges])


def derivatives(values: Floats, at: Floats) -> Floats:
    """The derivatives (v, ...) by each coordinate from the values (1 + 2v, ...) at the `neighbours`.

    >>> point = np.array([1.0, 3.0])
    >>> derivatives(neighbours(point) ** 2, point).round(6)
    array([[2., 0.],
           [0., 6.]])
    """
    up, down = np.split(values[1:], 2)
    widths = 2.0 * _NUDGE * (1.0 + np.abs(at))
    return (up - down) / widths.reshape(-1, *[1] * (values.ndim - 1))


def _look(slopes_at: Callable[[Floats], tuple[Floats, Floats]], at: Floats) -> _View:
    values, slopes = slopes_at(neighbours(at))
    curvature = derivatives(slopes, at)
    return _View(at, float(values[0]), slopes[0], (curvature + curvature.T) / 2.0)


def _newton_step(view: _View) -> tuple[Floats, float]:
    """The step and the fall that slope and curvature promise."""
    values, vectors = np.linalg.eigh(view.curvature)
    flat = _FLAT * np.abs(values).max(initial=1.0)
    along = vectors.T @ view.slope
    lengths = np.abs(along) / np.maximum(np.abs(values), flat)
    lengths = np.where(values < -flat, np.maximum(lengths, _PUSH), lengths)
    moves = np.copysign(lengths, -along)
    moves /= max(1.0, float(np.linalg.norm(moves)) / (1.0 + float(np.linalg.norm(view.at))))
    return vectors @ moves, float(-along @ moves - np.minimum(values, 0.0) @ moves**2 / 2.0)
