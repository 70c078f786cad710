"""The smallest value of a smooth function of a few numbers whose slope and curvature are known."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Generic, NamedTuple, Protocol, TypeVar

import numpy as np

from pinset.science.arrays import Floats

# Where a step promises less than this, differences of values drown in rounding: it is taken unseen.
_LAST_GAIN: Final = 1e-7
# A step this short, in sizes of its coordinates, leads to the minimum: what Newton leaves is its square.
_LAST_STEP: Final = 1e-6
# Curvature below this share of the largest is not told from none by differences of the slope.
_FLAT: Final = 1e-7
_PUSH: Final = 0.1
# Steepness that is none at all; it only keeps a division from overflowing.
_LEAST: Final = 1e-30
# The share of a step beyond which an addition to it is no small one.
_MOST_BENT: Final = 0.25
_ARMIJO: Final = 1e-4
_SHORTEST: Final = 2.0**-30


class View(Protocol):
    """What a function looks like from one point (v,): its value, slope (v,), curvature and bend (v, v)."""

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

    @property
    def bend(self) -> Floats:
        """The second derivative of the slope by each coordinate alone, as rows."""


AnyView = TypeVar("AnyView", bound=View)


@dataclass(frozen=True, eq=False, slots=True)
class Minimum(Generic[AnyView]):
    """The last view, the short step that leads from there to the minimum, and whether there is one."""

    view: AnyView
    step: Floats
    converged: bool


def minimise(look: Callable[[Floats], AnyView], start: Floats, *, steps: int = 100) -> Minimum[AnyView]:
    """Find a minimum from ``start`` by Newton's method.

    Each step solves with the absolute curvature and moves on where it is downward even if the slope is nothing, so
    that no maximum or saddle is taken for a minimum. A step is halved until the value falls by Armijo's rule
    (Nocedal & Wright 2006, Numerical Optimization).

    >>> from types import SimpleNamespace
    >>> def look(x):
    ...     slope, curvature, bend = 4 * x**3 - 1, 12 * x[:, None] ** 2, 24 * x[:, None]
    ...     return SimpleNamespace(at=x, value=x[0] ** 4 - x[0], slope=slope, curvature=curvature, bend=bend)
    >>> found = minimise(look, np.array([2.0]))
    >>> round(float((found.view.at + found.step)[0]), 8), found.converged
    (0.62996052, True)
    """
    here = look(start)
    for _ in range(steps):
        move = _newton_move(here)
        if move.length < _LAST_STEP and move.gain < _LAST_GAIN:
            return Minimum(here, move.step, converged=True)
        step = move.step + _bent(here, move)
        there, shorter = look(here.at + step), 1.0
        while move.gain > _LAST_GAIN and not there.value <= here.value - _ARMIJO * shorter * move.gain:
            shorter /= 2.0
            if shorter < _SHORTEST:
                return Minimum(here, np.zeros_like(start), converged=False)
            there = look(here.at + shorter * step)
        here = there
    return Minimum(here, np.zeros_like(start), converged=False)


class _Move(NamedTuple):
    """A step, its length in sizes of its coordinates, the fall that slope and curvature promise, and its inverse."""

    step: Floats
    length: float
    gain: float
    inverse: Floats | None
    """The inverse of the curvature, where that is upward in every direction."""


def _newton_move(view: View) -> _Move:
    """Where Newton's method goes from here.

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
    length = math.hypot(*moves)
    moves /= max(1.0, length)
    gain = -along @ moves - np.minimum(values, 0.0) @ moves**2 / 2.0
    frame = size[:, None] * vectors
    upward = values.min(initial=np.inf) > flat
    return _Move(frame @ moves, length, float(gain), frame / values @ frame.T if upward else None)


def _bent(view: View, move: _Move) -> Floats:
    """Chebyshev's addition to a step for the change of the curvature along it, where that is a small one.

    It leaves the cube of the error where Newton's step leaves its square (Traub 1964, Iterative Methods for the
    Solution of Equations).
    """
    if move.inverse is None:
        return np.zeros_like(move.step)
    step, bend = move.step, view.bend
    change = step**2 @ bend + 2.0 * step * (bend @ step - bend.diagonal() * step)
    added = -move.inverse @ change / 2.0
    return added if math.hypot(*added) < _MOST_BENT * math.hypot(*step) else np.zeros_like(step)
