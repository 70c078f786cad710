"""Scores and tests of arms: sums, symmetries, known special cases, and whole batches shuffled."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.arrays import Floats
from pinset.science.logrank import BatchInSeveralArms, Scores, compare_times, scores
from tests.science.test_turnbull import seen

INF = np.inf


@given(seen(), st.sampled_from(Scores))
@settings(deadline=None)
def test_scores_sum_to_nothing(times: tuple[Floats, Floats], kind: Scores) -> None:
    assert scores(*times, kind).sum() == pytest.approx(0.0, abs=1e-4)


@given(seen(), st.sampled_from(Scores))
@settings(deadline=None)
def test_scores_do_not_hang_on_the_unit_of_time(times: tuple[Floats, Floats], kind: Scores) -> None:
    """Nor on any other clock that runs the same way."""
    left, right = times
    np.testing.assert_allclose(scores(left**2, right**2, kind), scores(left, right, kind), atol=1e-9)


def test_early_units_score_above_late_ones() -> None:
    left = np.array([0.0, 3.0, 6.0, 9.0])
    for kind in Scores:
        assert (np.diff(scores(left, left + 3, kind)) < 0).all()


def test_sun_scores_are_logrank_scores_for_exact_times() -> None:
    """One less the hazards summed up to the own time (Fay & Shaw 2010, Table 1)."""
    times = np.array([1.0, 2.0, 2.0, 3.0, 5.0, 4.0])
    right = np.array([1.0, 2.0, 2.0, 3.0, 5.0, INF])
    hazards = np.cumsum([1 / 6, 2 / 5, 1 / 3, 1 / 1])
    expected = [1 - hazards[0], 1 - hazards[1], 1 - hazards[1], 1 - hazards[2], 1 - hazards[3], -hazards[2]]
    np.testing.assert_allclose(scores(times, right, Scores.SUN), expected, atol=1e-6)


def test_wilcoxon_scores_are_ranks_for_exact_times() -> None:
    times = np.array([3.0, 1.0, 4.0, 2.0])
    ranks = np.array([3, 1, 4, 2])
    np.testing.assert_allclose(scores(times, times, Scores.WILCOXON), (5 - 2 * ranks) / 4, atol=1e-8)


@given(st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=25)
def test_the_order_of_units_and_of_names_does_not_count(seed: int) -> None:
    random = np.random.default_rng(seed)
    left = random.integers(0, 5, 12).astype(float)
    right, arm, block = left + 2, np.repeat(["a", "b", "c"], 4), np.tile([0, 0, 1, 1], 3)
    one = compare_times(left, right, arm, "a", blocks=block, draws=0)
    order = random.permutation(12)
    renamed = np.array(["z" if name == "a" else name for name in arm])
    other = compare_times(left[order], right[order], renamed[order], "z", blocks=block[order], draws=0)
    assert other.chi_square == pytest.approx(one.chi_square, abs=1e-9)
    assert sorted(other.earliness) == pytest.approx(sorted(one.earliness), abs=1e-9)


def test_for_one_block_the_chi_square_is_kruskal_and_wallis() -> None:
    """The Wilcoxon scores of distinct exact times are ranks."""
    times, arm = np.array([3.0, 1.0, 4.0, 2.0, 7.0, 5.0]), np.repeat(["a", "b", "c"], 2)
    ranks = times.argsort().argsort() + 1.0
    sums = np.array([ranks[arm == name].sum() for name in "abc"])
    expected = 12 / (6 * 7) * (sums**2 / 2).sum() - 3 * 7
    found = compare_times(times, times, arm, "a", kind=Scores.WILCOXON)
    assert (found.chi_square, found.freedom) == (pytest.approx(expected), 2)
    assert found.shuffled.exact


def test_blocks_take_out_what_their_day_does() -> None:
    """The second arm is a day later in each of four blocks that lie far apart: seen only within blocks."""
    block = np.repeat([0.0, 20.0, 7.0, 33.0], 2)
    arm = np.tile(["early", "late"], 4)
    left = block + np.tile([10.0, 11.0], 4)
    within = compare_times(left, left + 1, arm, "early", blocks=block)
    across = compare_times(left, left + 1, arm, "early")
    assert within.shuffled.p == pytest.approx(2 / 16)
    assert within.shuffled.dealings == 16
    assert across.shuffled.p > 0.5
    assert within.z > across.z > 0


def test_batches_are_shuffled_whole() -> None:
    """Forty alike units of four batches tell no more than four batches."""
    batch = np.repeat(np.arange(4), 10)
    arm = np.where(batch < 2, "a", "b")
    left = np.array([7.0, 10.0, 14.0, 17.0])[batch]
    found = compare_times(left, left + 3, arm, "a", clusters=batch)
    assert (found.dealt, found.units, found.shuffled.dealings) == (4, (20, 20), 6)
    assert found.shuffled.p == pytest.approx(2 / 6)
    assert compare_times(left, left + 3, arm, "a", draws=999).shuffled.p == pytest.approx(0.001)


def test_arms_that_cannot_be_told_apart_have_nothing_to_show() -> None:
    found = compare_times(np.zeros(4), np.full(4, 7.0), np.array(list("aabb")), "a")
    assert (found.freedom, found.chi_square, found.p_asymptotic, found.shuffled.p) == (0, 0.0, 1.0, 1.0)


def test_more_than_two_arms_have_no_sign() -> None:
    left = np.array([7.0, 10.0, 14.0, 7.0, 10.0, 21.0])
    assert np.isnan(compare_times(left, left + 3, np.array(list("aabbcc")), "a").z)


@pytest.mark.parametrize("apart", ["arm", "block"])
def test_a_batch_lies_in_one_arm_and_block(apart: str) -> None:
    left, batch = np.array([7.0, 10.0, 7.0, 14.0]), np.array([1, 1, 2, 2])
    arm, block = (np.array([0, 1, 0, 1]), None) if apart == "arm" else (np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1]))
    with pytest.raises(BatchInSeveralArms):
        compare_times(left, left + 3, arm, 0, blocks=block, clusters=batch)
