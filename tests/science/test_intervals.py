"""Medians and means of times between two checks: where they lie, and intervals that count batches."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.arrays import Floats, Integers
from pinset.science.intervals import (
    MEDIAN,
    NotTwoArms,
    Quantile,
    RestrictedMean,
    TooFewToResample,
    estimate,
    time_difference,
    time_estimate,
)
from tests.science.test_turnbull import seen

INF = np.inf
DAYS = np.array([0.0, 3.0, 7.0, 10.0, 14.0, 17.0, 21.0, 24.0, 28.0, 31.0, 35.0])


def kaplan_meier(times: Floats, done: list[bool]) -> dict[float, float]:
    """Survival after each time by the product limit, written out."""
    survival, found = 1.0, {}
    for time in sorted(set(times)):
        at_risk = sum(times >= time)
        survival *= 1 - sum((times == time) & done) / at_risk
        found[time] = survival
    return found


@given(st.lists(st.tuples(st.integers(1, 8), st.booleans()), min_size=1, max_size=12))
@settings(deadline=None)
def test_right_censoring_alone_gives_the_product_limit(units: list[tuple[int, bool]]) -> None:
    times, done = np.array([float(time) for time, _ in units]), [ended for _, ended in units]
    spread = estimate(times, np.where(done, times, INF))
    for time, survival in kaplan_meier(times, done).items():
        assert spread.survival(time).high == pytest.approx(survival, abs=1e-5)


@given(seen(), st.floats(-1, 12))
@settings(deadline=None)
def test_survival_lies_between_what_checks_leave_open(times: tuple[Floats, Floats], at: float) -> None:
    value, low, high = estimate(*times).survival(at)
    assert -1e-12 <= low <= value <= high <= 1 + 1e-12
    later = estimate(*times).survival(at + 1)
    assert later.high <= high + 1e-12


def test_survival_at_the_ends() -> None:
    spread = estimate(np.array([0.0, 7.0, 7.0, 14.0]), np.array([7.0, 7.0, 14.0, INF]))
    masses = [("before", 0.0, 1.0, 1.0), ("the exact day", 7.0, 0.5, 0.5), ("the last check", 14.0, 0.25, 0.25)]
    for when, at, low, high in masses:
        found = spread.survival(at)
        assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high)), when
    assert spread.survival([1000.0]).low == 0.0
    assert spread.survival([1000.0]).high == pytest.approx(0.25)


@given(seen(), st.floats(0.01, 0.99))
@settings(deadline=None)
def test_quantiles_lie_between_what_checks_leave_open(times: tuple[Floats, Floats], share: float) -> None:
    spread = estimate(*times)
    value, low, high = spread.quantile(share)
    assert low <= value <= high
    # By its upper end the share is surely done; before its lower end it is surely not.
    assert spread.survival(high).high <= 1 - share + 1e-5
    if low > spread.lower[0]:
        assert spread.survival(low - 1e-9).low >= 1 - share - 1e-5


def test_a_share_met_exactly_at_a_check_is_not_pushed_to_the_next() -> None:
    left = np.repeat([7.0, 14.0], 8)
    assert estimate(left, left + 7.0).quantile(0.5) == (14.0, 7.0, 14.0)


def test_a_median_not_reached_is_infinite() -> None:
    value, low, high = estimate(np.array([0.0, 10.0, 10.0]), np.array([7.0, INF, INF])).quantile()
    assert (value, low, high) == (INF, 10.0, INF)


@given(seen(), st.floats(1, 12))
@settings(deadline=None)
def test_restricted_mean_is_the_area_under_survival(times: tuple[Floats, Floats], until: float) -> None:
    spread = estimate(*times)
    grid = np.linspace(0, until, 20_001)
    found, curve = spread.restricted_mean(until), spread.survival(grid)
    # A unit done at the end of its interval gives the upper bound, at its start the lower; the grid is that coarse.
    for name in ("value", "low", "high"):
        area = np.trapezoid(getattr(curve, name), grid)
        assert getattr(found, name) == pytest.approx(area, abs=until * 2e-3), name


def test_the_summary_asked_for_is_the_one_given() -> None:
    spread = estimate(np.array([0.0, 4.0]), np.array([4.0, 8.0]))
    assert spread.summary(MEDIAN) == spread.quantile(0.5)
    assert spread.summary(RestrictedMean(6.0)) == spread.restricted_mean(6.0)


def farm(seed: int, batches: int, later: float = 0.0) -> tuple[Floats, Floats, Integers, Integers]:
    """An invented trial of two arms: units alike within batches, checked twice a week, a tenth never done."""
    random = np.random.default_rng(seed)
    batch = np.repeat(np.arange(2 * batches), 6)
    arm = (batch >= batches).astype(int)
    days = 18 + later * arm + 1.5 * random.normal(size=2 * batches)[batch] + 1.5 * random.normal(size=len(batch))
    check = np.searchsorted(DAYS, days)
    right = np.where(random.random(len(batch)) < 0.1, INF, DAYS[check])
    return DAYS[check - 1], right, arm, batch


def test_the_interval_holds_the_estimate_and_is_repeatable() -> None:
    left, right, _, batch = farm(1, 4)
    for what in (MEDIAN, Quantile(0.25), RestrictedMean(30.0)):
        found = time_estimate(left, right, what, clusters=batch, resamples=300)
        assert found.low <= found.open_low <= found.value <= found.open_high <= found.high
        assert found == time_estimate(left, right, what, clusters=batch, resamples=300)
        assert (found.count, found.resamples) == (8, 300)


def test_batches_count_not_bags() -> None:
    """With units alike within batches the interval that counts batches is wider."""
    left, right, _, batch = farm(2, 4)
    by_unit = time_estimate(left, right, RestrictedMean(30.0), resamples=300)
    by_batch = time_estimate(left, right, RestrictedMean(30.0), clusters=batch, resamples=300)
    assert by_unit.count == 48
    assert by_batch.high - by_batch.low > 1.3 * (by_unit.high - by_unit.low)


def test_more_confidence_is_wider() -> None:
    left, right, arm, batch = farm(3, 5, later=3)
    narrow, wide = (
        time_difference(left, right, arm, clusters=batch, confidence=level, resamples=400) for level in (0.5, 0.95)
    )
    assert wide.low < narrow.low <= narrow.value <= narrow.high < wide.high


def test_difference_turns_its_sign_with_the_arms() -> None:
    left, right, arm, batch = farm(4, 5, later=3)
    one = time_difference(left, right, arm, clusters=batch, resamples=300)
    other = time_difference(left, right, 1 - arm, clusters=batch, resamples=300)
    assert (one.value, one.open_low, one.open_high) == pytest.approx((-other.value, -other.open_high, -other.open_low))


def test_blocks_that_hold_both_arms_are_drawn_whole() -> None:
    """A block's own lateness, however large, cancels in the difference."""
    random = np.random.default_rng(5)
    block, arm = np.repeat(np.arange(6), 8), np.tile([0, 0, 0, 0, 1, 1, 1, 1], 6)
    lateness = 4 * random.normal(size=6)
    days = np.floor(18 + 2 * arm + lateness[block] + random.normal(size=48))
    mean = RestrictedMean(40.0)
    together = time_difference(days, days + 1, arm, mean, clusters=block, resamples=300)
    apart = time_difference(days, days + 1, arm, mean, clusters=10 * block + arm, resamples=300)
    assert (together.count, apart.count) == (6, 12)
    assert together.high - together.low < 0.5 * (apart.high - apart.low)


def test_a_resample_without_one_arm_is_passed_over() -> None:
    """Blocks of one arm among blocks of both: some draws hold no unit of the second arm."""
    left = np.array([7.0, 14.0, 7.0, 10.0, 7.0, 10.0])
    found = time_difference(left, left + 3, np.array([0, 1, 0, 0, 0, 0]), clusters=np.array([0, 0, 1, 1, 2, 2]))
    assert 300 < found.resamples < 900


def test_arms_that_never_get_there_say_so() -> None:
    left, right, arm = np.full(8, 10.0), np.full(8, INF), np.repeat([0, 1], 4)
    found = time_difference(left, right, arm, resamples=50)
    assert np.isnan(found.value)
    assert (found.low, found.high) == (-INF, INF)
    one_slow = time_difference(left, np.where(arm == 0, 12.0, INF), arm, resamples=50)
    assert (one_slow.value, one_slow.low, one_slow.open_low) == (INF, INF, -2.0)


@pytest.mark.parametrize("arms", [[0, 0, 0, 0], [0, 1, 2, 0]])
def test_a_difference_is_between_two(arms: list[int]) -> None:
    left = np.array([7.0, 10.0, 7.0, 14.0])
    with pytest.raises(NotTwoArms):
        time_difference(left, left + 3, np.array(arms))


def test_one_batch_alone_cannot_be_resampled() -> None:
    left = np.array([7.0, 10.0, 7.0, 14.0])
    with pytest.raises(TooFewToResample):
        time_estimate(left, left + 3, clusters=np.zeros(4))
    with pytest.raises(TooFewToResample):
        time_difference(left, left + 3, np.array([0, 0, 1, 1]), clusters=np.array([0, 1, 2, 2]))


def test_the_interval_covers_when_batches_count() -> None:
    """Of 60 invented trials of four batches an arm; counting bags as independent misses far too often."""
    by_batch = by_bag = 0
    for seed in range(60):
        left, right, arm, batch = farm(seed, 4, later=3)
        found = time_difference(left, right, arm, clusters=batch, resamples=200)
        naive = time_difference(left, right, arm, resamples=200)
        by_batch += found.low <= 3 <= found.high
        by_bag += naive.low <= 3 <= naive.high
    assert by_batch >= 54
    assert by_bag <= 50
