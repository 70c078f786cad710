"""Contrasts where the answer is known without a mixed model, and the rules for joining degrees of freedom."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pinset.science.contrasts import cell_means, contrast, degrees_of_freedom, joint_test
from pinset.science.mixed import Grouping, MixedFit, crossed, fit


def paired(seed: int, blocks: int = 6) -> tuple[np.ndarray, MixedFit]:
    """Two arms in blocks that differ: the table (blocks, 2) and its fit."""
    numbers = np.random.default_rng(seed)
    table = numbers.normal(size=(blocks, 2)) + numbers.normal(0, 3, (blocks, 1))
    _, design = cell_means([0, 1] * blocks)
    return table, fit(table.ravel(), design, [Grouping("block", np.repeat(range(blocks), 2))])


def unbalanced() -> MixedFit:
    numbers = np.random.default_rng(8)
    arm, block, _ = (axis.ravel() for axis in np.indices((3, 5, 4)))
    kept = numbers.random(60) > 0.3
    arm, block = arm[kept], block[kept]
    response = (
        numbers.normal(0, 1.5, 5)[block] + numbers.normal(0, 1, 15)[5 * arm + block] + numbers.normal(size=len(arm))
    )
    return fit(response, cell_means(arm)[1], [Grouping("block", block), Grouping("batch", crossed(arm, block))])


def test_names_are_plain_and_sorted() -> None:
    names, design = cell_means(np.array([3, 1, 3]))
    assert names == [1, 3]
    assert all(type(name) is int for name in names)
    assert design.sum(axis=1).tolist() == [1.0, 1.0, 1.0]


@given(st.integers(0, 1000), st.sampled_from([0.8, 0.95, 0.99]))
@settings(max_examples=20, deadline=None)
def test_two_arms_in_blocks_are_a_paired_t_test(seed: int, confidence: float) -> None:
    table, model = paired(seed)
    if model.singular:
        return
    by_pairs = stats.ttest_rel(table[:, 1], table[:, 0])
    interval = by_pairs.confidence_interval(confidence)
    found = contrast(model, [-1, 1], confidence=confidence)
    assert found.df == pytest.approx(5.0, abs=1e-5)
    assert [found.t, found.p, found.low, found.high] == pytest.approx(
        [by_pairs.statistic, by_pairs.pvalue, interval.low, interval.high], rel=1e-5
    )


def test_weights_scale_value_and_error_alike() -> None:
    model = unbalanced()
    one, ten = contrast(model, [-1, 1, 0]), contrast(model, [-10, 10, 0])
    assert [ten.value, ten.standard_error] == pytest.approx([10 * one.value, 10 * one.standard_error])
    assert (ten.t, ten.df, ten.p) == pytest.approx((one.t, one.df, one.p))


def test_degrees_of_freedom_lie_between_batches_and_bags() -> None:
    model = unbalanced()
    assert 4.0 < degrees_of_freedom(model, [-1, 1, 0]) < model.observations - 3


def test_one_row_tested_jointly_is_its_contrast() -> None:
    model = unbalanced()
    one, joint = contrast(model, [-1, 0, 1]), joint_test(model, [-1, 0, 1])
    assert (joint.f, joint.numerator_df) == (pytest.approx(one.t**2), 1)
    assert (joint.denominator_df, joint.p) == pytest.approx((one.df, one.p))


def test_repeated_rows_count_once() -> None:
    model = unbalanced()
    two = joint_test(model, [[-1, 1, 0], [-1, 0, 1]])
    four = joint_test(model, [[-1, 1, 0], [-1, 0, 1], [0, -1, 1], [-1, 1, 0]])
    assert (four.numerator_df, four.f) == (2, pytest.approx(two.f))
    # The independent parts are other ones, and so are their degrees of freedom, a little.
    assert four.denominator_df == pytest.approx(two.denominator_df, rel=0.02)


def test_least_squares_gives_the_plain_f() -> None:
    numbers = np.random.default_rng(9)
    groups = [numbers.normal(size=size) for size in (4, 7, 5)]
    model = fit(np.concatenate(groups), cell_means(np.repeat(range(3), [4, 7, 5]))[1])
    found, known = joint_test(model, [[-1, 1, 0], [-1, 0, 1]]), stats.f_oneway(*groups)
    assert (found.f, found.p) == pytest.approx((known.statistic, known.pvalue))
    assert found.denominator_df == pytest.approx(13.0)


def test_equal_and_few_degrees_of_freedom_stay() -> None:
    """Two blocks of three arms: two degrees of freedom for each difference, and for all of them."""
    response = [1.0, 2.0, 4.0, 7.0, 8.5, 9.0]
    model = fit(response, cell_means([0, 1, 2] * 2)[1], [Grouping("block", [0, 0, 0, 1, 1, 1])])
    assert joint_test(model, [[-1, 1, 0], [-1, 0, 1]]).denominator_df == pytest.approx(2.0, abs=1e-5)


def test_unequal_degrees_of_freedom_are_joined_by_their_means() -> None:
    """The mean of F with d below is d / (d - 2), and that of the joint F is the mean over its independent parts."""
    model = unbalanced()
    rows = np.array([[-1.0, 1.0, 0.0], [-1.0, 0.0, 1.0]])
    _, vectors = np.linalg.eigh(rows @ model.covariance @ rows.T)
    parts = [degrees_of_freedom(model, row) for row in vectors.T @ rows]
    joined = joint_test(model, rows).denominator_df
    assert abs(parts[0] - parts[1]) > 0.01
    assert joined / (joined - 2) == pytest.approx(np.mean([df / (df - 2) for df in parts]))


def test_parts_without_a_mean_leave_two() -> None:
    """Heights and slopes of two blocks have a degree of freedom each, where F has no mean to go by."""
    numbers = np.random.default_rng(0)
    block, load = np.repeat(range(2), 6), np.tile(range(6), 2).astype(float)
    response = numbers.normal(0, 4, 2)[block] + load * numbers.normal(0, 4, 2)[block] + 0.1 * numbers.normal(size=12)
    model = fit(response, np.column_stack([np.ones(12), load]), [Grouping("block", block, load)])
    assert [degrees_of_freedom(model, row) for row in np.eye(2)] == pytest.approx([1.0, 1.0], abs=1e-3)
    assert joint_test(model, np.eye(2)).denominator_df == 2.0
