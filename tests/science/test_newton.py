"""The search ends in a minimum, whatever it starts from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from pinset.science.arrays import Floats
from pinset.science.newton import minimise


@dataclass(frozen=True)
class Seen:
    at: Floats
    value: float
    slope: Floats
    curvature: Floats
    bend: Floats


def valley(at: Floats) -> Seen:
    """Rosenbrock's curved valley, lowest at (1, 1)."""
    x, y = at
    return Seen(
        at,
        100 * (y - x**2) ** 2 + (1 - x) ** 2,
        np.array([-400 * x * (y - x**2) - 2 * (1 - x), 200 * (y - x**2)]),
        np.array([[1200 * x**2 - 400 * y + 2, -400 * x], [-400 * x, 200.0]]),
        np.array([[2400 * x, -400.0], [0.0, 0.0]]),
    )


def double_well(at: Floats) -> Seen:
    """A maximum at 0 between minima at -1 and 1."""
    (x,) = at
    return Seen(at, (x**2 - 1) ** 2, np.array([4 * x * (x**2 - 1)]), np.array([[12 * x**2 - 4]]), np.array([[24 * x]]))


def pass_between_hills(at: Floats) -> Seen:
    """A saddle at (0, 0) and minima at (0, -1) and (0, 1)."""
    x, y = at
    value = x**2 + (y**2 - 1) ** 2
    return Seen(at, value, np.array([2 * x, 4 * y * (y**2 - 1)]), np.diag([2.0, 12 * y**2 - 4]), np.diag([0.0, 24 * y]))


def endless(at: Floats) -> Seen:
    """Downhill for ever."""
    (x,) = at
    return Seen(at, -x, np.array([-1.0]), np.array([[0.0]]), np.array([[0.0]]))


def lying(at: Floats) -> Seen:
    """A slope that points the wrong way."""
    (x,) = at
    return Seen(at, abs(x), np.array([-1.0 if x >= 0 else 1.0]), np.array([[1.0]]), np.array([[0.0]]))


@pytest.mark.parametrize(
    ("look", "start", "size"),
    [
        (valley, [-1.2, 1.0], [1.0, 1.0]),
        (double_well, [0.0], [1.0]),
        (double_well, [0.3], [1.0]),
        (pass_between_hills, [0.0, 0.0], [0.0, 1.0]),
        (pass_between_hills, [2.0, -0.01], [0.0, 1.0]),
    ],
)
def test_a_minimum_is_found(look: Callable[[Floats], Seen], start: list[float], size: list[float]) -> None:
    found = minimise(look, np.array(start))
    assert found.converged
    np.testing.assert_allclose(np.abs(found.view.at + found.step), size, atol=1e-7)


def test_no_unknowns_is_a_minimum_already() -> None:
    here = Seen(np.empty(0), 1.0, np.empty(0), np.empty((0, 0)), np.empty((0, 0)))
    found = minimise(lambda _: here, here.at)
    assert (found.view, found.converged) == (here, True)


def test_a_search_without_end_says_so() -> None:
    found = minimise(endless, np.array([0.0]), steps=5)
    assert not found.converged
    assert found.view.value < 0.0


def test_a_step_that_never_helps_says_so() -> None:
    found = minimise(lying, np.array([1.0]))
    assert not found.converged
    assert found.view.at + found.step == pytest.approx([1.0])
