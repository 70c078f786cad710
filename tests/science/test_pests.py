from __future__ import annotations

from math import inf, isinf

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pinset.science.pests import (
    Footing,
    LifeTable,
    LifeTableBroken,
    NoPests,
    NumbersDoNotFit,
    Range,
    Setting,
    bought,
    days_until,
    doubling_time,
    holding_run,
    intrinsic_rate,
    numbers_by_round,
    outlook,
    over_all,
    rounds_until_seen,
    visible_number,
)

DEGREES = np.array([16.0, 20.0, 24.0, 28.0])
RATES = np.array([0.11, 0.18, 0.22, 0.27])
MITE = LifeTable("mite", DEGREES, RATES, RATES, threshold=9.0)
WIDE = LifeTable("wide", DEGREES, RATES / 2, RATES)

rates = st.floats(0.01, 0.9)
starts = st.floats(0.5, 50.0)
runs = st.floats(3.0, 40.0)
shares = st.floats(0.01, 1.0)
sights = st.floats(1.0, 1e6)


def test_rates_are_interpolated_within_and_never_outside() -> None:
    assert MITE.at(20.0) == (0.18, 0.18, Footing.MEASURED)
    assert MITE.at(22.0) == (pytest.approx(0.20), pytest.approx(0.20), Footing.BETWEEN)
    assert MITE.at(12.0) == (0.0, 0.11, Footing.COLDER)
    assert MITE.at(9.0) == (0.0, 0.0, Footing.COLDER)
    assert MITE.at(28.1) == (0.0, inf, Footing.HOTTER)
    assert WIDE.at(18.0)[:2] == pytest.approx((0.0725, 0.145))


def test_a_table_that_does_not_rise_from_the_cold_says_nothing_of_it() -> None:
    single = LifeTable("single", np.array([31.0]), np.array([0.23]), np.array([0.28]))
    falling = LifeTable("falling", np.array([25.0, 30.0]), np.array([0.182, 0.159]), np.array([0.182, 0.159]))
    assert single.at(20.0) == falling.at(20.0) == (0.0, inf, Footing.COLDER)


@settings(deadline=None)
@given(rates, starts, sights)
def test_growth_over_the_days_until_seen_makes_the_number_seen(rate: float, start: float, visible: float) -> None:
    assume(visible > start)
    assert start * np.exp(rate * days_until(start, visible, rate)) == pytest.approx(visible, rel=1e-9)
    assert days_until(start, 2 * start, rate) == pytest.approx(doubling_time(rate))


@settings(deadline=None)
@given(starts, rates, runs, shares, sights)
def test_rounds_agree_with_counting_on(start: float, rate: float, run: float, carried: float, visible: float) -> None:
    numbers = numbers_by_round(start, rate, run, carried, rounds=15)
    # Numbers within rounding of the number seen may fall either way.
    assume(np.all(np.abs(numbers / visible - 1) > 1e-6))
    assume(abs(rate * run + np.log(carried)) > 0.01)
    seen = np.flatnonzero(numbers >= visible)
    found = rounds_until_seen(start, rate, run, carried, visible)
    if len(seen):
        assert found == seen[0] + 1
    else:
        assert found > 15


def test_numbers_by_round_agree_with_step_by_step() -> None:
    animals, seen = 3.0, []
    for _ in range(5):
        animals *= np.exp(0.2 * 13)
        seen.append(animals)
        animals *= 0.15
    assert numbers_by_round(3.0, 0.2, 13, 0.15, 5).tolist() == pytest.approx(seen)


@settings(deadline=None)
@given(rates, st.floats(0.01, 0.99))
def test_a_run_that_just_holds_carries_on_what_it_received(rate: float, carried: float) -> None:
    run = holding_run(rate, carried)
    assert np.exp(rate * run) * carried == pytest.approx(1.0)
    assert isinf(rounds_until_seen(1.0, rate, run * 0.99, carried, visible=1e9))
    assert not isinf(rounds_until_seen(1.0, rate, run * 1.02, carried, visible=1e9))


@settings(deadline=None)
@given(st.floats(0.0001, 0.999), st.floats(0.5, 0.999))
def test_a_unit_with_the_visible_number_is_found_as_often_as_asked(chance: float, confidence: float) -> None:
    number = visible_number(chance, confidence)
    assert 1 - (1 - chance) ** number >= confidence - 1e-9
    assert number == 1.0 or 1 - (1 - chance) ** number == pytest.approx(confidence)
    assert visible_number(1.0, confidence) == 1.0


@settings(deadline=None)
@given(st.floats(9.5, 28.0), st.floats(9.5, 28.0), runs, runs, shares)
def test_colder_rooms_and_shorter_runs_never_cost_time(
    first: float, second: float, one_run: float, other_run: float, carried: float
) -> None:
    cold, warm = sorted((first, second))
    short, long = sorted((one_run, other_run))
    now = Setting(warm, long, carried, visible=500)
    for then in (Setting(cold, long, carried, 500), Setting(warm, short, carried, 500)):
        gain = bought(MITE, now, then)
        assert gain.days >= -1e-9
        assert gain.rounds >= 0
    assert bought(MITE, now, now) == (0.0, 0.0)


@settings(deadline=None)
@given(st.floats(5.0, 35.0), runs, shares, sights)
def test_soonest_is_never_later_than_latest(temperature: float, run: float, carried: float, visible: float) -> None:
    setting = Setting(temperature, run, carried, visible, few=1, many=20)
    for found in (outlook(MITE, setting), outlook(WIDE, setting)):
        assert found.days.soonest <= found.days.latest
        assert found.rounds.soonest <= found.rounds.latest
        assert found.doubling.soonest <= found.doubling.latest


def test_where_nothing_is_known_a_pest_may_be_seen_at_once_or_never() -> None:
    found = outlook(MITE, Setting(31.0, 14, 0.2, 1000))
    assert (found.days, found.rounds, found.doubling) == ((0.0, inf), (1.0, inf), (0.0, inf))


def test_a_range_over_pests_spans_them() -> None:
    setting = Setting(24.0, 14, 0.2, 1000)
    mite, wide = outlook(MITE, setting), outlook(WIDE, setting)
    assert over_all([mite, wide]) == Range(mite.rounds.soonest, wide.rounds.latest)
    assert over_all([mite]) == mite.rounds
    with pytest.raises(NoPests):
        over_all([])


@pytest.mark.parametrize(
    ("temperatures", "slow", "fast"),
    [([], [], []), ([1.0, 1.0], [0.1, 0.1], [0.1, 0.1]), ([1.0], [0.2], [0.1]), ([1.0, 2.0], [0.1], [0.1])],
)
def test_broken_tables_are_refused(temperatures: list[float], slow: list[float], fast: list[float]) -> None:
    with pytest.raises(LifeTableBroken):
        LifeTable("broken", np.array(temperatures), np.array(slow), np.array(fast))


def test_refusals() -> None:
    for wrong in (
        lambda: intrinsic_rate(0, 5),
        lambda: intrinsic_rate(5, 0),
        lambda: days_until(0, 5, 0.1),
        lambda: visible_number(0.0),
        lambda: visible_number(0.1, 1.0),
        lambda: rounds_until_seen(1, 0.1, 10, 1.5, 100),
        lambda: rounds_until_seen(1, 0.1, 0, 0.5, 100),
        lambda: holding_run(0.1, 0.0),
        lambda: numbers_by_round(1, 0.1, 10, 0.0, 3),
        lambda: Setting(20, 14, 0.2, 100, few=5, many=4),
        lambda: Setting(20, 0, 0.2, 100),
        lambda: Setting(20, 14, 1.2, 100),
    ):
        with pytest.raises(NumbersDoNotFit):
            wrong()


def test_no_growth_is_never_seen_and_a_crowd_is_seen_at_once() -> None:
    assert days_until(5, 5, 0.1) == 0.0
    assert isinf(days_until(5, 6, 0.0))
    assert isinf(holding_run(0.0, 0.5))
    assert rounds_until_seen(10, 0.0, 14, 0.2, 10) == 1.0
