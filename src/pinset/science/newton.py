"""The smallest value of a smooth function of a few numbers whose slope and curvature are known."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Protocol, TypeVar

import numpy as np

from pinset.science.arrays import Floats

# Where a step promises less than this, differences of values drown in rounding and Newton's error squares to
# nothing: the step is taken unseen.
_LAST_GAIN: Final = 1e-7
# Where a step promises less than this it would change nothing that counts.
_NO_GAIN: Final = 1e-17
# Curvature below this share of the largest is not told from none by differences of the slope.
_FLAT: Final = 1e-7
_PUSH: Final = 0.1
# Steepness that is none at all; it only keeps a division from overflowing.
_LEAST: Final = 1e-30
_ARMIJO: Final = 1e-4
_SHORTEST: Final = 2.0**-30


class View(Protocol):
    """What a function looks like from one point (v,): its value, slope (v,) and curvature (v, v)."""

    @property
    def at(self) -> Floats:
        """The point."""

    @property
    def value(self) -> float:
        """The value there."""

    @property
    def slope(self) -> Floats:
        """The slope there."""

    @property
    def curvature(self) -> Floats:
        """The second derivatives there."""


AnyView = TypeVar("AnyView", bound=View)


def minimise(look: Callable[[Floats], AnyView], start: Floats, *, steps: int = 100) -> tuple[AnyView, bool]:
    """Find a minimum from ``start`` by Newton's method; the view from it, and whether the slope vanished there.

    Each step solves with the absolute curvature and moves on where it is downward even if the slope is nothing, so
    that no maximum or saddle is taken for a minimum. A step is halved until the value falls by Armijo's rule
    (Nocedal & Wright 2006, Numerical Optimization).

    >>> from types import SimpleNamespace
    >>> def look(x):
    ...     return SimpleNamespace(at=x, value=x[0] ** 4 - x[0], slope=4 * x**3 - 1, curvature=12 * x[:, None] ** 2)
    >>> view, converged = minimise(look, np.array([2.0]))
    >>> round(float(view.at[0]), 10), converged
    (0.6299605249, True)
    """
    here = look(start)
    for _ in range(steps):
        step, gain = _newton_step(here)
        if gain < _NO_GAIN:
            return here, True
        there, shorter = look(here.at + step), 1.0
        while gain > _LAST_GAIN and not there.value <= here.value - _ARMIJO * shorter * gain:
            shorter /= 2.0
            if shorter < _SHORTEST:
                return here, False
            there = look(here.at + shorter * step)
        here = there
    return here, False


def _newton_step(view: View) -> tuple[Floats, float]:
    """The step and the fall that slope and curvature promise.

    Coordinates are measured by their own size, so that great and small ones weigh alike; no step is longer than that.
    """
    size = 1.0 + np.abs(view.at)
    values, vectors = np.linalg.eigh(view.curvature * np.outer(size, size))
    steepness = np.abs(values)
    flat = _FLAT * float(steepness.max(initial=_LEAST))
    along = vectors.T @ (view.slope * size)
    lengths = np.abs(along) / np.maximum(steepness, flat)
    lengths[(values < -flat) & (lengths < _PUSH)] = _PUSH
    moves = np.copysign(lengths, -along)
    moves /= max(1.0, math.hypot(*moves))
    return size * (vectors @ moves), float(-along @ moves - np.minimum(values, 0.0) @ moves**2 / 2.0)
