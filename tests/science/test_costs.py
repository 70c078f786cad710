"""Costs: parts sum to the whole to the last cent, and rates count batches."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.science.costs import (
    FEW_BATCHES,
    BatchCost,
    CostKind,
    CostLine,
    NothingUsed,
    ShareBelowZero,
    break_even_price,
    break_even_weight,
    money_per,
    money_per_shelf_day,
    priced,
    share_out,
)
from pinset.science.ratios import NothingToDivideBy

used = st.lists(st.one_of(st.integers(0, 10**9), st.floats(0, 1e6)), min_size=1, max_size=30).filter(any)


@given(st.integers(-(10**12), 10**12), used)
def test_parts_sum_to_the_whole_and_lie_within_a_unit_of_their_due(total: int, amounts: list[float]) -> None:
    parts = share_out(total, amounts)
    assert sum(parts) == total
    whole = sum(map(Fraction, amounts))
    for part, amount in zip(parts, amounts, strict=True):
        assert abs(part - total * Fraction(amount) / whole) < 1
        assert amount or not part


@given(st.integers(0, 10**6), used)
def test_who_used_more_pays_no_less(total: int, amounts: list[float]) -> None:
    pairs = sorted(zip(amounts, share_out(total, amounts), strict=True))
    for (less, small), (more, large) in pairwise(pairs):
        assert small <= large or less == more


def test_whole_and_equal_parts() -> None:
    assert share_out(0, [1.0, 2.0]) == [0, 0]
    assert share_out(7, [0.0, 5.0]) == [0, 7]
    assert share_out(5, [1, 1]) == [3, 2]


@pytest.mark.parametrize(
    ("amounts", "situation"), [([1.0, -1.0], ShareBelowZero), ([0.0], NothingUsed), ([], NothingUsed)]
)
def test_shares_that_cannot_be(amounts: list[float], situation: type[ValueError]) -> None:
    with pytest.raises(situation, match=r"\.$"):
        share_out(100, amounts)


def test_halves_go_to_the_even_unit() -> None:
    assert [priced(CostKind.ENERGY, "steam", quantity, 1).minor for quantity in (0.5, 1.5, 2.5)] == [0, 2, 2]


@given(st.lists(st.tuples(st.sampled_from(CostKind), st.integers(0, 10**6)), min_size=1, max_size=15))
def test_a_batch_costs_what_its_lines_do(lines: list[tuple[CostKind, int]]) -> None:
    cost = BatchCost(tuple(CostLine(kind, "invented", minor) for kind, minor in lines))
    assert cost.total == sum(minor for _, minor in lines) == sum(cost.by_kind().values())
    assert set(cost.by_kind()) == {kind for kind, _ in lines}
    if cost.total:
        assert sum(cost.shares()) == pytest.approx(1.0)
        assert cost.per(8) * 8 == pytest.approx(cost.total)


def test_nothing_to_divide_by() -> None:
    empty = BatchCost(())
    for act in (empty.per, lambda amount: break_even_price(100, amount), lambda amount: break_even_weight(100, amount)):
        with pytest.raises(NothingToDivideBy):
            act(0)
    assert empty.shares() == []
    with pytest.raises(NothingToDivideBy):
        BatchCost((CostLine(CostKind.ENERGY, "free", 0),)).shares()


@given(st.integers(1, 10**6), st.floats(0.1, 1e4))
def test_at_the_break_even_price_nothing_is_left(cost: int, sold: float) -> None:
    assert break_even_price(cost, sold) * sold == pytest.approx(cost)
    assert break_even_weight(cost, break_even_price(cost, sold)) == pytest.approx(sold)


def batches(count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(count)
    days = random.integers(200, 400, count).astype(float)
    return 30 * days + random.normal(0, 900, count), 12 * days, days


@pytest.mark.parametrize(("count", "method"), [(5, "Student"), (FEW_BATCHES, "resamples")])
def test_the_rate_says_how_its_interval_was_got(count: int, method: str) -> None:
    revenue, cost, days = batches(count)
    rate = money_per_shelf_day(revenue, cost, days)
    assert method in rate.method
    assert rate.low < rate.value < rate.high
    assert rate.value == pytest.approx((revenue.sum() - cost.sum()) / days.sum())
    assert rate == money_per(revenue - cost, days)


def test_many_batches_agree_however_it_was_got(monkeypatch: pytest.MonkeyPatch) -> None:
    revenue, _, days = batches(60)
    drawn = money_per(revenue, days, seed=1)
    monkeypatch.setattr("pinset.science.costs.FEW_BATCHES", 1000)
    by_formula = money_per(revenue, days)
    assert (drawn.low, drawn.high) == pytest.approx((by_formula.low, by_formula.high), rel=0.02)


def test_the_same_seed_gives_the_same_interval() -> None:
    revenue, _, days = batches(30)
    assert money_per(revenue, days, seed=3) == money_per(revenue, days, seed=3)
    assert money_per(revenue, days, seed=3) != money_per(revenue, days, seed=4)


def test_a_resample_of_batches_that_sold_nothing_is_passed_over() -> None:
    """With one batch of many that sold, some resamples hold no kilogram."""
    sold = np.zeros(FEW_BATCHES)
    sold[0] = 10.0
    rate = money_per(np.full(FEW_BATCHES, 100.0), sold)
    assert np.isfinite([rate.low, rate.high]).all()


def test_one_batch_has_no_interval() -> None:
    assert np.isnan(money_per(np.array([100.0]), np.array([5.0])).low)
