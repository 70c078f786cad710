from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.looks import (
    LooksOutOfOrder,
    Spending,
    confidence_for_looks,
    constant_bound,
    crossing,
    obrien_fleming_bounds,
    spending_bounds,
)

parts = st.lists(st.integers(1, 20), min_size=1, max_size=5, unique=True).map(
    lambda blocks: (np.sort(blocks) / max(blocks)).tolist()
)


def walks(fractions: list[float], count: int) -> np.ndarray:
    steps = np.sqrt(np.diff(fractions, prepend=0.0))
    moves = np.random.default_rng(77).normal(size=(count, len(fractions))) * steps
    return np.abs(moves.cumsum(axis=1) / np.sqrt(fractions))


@pytest.mark.parametrize("fractions", [[0.2, 0.5, 0.6, 1.0], [0.9, 1.0], [0.25, 0.5, 0.75, 1.0]])
def test_crossing_agrees_with_walks(fractions: list[float]) -> None:
    bounds = np.linspace(2.4, 2.0, len(fractions))
    passed = walks(fractions, 200_000) > bounds
    first = np.array([(passed[:, look] & ~passed[:, :look].any(axis=1)).mean() for look in range(len(fractions))])
    # Four standard errors of a share near 0.03 among 200,000 walks.
    np.testing.assert_allclose(crossing(bounds, np.array(fractions)), first, atol=0.0016)


def test_crossing_agrees_with_the_normal_integral() -> None:
    from scipy.stats import multivariate_normal

    fractions = np.array([0.3, 0.7, 1.0])
    bounds = np.array([2.5, 2.2, 2.0])
    covariance = np.sqrt(np.minimum.outer(fractions, fractions) / np.maximum.outer(fractions, fractions))
    normal = multivariate_normal(cov=covariance, maxpts=2_000_000, abseps=1e-8)
    inside = normal.cdf(bounds, lower_limit=-bounds, rng=np.random.default_rng(1))
    assert crossing(bounds, fractions).sum() == pytest.approx(1 - inside, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(parts, st.sampled_from([0.8, 0.95, 0.99]))
def test_all_looks_together_hold_the_level(fractions: list[float], confidence: float) -> None:
    at = np.array(fractions)
    constant = np.full(len(at), constant_bound(fractions, confidence))
    assert crossing(constant, at).sum() == pytest.approx(1 - confidence, abs=1e-8)
    assert crossing(obrien_fleming_bounds(fractions, confidence), at).sum() == pytest.approx(1 - confidence, abs=1e-8)
    for spending in Spending:
        bounds = spending_bounds(fractions, confidence, spending)
        assert crossing(bounds, at).sum() == pytest.approx(1 - confidence, abs=1e-7)


@settings(max_examples=25, deadline=None)
@given(parts)
def test_looking_widens_but_less_than_bonferroni(fractions: list[float]) -> None:
    needed = confidence_for_looks(fractions)
    assert 0.95 - 1e-9 <= needed <= 1 - 0.05 / len(fractions) + 1e-9


def test_what_unpaid_looks_cost() -> None:
    # One trial in seven with five looks (Armitage, McPherson & Rowe 1969 print .142; from memory).
    assert crossing(np.full(5, 1.959964), np.arange(1, 6) / 5).sum() == pytest.approx(0.142, abs=0.0005)


def test_late_spending_keeps_its_alarms_for_the_end() -> None:
    late, even = spending_bounds(4), spending_bounds(4, spending=Spending.EVEN)
    assert late[0] > even[0] > even[-1] > late[-1] > 1.96


def test_a_very_early_look_needs_an_endless_bound() -> None:
    assert spending_bounds([0.001, 1.0])[0] == 11.0
    assert spending_bounds([0.001, 1.0])[1] == pytest.approx(1.96, abs=1e-3)


@pytest.mark.parametrize("looks", [0, -2, [], [0.0, 1.0], [0.5, 0.5], [0.6, 0.4], [0.5, 1.2], [float("nan")]])
def test_refusals(looks: int | list[float]) -> None:
    with pytest.raises(LooksOutOfOrder):
        constant_bound(looks)
