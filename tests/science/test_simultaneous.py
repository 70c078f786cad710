"""The joint probability against cases that are known without integration, and the two ways against each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import ndtr, stdtr, stdtrit

from pinset.science.contrasts import cell_means, contrast
from pinset.science.mixed import Grouping, crossed, fit
from pinset.science.simultaneous import (
    NotACorrelation,
    TooManyComparisons,
    _lattice_coverage,
    against_control,
    critical_value,
    joint_coverage,
    simultaneous,
)

# Correlations of all three differences among three equal means: one of them negative, so no products.
AMONG_THREE = np.array([[1.0, 0.5, -0.5], [0.5, 1.0, 0.5], [-0.5, 0.5, 1.0]])


def products(loadings: list[float]) -> np.ndarray:
    matrix = np.outer(loadings, loadings)
    np.fill_diagonal(matrix, 1.0)
    return matrix


@pytest.mark.parametrize("df", [1.0, 1.7, 5.0, 33.3, 2000.0])
def test_one_comparison_is_student(df: float) -> None:
    assert joint_coverage(2.1, [[1.0]], df).probability == pytest.approx(1 - 2 * stdtr(df, -2.1), abs=1e-9)
    assert critical_value([[1.0]], df) == pytest.approx(stdtrit(df, 0.975), rel=1e-8)


def test_independent_normal_comparisons_multiply() -> None:
    found = joint_coverage(2.0, np.eye(4)).probability
    assert found == pytest.approx((2 * ndtr(2.0) - 1) ** 4, abs=1e-10)


def test_two_normal_comparisons_by_sheppard() -> None:
    """At a bound of nothing the density of |t| is flat: coverage over bound² tends to 2 / (pi * sqrt(1 - rho²))."""
    found = joint_coverage(1e-3, products([0.8, 0.6])).probability / 1e-6
    assert found == pytest.approx(2 / (math.pi * math.sqrt(1 - 0.48**2)), rel=1e-4)


@given(st.lists(st.floats(-0.99, 0.99), min_size=1, max_size=6), st.floats(1.0, 300.0), st.floats(0.1, 6.0))
@settings(max_examples=50, deadline=None)
def test_signs_do_not_matter_and_bonferroni_bounds(loadings: list[float], df: float, bound: float) -> None:
    found = joint_coverage(bound, products(loadings), df)
    turned = joint_coverage(bound, products([abs(loading) for loading in loadings]), df)
    outside = 2 * stdtr(df, -bound)
    assert found.probability == pytest.approx(turned.probability, abs=1e-9)
    assert 1 - len(loadings) * outside - found.error <= found.probability <= 1 - outside + found.error


@pytest.mark.parametrize("df", [2.0, 11.5, math.inf])
@pytest.mark.parametrize("loadings", [[0.7, 0.7, 0.7, 0.7], [0.9, 0.2, -0.5, 0.6]])
@pytest.mark.parametrize("off", [1e-3, 8e-3, 3e-2])
def test_the_three_ways_agree_within_their_errors(off: float, loadings: list[float], df: float) -> None:
    """Products, nearly products by the slope, and far from products by the lattice."""
    correlation = products(loadings)
    correlation[0, 1] = correlation[1, 0] = correlation[0, 1] + off
    found, by_lattice = joint_coverage(2.2, correlation, df), _lattice_coverage(correlation, df)(2.2)
    assert found.error < (1e-4 if off < 1e-2 else 1e-3)
    assert found.probability == pytest.approx(by_lattice.probability, abs=found.error + by_lattice.error)


@pytest.mark.parametrize("loadings", [[0.7, 0.7, 0.7, 0.7], [0.9, 0.2, -0.5, 0.6]])
def test_the_slope_is_that_of_the_lattice(loadings: list[float]) -> None:
    correlation, off = products(loadings), 1e-2
    correlation[0, 1] += off
    correlation[1, 0] += off
    change = joint_coverage(1.6, correlation, 9).probability - joint_coverage(1.6, products(loadings), 9).probability
    lattice = (
        _lattice_coverage(correlation, 9)(1.6).probability - _lattice_coverage(products(loadings), 9)(1.6).probability
    )
    assert change == pytest.approx(lattice, rel=0.1)


def test_all_pairs_of_three_are_tukeys_range() -> None:
    known = stats.studentized_range.ppf(0.95, 3, 10) / math.sqrt(2)
    found = critical_value(AMONG_THREE, 10)
    error = joint_coverage(found, AMONG_THREE, 10).error
    assert found == pytest.approx(known, abs=5e-3)
    assert joint_coverage(known, AMONG_THREE, 10).probability == pytest.approx(0.95, abs=error)


def test_the_same_answer_every_time() -> None:
    assert joint_coverage(2.3, AMONG_THREE, 7) == joint_coverage(2.3, AMONG_THREE, 7)


@given(st.integers(1, 8), st.floats(1.0, 500.0), st.sampled_from([0.8, 0.95, 0.99]))
@settings(max_examples=30, deadline=None)
def test_critical_value_is_where_coverage_is_met(arms: int, df: float, confidence: float) -> None:
    matrix = products([math.sqrt(0.5)] * arms)
    bound = critical_value(matrix, df, confidence=confidence)
    assert joint_coverage(bound, matrix, df).probability == pytest.approx(confidence, abs=1e-9)


def test_a_control_seen_once_is_nearly_all_of_the_error() -> None:
    """With one control and very many of each arm all comparisons fail together."""
    share = math.sqrt(1 / (1 + 1e-6))
    assert critical_value(products([share] * 3), 30) == pytest.approx(stdtrit(30, 0.975), abs=5e-3)


@pytest.mark.parametrize("matrix", [[[1.0, 0.2], [0.3, 1.0]], [[2.0]], [[1.0, 0.5]], [[1.0, 1.1], [1.1, 1.0]]])
def test_what_is_no_correlation(matrix: list[list[float]]) -> None:
    with pytest.raises(NotACorrelation):
        joint_coverage(2.0, matrix)


def test_too_many_for_the_lattice() -> None:
    numbers = np.random.default_rng(0)
    rows = numbers.normal(size=(25, 30))
    rows /= np.linalg.norm(rows, axis=1, keepdims=True)
    with pytest.raises(TooManyComparisons):
        joint_coverage(2.0, rows @ rows.T)


def trial(kept_share: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    numbers = np.random.default_rng(3)
    arm, block, _ = (axis.ravel() for axis in np.indices((4, 6, 3)))
    kept = numbers.random(len(arm)) < kept_share
    arm, block = arm[kept], block[kept]
    batch = crossed(arm, block)
    response = arm + numbers.normal(0, 2, 6)[block] + numbers.normal(0, 1, batch.max() + 1)[batch]
    return response + numbers.normal(size=len(arm)), arm, block


@pytest.mark.parametrize("kept_share", [1.0, 0.6])
def test_wider_than_alone_and_narrower_than_bonferroni(kept_share: float) -> None:
    response, arm, block = trial(kept_share)
    model = fit(response, cell_means(arm)[1], [Grouping("block", block), Grouping("batch", crossed(arm, block))])
    for place, found in enumerate(against_control(model, [1, 2, 3], 0), start=1):
        weights = -np.eye(4)[0] + np.eye(4)[place]
        alone, split = contrast(model, weights), contrast(model, weights, confidence=1 - 0.05 / 3)
        assert (found.value, found.standard_error, found.df) == (alone.value, alone.standard_error, alone.df)
        assert split.low < found.low < alone.low
        assert alone.p <= found.p <= 3 * alone.p
        assert (found.p < 0.05) == (found.low > 0 or found.high < 0)


def test_any_rows_can_be_held_together() -> None:
    response, arm, block = trial(1.0)
    model = fit(response, cell_means(arm)[1], [Grouping("block", block)])
    (alone,) = simultaneous(model, [0, 0, -1, 1])
    both = simultaneous(model, [[0, 0, -1, 1], [0, -1, 0, 1]])
    assert (alone.low, alone.p) == pytest.approx((contrast(model, [0, 0, -1, 1]).low, contrast(model, [0, 0, -1, 1]).p))
    assert both[0].low < alone.low
