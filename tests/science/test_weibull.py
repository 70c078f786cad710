"""The Weibull model of times between two checks: slopes, special cases, batches, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.arrays import Floats
from pinset.science.newton import minimise
from pinset.science.weibull import (
    CannotFitWeibull,
    ColumnsNotApart,
    NoneDone,
    TimeNotPositive,
    TimesNotApart,
    TooFewBatches,
    _Times,
    fit_weibull,
)

INF = np.inf


def crop(seed: int, units: int = 60, scale: float = 0.3) -> tuple[Floats, Floats, Floats, Floats]:
    """Invented times of two arms, in ten batches: some seen between checks, some exact, some not seen done."""
    random = np.random.default_rng(seed)
    arm = np.arange(units) % 2
    days = 20 * 1.3**arm * random.exponential(size=units) ** scale
    left, right = 3 * np.floor(days / 3), 3 * np.floor(days / 3) + 3
    kind = random.random(units)
    left[kind < 0.2] = right[kind < 0.2] = days[kind < 0.2]
    right[kind > 0.9] = INF
    return left, right, np.column_stack([np.ones(units), arm]), np.arange(units) // 6


@given(st.integers(0, 2**32 - 1), st.floats(2, 4), st.floats(-1, 1), st.floats(-2, 1))
@settings(deadline=None)
def test_slope_and_curvature_are_those_of_the_value(seed: int, middle: float, effect: float, log_scale: float) -> None:
    times = _Times(*crop(seed, units=12)[:3])
    at, nudge = np.array([middle, effect, log_scale]), 1e-5
    moved = [(times.look(at + nudge * each), times.look(at - nudge * each)) for each in np.eye(3)]
    slope = [(up.value - down.value) / (2 * nudge) for up, down in moved]
    curvature = [(up.slope - down.slope) / (2 * nudge) for up, down in moved]
    here = times.look(at)
    np.testing.assert_allclose(here.slope, slope, rtol=1e-4, atol=1e-4 * (1 + abs(here.value)))
    np.testing.assert_allclose(here.curvature, curvature, rtol=1e-4, atol=1e-4 * (1 + abs(here.value)))


def test_the_truth_is_found_in_many_units() -> None:
    left, right, design, _ = crop(1, units=4000)
    right[right == INF] = 3 * np.floor(left[right == INF] / 3) + 3  # so that none is lost for want of looking
    fitted = fit_weibull(left, right, design)
    for value, error, truth in (
        (fitted.coefficients[0], fitted.covariance[0, 0] ** 0.5, np.log(20)),
        (fitted.coefficients[1], fitted.covariance[1, 1] ** 0.5, np.log(1.3)),
        (np.log(fitted.scale), fitted.covariance[2, 2] ** 0.5, np.log(0.3)),
    ):
        assert abs(value - truth) < 3 * error


@given(st.floats(0.1, 10))
@settings(deadline=None, max_examples=20)
def test_another_unit_of_time_moves_the_intercept_alone(factor: float) -> None:
    left, right, design, _ = crop(2)
    one, other = fit_weibull(left, right, design), fit_weibull(factor * left, factor * right, design)
    np.testing.assert_allclose(other.coefficients - one.coefficients, [np.log(factor), 0], atol=1e-6)
    assert other.scale == pytest.approx(one.scale, rel=1e-6)


def test_no_other_coefficients_are_likelier() -> None:
    left, right, design, _ = crop(3)
    fitted, times = fit_weibull(left, right, design), _Times(left, right, design)
    at = np.append(fitted.coefficients, np.log(fitted.scale))
    for move in np.random.default_rng(0).normal(0, 0.05, (50, 3)):
        assert -times.look(at + move).value < fitted.log_likelihood


def test_shares_and_times_go_together() -> None:
    fitted = fit_weibull(*crop(4)[:3])
    row = np.array([1.0, 1.0])
    early, middle, late = (fitted.log_time(row, share) for share in (0.1, 0.5, 0.9))
    assert early.value < middle.value < late.value
    expected = row @ fitted.coefficients + fitted.scale * np.log(np.log(2))
    assert middle.value == pytest.approx(expected)
    assert middle.interval().low < middle.value < middle.interval().high


def test_the_covariance_over_batches_is_what_leaving_out_batches_shows() -> None:
    """The jackknife that leaves out a batch at a time estimates the same variance."""
    left, right, design, batch = crop(5, units=240)
    fitted = fit_weibull(left, right, design, clusters=batch)
    without = [
        fit_weibull(left[kept], right[kept], design[kept]).coefficients[1]
        for kept in batch != np.unique(batch)[:, None]
    ]
    count = len(without)
    jackknife = (count - 1) / count * ((without - np.mean(without)) ** 2).sum()
    assert fitted.covariance[1, 1] == pytest.approx(jackknife, rel=0.1)
    assert fitted.df == count - 2
    assert fitted.coefficient(1).df == count - 2


def test_alike_units_of_a_batch_widen_the_doubt() -> None:
    left, right, _, batch = crop(6, units=120)
    lateness = 1.5 ** np.random.default_rng(0).normal(size=20)[batch]
    arm = np.column_stack([np.ones(120), batch % 2])
    by_unit = fit_weibull(left * lateness, right * lateness, arm).coefficient(1)
    by_batch = fit_weibull(left * lateness, right * lateness, arm, clusters=batch).coefficient(1)
    assert by_batch.value == by_unit.value
    assert by_batch.standard_error > 1.3 * by_unit.standard_error


@pytest.mark.parametrize(
    ("left", "right", "columns", "situation"),
    [
        ([0, 0], [0, 7], [[1], [1]], TimeNotPositive),
        ([-1, 0], [3, 7], [[1], [1]], TimeNotPositive),
        ([3, 7], [INF, INF], [[1], [1]], NoneDone),
        ([0, 3, 7], [3, 7, INF], [[1, 1], [1, 1], [1, 1]], ColumnsNotApart),
        ([7, 7, 7], [10, 10, 10], [[1], [1], [1]], TimesNotApart),
        ([0, 7, 0, 7], [7, INF, 7, INF], [[1], [1], [1], [1]], TimesNotApart),
        ([0, 3, 7, 7, 9], [3, 7, 9, INF, INF], [[1, 0], [1, 0], [1, 0], [1, 1], [1, 1]], TimesNotApart),
    ],
)
def test_what_cannot_be_fitted_is_refused(
    left: list[float], right: list[float], columns: list[list[float]], situation: type[CannotFitWeibull]
) -> None:
    with pytest.raises(situation, match=r"\.$"):
        fit_weibull(np.array(left, dtype=float), np.array(right, dtype=float), np.array(columns, dtype=float))


def test_two_arms_need_three_batches() -> None:
    left, right, design, batch = crop(7)
    with pytest.raises(TooFewBatches):
        fit_weibull(left, right, design, clusters=batch % 2)


def test_a_step_too_far_is_taken_back() -> None:
    """From a start at which no time is possible to the last digit, the search still gets home."""
    left, right, design, _ = crop(8)
    times = _Times(left, right, design)
    far = minimise(times.look, np.array([3.0, 0.0, -1.5]))
    assert far.converged
    assert -far.view.value == pytest.approx(fit_weibull(left, right, design).log_likelihood)
    assert np.isinf(times.look(np.array([0.0, 0.0, -6.0])).value)
