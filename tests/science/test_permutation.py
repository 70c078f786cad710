"""Shuffling within blocks against counting by hand, against the plain F, and against its own promise."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.contrasts import cell_means, contrast, joint_test
from pinset.science.mixed import fit
from pinset.science.permutation import ArmsNeverMeet, ArmUnknown, NothingToShuffle, permutation_test


def trial(seed: int, arms: int, blocks: int, units: int, *, lost: float = 0.0) -> tuple[np.ndarray, ...]:
    """Response, arm and block of an invented trial in which the arms do not differ."""
    numbers = np.random.default_rng(seed)
    arm, block, _ = (axis.ravel() for axis in np.indices((arms, blocks, units)))
    kept = numbers.random(len(arm)) >= lost
    response = numbers.normal(size=len(arm)) + 3 * numbers.normal(size=blocks)[block]
    return response[kept], arm[kept], block[kept]


def by_hand(response: np.ndarray, arm: np.ndarray, block: np.ndarray) -> float:
    """The p of the difference of two arms over all orders of the units of each block."""

    def difference(dealt: np.ndarray) -> float:
        return abs(response[dealt == 1].mean() - response[dealt == 0].mean())

    dealings = [np.array([], dtype=int)]
    for place in np.unique(block):
        dealings = [np.append(before, now) for before in dealings for now in permutations(arm[block == place])]
    order = np.argsort(block, kind="stable")
    back = np.argsort(order)
    return float(np.mean([difference(dealt[back]) >= difference(arm) - 1e-9 for dealt in dealings]))


@pytest.mark.parametrize("seed", range(4))
def test_exact_p_by_hand(seed: int) -> None:
    response, arm, block = trial(seed, 2, 3, 2)
    found = permutation_test(response, arm, block, 0)
    assert (found.dealings, found.exact) == (6**3, True)
    assert found.arms[0].p == pytest.approx(by_hand(response, arm, block))


def test_two_arms_make_one_question() -> None:
    found = permutation_test(*trial(2, 2, 4, 2), 0)
    assert found.p == found.arms[0].p == found.arms[0].p_together


@given(st.integers(0, 500))
@settings(max_examples=20, deadline=None)
def test_differences_are_those_of_least_squares_with_blocks(seed: int) -> None:
    response, arm, block = trial(seed, 3, 5, 3, lost=0.2)
    names, means = cell_means(arm)
    model = fit(response, np.column_stack([means, cell_means(block)[1][:, 1:]]))
    weights = np.zeros((2, len(model.coefficients)))
    weights[:, :3] = [[-1, 1, 0], [-1, 0, 1]]
    found = permutation_test(response, arm, block, 0, draws=19)
    assert [test.arm for test in found.arms] == names[1:]
    known = [contrast(model, row).value for row in weights]
    assert [test.difference for test in found.arms] == pytest.approx(known)


def test_many_units_agree_with_the_plain_f() -> None:
    """With many normal values the shuffled p is that of the F for arms with blocks allowed for."""
    response, arm, block = trial(5, 4, 8, 6)
    model = fit(response, np.column_stack([cell_means(arm)[1], cell_means(block)[1][:, 1:]]))
    rows = np.zeros((3, len(model.coefficients)))
    rows[:, :4] = np.column_stack([-np.ones(3), np.eye(3)])
    found = permutation_test(response, arm, block, 0)
    # Four standard errors of a share among 10,000 draws.
    assert found.p == pytest.approx(joint_test(model, rows).p, abs=4 * math.sqrt(0.25 / 10_000))
    assert (found.looked_at, found.exact) == (10_000, False)


def test_random_dealings_approach_all_of_them() -> None:
    response, arm, block = trial(7, 2, 4, 3)
    every = permutation_test(response, arm, block, 0, most_exact=200_000)
    some = permutation_test(response, arm, block, 0, most_exact=10)
    assert every.dealings == some.dealings == 20**4
    assert every.exact
    assert some.arms[0].p == pytest.approx(every.arms[0].p, abs=4 * math.sqrt(0.25 / 10_000))


def test_same_seed_same_answer() -> None:
    data = trial(1, 3, 4, 4)
    assert permutation_test(*data, 0, seed=3) == permutation_test(*data, 0, seed=3)
    assert permutation_test(*data, 0, seed=3) != permutation_test(*data, 0, seed=4)


def test_an_arm_far_ahead_has_the_least_p_there_is() -> None:
    response, arm, block = trial(1, 3, 4, 1)
    found = permutation_test(response + 100.0 * (arm == 2), arm, block, 0)
    ahead = found.arms[1]
    assert (ahead.dealings, ahead.p) == (2**4, 2 / 2**4)
    assert found.dealings == 6**4
    # The two other arms may swap in each block without the third looking any less far ahead of the control.
    assert ahead.p_together >= 2 / 6**4
    assert found.p >= 6 / 6**4


def test_together_keeps_its_promise() -> None:
    """Where arms do not differ, the smallest p for all together falls below 0.1 about one time in ten."""
    smallest = [
        min(test.p_together for test in permutation_test(*trial(seed, 4, 4, 1), 0, draws=199, most_exact=1).arms)
        for seed in range(300)
    ]
    share = float(np.mean(np.array(smallest) <= 0.1))
    assert share == pytest.approx(0.1, abs=4 * math.sqrt(0.09 / 300))


def test_a_tie_counts_as_striking() -> None:
    """Weights that are all alike: every dealing looks like every other."""
    found = permutation_test([0.1] * 6, ["a", "b"] * 3, [1, 1, 2, 2, 3, 3], "a")
    assert (found.p, found.arms[0].p, found.arms[0].p_together) == (1.0, 1.0, 1.0)


def test_arms_meet_by_way_of_a_third() -> None:
    """Arm c shares no block with the control but one with b: a difference, and nothing to shuffle for it alone."""
    found = permutation_test([1.0, 2.0, 5.0, 7.0, 1.5, 2.0], list("abbcab"), [1, 1, 2, 2, 3, 3], "a")
    b, c = found.arms
    assert (b.difference, c.difference) == pytest.approx((0.75, 2.75))
    assert (c.p, c.dealings) == (1.0, 1)
    assert c.p_together < 1.0


def test_what_is_refused() -> None:
    with pytest.raises(ArmUnknown):
        permutation_test([1.0, 2.0], ["a", "b"], [1, 1], "c")
    with pytest.raises(ArmsNeverMeet):
        permutation_test([1.0, 2.0, 3.0, 4.0], ["a", "b", "c", "d"], [1, 1, 2, 2], "a")
    with pytest.raises(NothingToShuffle):
        permutation_test([1.0, 2.0], ["a", "b"], [1, 2], "a")
