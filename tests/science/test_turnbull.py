"""The likeliest masses: on the right intervals, at the maximum, and the same side by side as one by one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.arrays import Floats
from pinset.science.turnbull import GAP, EndMissing, EndsTurned, NothingSeen, lay_out, solve, widened

INF = np.inf


@st.composite
def seen(draw: st.DrawFn) -> tuple[Floats, Floats]:
    """Observations on whole days: between checks, exact, and not seen done."""
    count = draw(st.integers(1, 14))
    left = draw(st.lists(st.integers(0, 9), min_size=count, max_size=count))
    width = draw(st.lists(st.one_of(st.integers(0, 6), st.just(INF)), min_size=count, max_size=count))
    return np.array(left, dtype=float), np.array(left, dtype=float) + np.array(width, dtype=float)


def ends(left: list[float], right: list[float]) -> list[tuple[float, float]]:
    checks = lay_out(np.array(left), np.array(right))
    return list(zip(checks.when[checks.first].tolist(), checks.when[checks.first + 1].tolist(), strict=True))


def log_likelihood(covers: Floats, weights: Floats, masses: Floats) -> float:
    return float(weights @ np.log(covers @ masses))


def test_intervals_touch_but_do_not_share_a_check_day() -> None:
    assert ends([0, 7, 14], [7, 14, 21]) == [(0, 7), (7, 14), (14, 21)]


def test_an_exact_time_lies_in_the_interval_that_closes_on_it_and_not_in_the_one_that_opens() -> None:
    checks = lay_out(np.array([3.0, 7.0, 7.0]), np.array([7.0, 7.0, 9.0]))
    assert ends([3, 7, 7], [7, 7, 9]) == [(7, 7), (7, 9)]
    assert checks.covers.tolist() == [[1, 0], [1, 0], [0, 1]]


def test_overlaps_keep_only_what_all_share() -> None:
    assert ends([0, 2, 4], [6, 8, INF]) == [(4, 6)]


def test_equal_observations_are_counted_not_repeated() -> None:
    checks = lay_out(np.array([0.0, 0.0, 5.0]), np.array([5.0, 5.0, INF]))
    assert checks.counts.tolist() == [2, 1]
    assert checks.row.tolist() == [0, 0, 1]


@pytest.mark.parametrize(
    ("left", "right", "situation"),
    [
        ([], [], NothingSeen),
        ([INF], [INF], EndMissing),
        ([1.0], [np.nan], EndMissing),
        ([5.0], [4.0], EndsTurned),
    ],
)
def test_what_cannot_be_is_refused(left: list[float], right: list[float], situation: type[ValueError]) -> None:
    with pytest.raises(situation, match=r"\.$"):
        lay_out(np.array(left), np.array(right))


@given(seen())
@settings(deadline=None)
def test_masses_are_shares_and_certified(times: tuple[Floats, Floats]) -> None:
    checks = lay_out(*times)
    found = solve(checks.covers, checks.counts[None])
    assert found.masses.sum() == pytest.approx(1.0)
    assert (found.masses >= 0).all()
    assert found.gaps[0] <= GAP


@given(seen(), st.integers(0, 2**32 - 1))
@settings(deadline=None)
def test_no_other_masses_are_likelier(times: tuple[Floats, Floats], seed: int) -> None:
    """Neither masses drawn at random nor small moves from those found."""
    checks = lay_out(*times)
    found = solve(checks.covers, checks.counts[None]).masses[0]
    best = log_likelihood(checks.covers, checks.counts, found)
    random = np.random.default_rng(seed)
    for other in random.dirichlet(np.ones(len(found)), size=5):
        for masses in (other, 0.999 * found + 0.001 * other):
            assert log_likelihood(checks.covers, checks.counts, masses) <= best + GAP * checks.counts.sum()


@given(seen(), st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=50)
def test_resamples_side_by_side_are_as_good_as_each_alone(times: tuple[Floats, Floats], seed: int) -> None:
    """Each alone is laid out from only the observations that were drawn."""
    left, right = times
    checks = lay_out(left, right)
    drawn = np.random.default_rng(seed).integers(0, len(left), size=(4, len(left)))
    weights = np.array([np.bincount(checks.row[each], minlength=len(checks.starts)) for each in drawn], dtype=float)
    together = solve(checks.covers, weights).masses
    for each, weight, masses in zip(drawn, weights, together, strict=True):
        alone = lay_out(left[each], right[each])
        best = log_likelihood(alone.covers, alone.counts, solve(alone.covers, alone.counts[None]).masses[0])
        present = weight > 0
        assert log_likelihood(checks.covers[present], weight[present], masses) == pytest.approx(best, abs=1e-7)


@given(seen())
@settings(deadline=None)
def test_with_all_observations_present_nothing_widens(times: tuple[Floats, Floats]) -> None:
    checks = lay_out(*times)
    lower, upper = widened(checks, checks.counts[None])
    assert lower[0].tolist() == checks.when[checks.first].tolist()
    assert upper[0].tolist() == checks.when[checks.first + 1].tolist()


def test_a_missing_observation_widens_the_intervals_it_had_parted() -> None:
    checks = lay_out(np.array([0.0, 0.0, 4.0]), np.array([8.0, 4.0, 8.0]))
    lower, upper = widened(checks, (checks.row[0] == np.arange(3))[None].astype(float))
    assert (lower.tolist(), upper.tolist()) == ([[0, 0]], [[8, 8]])


def test_many_weightings_are_cut_into_parts_without_a_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    checks = lay_out(np.array([0.0, 3.0, 3.0, 7.0]), np.array([3.0, 7.0, 10.0, INF]))
    weights = np.random.default_rng(1).multinomial(3, np.full(4, 0.25), size=9).astype(float)
    whole = solve(checks.covers, weights)
    monkeypatch.setattr("pinset.science.turnbull._HELD", 2 * checks.covers.shape[1] * max(checks.covers.shape))
    parts = solve(checks.covers, weights)
    # Rounds go on until the worst of a part is near enough, so that parts may stop earlier.
    np.testing.assert_allclose(parts.masses, whole.masses, atol=1e-6)


def test_rounds_are_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asks sees by the gap that it was not enough."""
    monkeypatch.setattr("pinset.science.turnbull._MOST_ROUNDS", 1)
    checks = lay_out(np.array([0.0, 0.0, 5.0, 5.0]), np.array([5.0, 9.0, 9.0, 9.0]))
    found = solve(checks.covers, checks.counts[None])
    assert found.rounds == 1
    assert found.gaps[0] > GAP
