"""Shares of units: intervals cover, contrasts agree with what they are made of, batches count."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pinset.science.proportions import (
    Contrast,
    CountsDoNotFit,
    NoneCounted,
    NotSeparated,
    Proportion,
    TooFewBatches,
    chi_square,
    clopper_pearson,
    clustered_proportion,
    design_effect,
    difference,
    fisher_exact,
    jeffreys,
    mantel_haenszel,
    odds_ratio,
    ratio,
    risk_ratio,
    wilson,
)

Method = Callable[..., Proportion]
METHODS: list[Method] = [wilson, clopper_pearson, jeffreys]


@st.composite
def shares(draw: st.DrawFn) -> tuple[int, int]:
    total = draw(st.integers(1, 60))
    return draw(st.integers(0, total)), total


def binomial(total: int, share: float) -> list[float]:
    return [math.comb(total, count) * share**count * (1 - share) ** (total - count) for count in range(total + 1)]


@pytest.mark.parametrize("method", METHODS)
@given(counts=shares(), confidence=st.floats(0.5, 0.999))
def test_intervals_hold_the_share(method: Method, counts: tuple[int, int], confidence: float) -> None:
    value, low, high = method(*counts, confidence)
    assert 0 <= low <= value <= high <= 1
    wider = method(*counts, confidence + (1 - confidence) / 2)
    assert wider.low <= low
    assert wider.high >= high


@pytest.mark.parametrize("method", METHODS)
@given(counts=shares())
def test_what_is_not_counted_mirrors_what_is(method: Method, counts: tuple[int, int]) -> None:
    count, total = counts
    one, other = method(count, total), method(total - count, total)
    assert (one.low, one.high) == pytest.approx((1 - other.high, 1 - other.low), abs=1e-9)


@pytest.mark.parametrize("total", [5, 12, 40])
def test_coverage_by_summing_all_outcomes(total: int) -> None:
    """Exactly, over a grid of true shares: Clopper-Pearson never below 95 %, Wilson 95 % on average."""
    grid = np.linspace(0.02, 0.98, 49)
    covered: dict[Any, list[float]] = {method: [] for method in METHODS}
    for method in METHODS:
        ends = [method(count, total) for count in range(total + 1)]
        for share in grid:
            inside = [end.low <= share <= end.high for end in ends]
            covered[method].append(np.dot(binomial(total, share), inside))
    assert min(covered[clopper_pearson]) >= 0.95
    assert np.mean(covered[wilson]) == pytest.approx(0.95, abs=0.015)
    assert np.mean(covered[jeffreys]) == pytest.approx(0.95, abs=0.025)


def test_exact_ends_leave_half_the_doubt_each() -> None:
    found = clopper_pearson(3, 20)
    assert sum(binomial(20, found.low)[3:]) == pytest.approx(0.025)
    assert sum(binomial(20, found.high)[:4]) == pytest.approx(0.025)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("counts", [(-1, 5), (6, 5), (0, 0)])
def test_counts_must_fit(method: Method, counts: tuple[int, int]) -> None:
    with pytest.raises(CountsDoNotFit, match=r"\.$"):
        method(*counts)


@given(shares(), shares())
def test_differences_and_ratios_hold_their_value(first: tuple[int, int], second: tuple[int, int]) -> None:
    one, other = wilson(*first), wilson(*second)
    apart = difference(one, other)
    assert -1 <= apart.low <= apart.value <= apart.high <= 1
    swapped = difference(other, one)
    assert (apart.low, apart.high) == pytest.approx((-swapped.high, -swapped.low))
    times = ratio(one, other)
    assert times.low >= 0
    if first[0] or second[0]:
        assert times.low <= times.value * (1 + 1e-9)
        assert times.value <= times.high * (1 + 1e-9)


@given(shares(), shares())
def test_difference_and_ratio_agree_on_which_is_more(first: tuple[int, int], second: tuple[int, int]) -> None:
    """Both ends come from the same intervals: none crosses one exactly where the other crosses none."""
    one, other = wilson(*first), wilson(*second)
    assume(abs(difference(one, other).low) > 1e-9 and other.value > 0)
    assert (difference(one, other).low > 0) == (ratio(one, other).low > 1)


def test_ratios_of_none() -> None:
    some, none = wilson(5, 20), wilson(0, 20)
    assert ratio(some, none).value == ratio(some, none).high == math.inf
    assert ratio(some, none).low > 1
    assert ratio(none, some).value == ratio(none, some).low == 0
    assert ratio(none, some).high < 1
    assert math.isnan(ratio(none, none).value)
    assert (ratio(none, none).low, ratio(none, none).high) == (0, math.inf)
    # Where the end below is exactly twice the share its line is level; the end follows by continuity.
    level, near = (ratio(Proportion(0.5, 0.4, 0.6), Proportion(0.25, 0.2, high)).low for high in (0.5, 0.5 + 1e-7))
    assert level == pytest.approx(near, rel=1e-5)


@given(shares(), shares())
def test_tests_do_not_hang_on_the_order_of_arms(first: tuple[int, int], second: tuple[int, int]) -> None:
    assert fisher_exact(*first, *second) == pytest.approx(fisher_exact(*second, *first))
    assume(0 < first[0] + second[0] < first[1] + second[1])
    one, other = chi_square(*first, *second), chi_square(*second, *first)
    assert one.value == pytest.approx(other.value)
    assert chi_square(*first, *second, corrected=True).value <= one.value + 1e-9


@given(shares(), shares())
@settings(max_examples=50)
def test_fisher_by_counting_tables(first: tuple[int, int], second: tuple[int, int]) -> None:
    """In whole numbers, so that ties are ties."""
    counted, n, m = first[0] + second[0], first[1], second[1]
    ways = {a: math.comb(n, a) * math.comb(m, counted - a) for a in range(max(0, counted - m), min(n, counted) + 1)}
    expected = sum(way for way in ways.values() if way <= ways[first[0]]) / math.comb(n + m, counted)
    assert fisher_exact(*first, *second) == pytest.approx(expected, rel=1e-9)


def test_one_stratum_is_the_plain_ratio() -> None:
    found = mantel_haenszel(*(np.array([float(each)]) for each in (43, 54, 3, 21)))
    assert list(found.ratio) == pytest.approx(list(risk_ratio(43, 54, 3, 21)))
    assert found.test.value == pytest.approx(chi_square(43, 54, 3, 21).value * 74 / 75)


def test_a_block_without_one_arm_tells_nothing() -> None:
    first, first_totals, second, second_totals = ([3.0, 5.0], [8.0, 8.0], [1.0, 2.0], [8.0, 8.0])
    with_it = mantel_haenszel(*(np.array(each) for each in (first, first_totals, second, second_totals)))
    more = (
        np.array([*each, extra])
        for each, extra in zip((first, first_totals, second, second_totals), (4, 8, 0, 0), strict=True)
    )
    assert mantel_haenszel(*more) == with_it


@pytest.mark.parametrize(
    ("counts", "situation"),
    [
        (([9.0], [8.0], [1.0], [8.0]), CountsDoNotFit),
        (([0.0], [0.0], [0.0], [0.0]), CountsDoNotFit),
        (([0.0], [8.0], [0.0], [8.0]), NotSeparated),
        (([0.0], [8.0], [3.0], [8.0]), NoneCounted),
    ],
)
def test_strata_that_cannot_tell(counts: tuple[list[float], ...], situation: type[ValueError]) -> None:
    with pytest.raises(situation, match=r"\.$"):
        mantel_haenszel(*map(np.array, counts))


def test_logarithms_need_counts() -> None:
    with pytest.raises(NoneCounted):
        risk_ratio(0, 10, 3, 10)
    with pytest.raises(NoneCounted):
        odds_ratio(10, 10, 3, 10)
    with pytest.raises(NotSeparated):
        chi_square(0, 10, 0, 10)
    with pytest.raises(CountsDoNotFit):
        risk_ratio(11, 10, 3, 10)


def test_contrasts_have_names() -> None:
    assert isinstance(difference(wilson(1, 4), wilson(1, 4)), Contrast)


def test_even_batches_count_as_units() -> None:
    """As like as batches of independent units, or liker: the design effect is no more than one."""
    found = clustered_proportion(np.full(6, 2.0), np.full(6, 8.0))
    assert found.design_effect == 0.0
    assert found.effective == 48.0


def test_whole_batches_count_as_one_unit_each() -> None:
    """All of a batch or none of it: six batches of eight tell as much as six units."""
    found = clustered_proportion(np.array([8.0, 0, 0, 8, 0, 0]), np.full(6, 8.0))
    assert found.effective == pytest.approx(48 / (8 * 6 / 5))
    assert found.share.high - found.share.low > wilson(2, 6).high - wilson(2, 6).low


def test_none_counted_says_nothing_of_likeness() -> None:
    found = clustered_proportion(np.zeros(6), np.full(6, 8.0))
    assert math.isnan(found.design_effect)
    assert (found.effective, found.share.value, found.share.low) == (6.0, 0.0, 0.0)
    lent = clustered_proportion(np.zeros(6), np.full(6, 8.0), effect=2.0)
    assert (lent.design_effect, lent.effective) == (2.0, 24.0)
    assert lent.share.high < found.share.high


def test_design_effects_of_arms_are_put_together() -> None:
    """Above and below the line are added; an arm with none counted adds nothing."""
    counts, totals = np.array([1.0, 4, 0, 0, 2, 3]), np.full(6, 8.0)
    arm = np.array(list("aaabbb"))
    arms = [design_effect(counts[arm == one], totals[arm == one]) for one in "ab"]
    assert min(arms) < design_effect(counts, totals, arm) < max(arms)
    alone = np.array([1.0, 4, 0, 0, 0, 0])
    assert design_effect(alone, totals, arm) == pytest.approx(arms[0])
    assert math.isnan(design_effect(np.zeros(6), totals, arm))


def test_one_batch_shows_no_likeness() -> None:
    with pytest.raises(TooFewBatches):
        clustered_proportion(np.array([2.0]), np.array([8.0]))
    with pytest.raises(CountsDoNotFit):
        design_effect(np.array([9.0, 1.0]), np.array([8.0, 8.0]))


def test_batch_intervals_cover_where_bags_do_not() -> None:
    """In 400 invented farms of eight batches of ten, shares differing by batch (Beta(1, 4)), the truth is 0.2."""
    random = np.random.default_rng(7)
    by_batch = by_bag = 0
    for chances in random.beta(1, 4, (400, 8)):
        counts = random.binomial(10, chances).astype(float)
        found = clustered_proportion(counts, np.full(8, 10.0)).share
        naive = wilson(counts.sum(), 80)
        by_batch += found.low <= 0.2 <= found.high
        by_bag += naive.low <= 0.2 <= naive.high
    assert by_batch >= 0.92 * 400
    assert by_bag <= 0.85 * 400
