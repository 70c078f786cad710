"""Plain designs against scipy and against the mixed model, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pinset.science.anova import (
    NoReplicates,
    TableIncomplete,
    TooFewGroups,
    least_significant_difference,
    mean_square,
    one_way,
    one_way_from_summary,
    randomised_blocks,
)
from pinset.science.contrasts import cell_means, joint_test
from pinset.science.mixed import NoVariationLeft, fit


@given(st.integers(0, 10_000), st.lists(st.integers(2, 9), min_size=2, max_size=6))
@settings(max_examples=40, deadline=None)
def test_one_way(seed: int, sizes: list[int]) -> None:
    numbers = np.random.default_rng(seed)
    groups = [numbers.normal(10, 3, size) for size in sizes]
    found, known = one_way(groups), stats.f_oneway(*groups)
    assert (found.f, found.p) == pytest.approx((known.statistic, known.pvalue))
    assert (found.numerator_df, found.denominator_df) == (len(sizes) - 1, sum(sizes) - len(sizes))
    summary = one_way_from_summary([group.mean() for group in groups], [group.std(ddof=1) for group in groups], sizes)
    assert (summary.f, summary.p, summary.mean_square) == pytest.approx((found.f, found.p, found.mean_square))


def test_complete_blocks_are_least_squares_with_blocks() -> None:
    table = np.random.default_rng(2).normal(size=(5, 4)) + np.arange(5)[:, None]
    arm, block = np.tile(range(4), 5), np.repeat(range(5), 4)
    model = fit(table.ravel(), np.column_stack([cell_means(arm)[1], cell_means(block)[1][:, 1:]]))
    rows = np.zeros((3, 8))
    rows[:, :4] = np.column_stack([-np.ones(3), np.eye(3)])
    found, known = randomised_blocks(table), joint_test(model, rows)
    assert (found.f, found.p, found.error_mean_square) == pytest.approx((known.f, known.p, model.sigma**2))
    assert (found.numerator_df, found.denominator_df) == (3, 12)


def test_least_significant_difference_is_where_p_is_the_level() -> None:
    error = mean_square(10.0, 20.0)
    gap = least_significant_difference(error, 4, 12)
    assert 2 * stats.t.sf(gap / np.sqrt(2 * error / 4), 12) == pytest.approx(0.05)
    assert least_significant_difference(error, 4, 12, confidence=0.99) > gap


def test_what_is_refused() -> None:
    with pytest.raises(TooFewGroups):
        one_way([[1.0, 2.0]])
    with pytest.raises(TooFewGroups):
        randomised_blocks([[1.0, 2.0]])
    with pytest.raises(NoReplicates):
        one_way([[1.0], [2.0]])
    with pytest.raises(TableIncomplete):
        randomised_blocks([[1.0, np.nan], [2.0, 3.0]])
    with pytest.raises(NoVariationLeft):
        one_way([[0.1, 0.1, 0.1], [0.2, 0.2, 0.2]])
