from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from fractions import Fraction
from itertools import combinations, product
from math import comb, inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.looking import (
    PERFECT,
    Eye,
    EyeDoubted,
    EyeUseless,
    LooksDoNotFit,
    NoGrowth,
    ShareOutside,
    bad_share,
    bad_units,
    chance_clean,
    chance_in_time,
    chance_seen,
    days_between_looks,
    looks_needed,
    most_bad_share,
    most_bad_units,
    plan_looks,
)
from pinset.science.proportions import clopper_pearson

EYES = [PERFECT, Eye(0.75), Eye(1.0, 0.75), Eye(0.5, 0.875)]


def by_going_through_all(bad: int, looked: int, lot: int, eye: Eye) -> list[Fraction]:
    """The chance of 0, 1 ... calls, from every sample and every way of calling it."""
    called = [Fraction(0)] * (looked + 1)
    chances = [Fraction(eye.sensitivity) if unit < bad else 1 - Fraction(eye.specificity) for unit in range(lot)]
    for sample in combinations(range(lot), looked):
        for calls in product((True, False), repeat=looked):
            chance = Fraction(1, comb(lot, looked))
            for unit, call in zip(sample, calls, strict=True):
                chance *= chances[unit] if call else 1 - chances[unit]
            called[sum(calls)] += chance
    return called


def calls(bad: int, looked: int, lot: int, eye: Eye) -> np.ndarray:
    """The same from the functions under test."""
    at_least = [chance_seen(bad / lot, looked, lot, eye, cut) for cut in range(looked + 2)]
    return -np.diff(at_least)


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize(("bad", "looked", "lot"), [(1, 3, 6), (2, 4, 7), (5, 3, 5), (6, 6, 6), (4, 1, 9)])
def test_chances_are_those_of_all_samples(bad: int, looked: int, lot: int, eye: Eye) -> None:
    expected = [float(chance) for chance in by_going_through_all(bad, looked, lot, eye)]
    assert calls(bad, looked, lot, eye).tolist() == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("eye", EYES)
def test_a_large_lot_is_one_without_end(eye: Eye) -> None:
    assert chance_seen(0.1, 20, 10_000_000, eye, 2) == pytest.approx(chance_seen(0.1, 20, None, eye, 2), abs=1e-5)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 60),
    st.floats(0.01, 1.0),
    st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99]),
    st.sampled_from(EYES),
    st.integers(1, 3),
)
def test_looks_needed_are_enough_and_one_fewer_is_not(
    lot: int, share: float, confidence: float, eye: Eye, cut: int
) -> None:
    needed = looks_needed(share, confidence, lot, eye, cut)
    if needed is None:
        assert chance_seen(share, lot, lot, eye, cut) < confidence
    else:
        assert chance_seen(share, needed, lot, eye, cut) >= confidence - 1e-8
        assert chance_seen(share, needed - 1, lot, eye, cut) < confidence


@settings(deadline=None)
@given(st.floats(0.0005, 0.9), st.floats(0.05, 1.0), st.sampled_from([0.9, 0.95, 0.99]))
def test_without_end_the_number_has_a_formula(share: float, sensitivity: float, confidence: float) -> None:
    exact = np.log1p(-confidence) / np.log1p(-share * sensitivity) if share * sensitivity < 1 else 1.0
    needed = looks_needed(share, confidence, None, Eye(sensitivity))
    assert needed is not None
    assert exact - 1e-6 <= needed < exact + 1 + 1e-6


def test_an_eye_too_poor_never_sees_enough() -> None:
    assert looks_needed(1e-12) is None
    assert looks_needed(0.5, lot=3, eye=Eye(0.5)) is None
    assert plan_looks(0.05, lot=30, eye=Eye(0.9, 0.9)) is None


@pytest.mark.parametrize("lot", [40, None])
def test_a_plan_keeps_both_its_promises_with_the_fewest_looks(lot: int | None) -> None:
    eye, share = Eye(0.9, 0.97), 0.3
    plan = plan_looks(share, 0.9, lot, eye, false_alarm=0.1)
    assert plan is not None
    assert plan.chance_seen >= 0.9
    assert plan.false_alarm <= 0.1
    for fewer in range(1, plan.looked):
        clean = 1 - np.cumsum([comb(fewer, k) * 0.03**k * 0.97 ** (fewer - k) for k in range(fewer + 1)])
        cuts = [cut for cut in range(1, fewer + 1) if clean[cut - 1] <= 0.1]
        assert all(chance_seen(share, fewer, lot, eye, cut) < 0.9 for cut in cuts)


def how_often(holds: Callable[[int], bool], chances: np.ndarray) -> float:
    """How often something holds of the number called; it does not where the eye is doubted."""
    held = 0.0
    for called, chance in enumerate(chances):
        with suppress(EyeDoubted):
            held += chance * (chance > 1e-12 and holds(called))
    return held


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize(("looked", "lot"), [(5, 20), (12, 16), (9, 9)])
def test_intervals_cover_at_least_as_often_as_they_say(looked: int, lot: int, eye: Eye) -> None:
    for bad in range(1, lot + 1):
        chances = calls(bad, looked, lot, eye)

        def inside(called: int, bad: int = bad) -> bool:
            _, low, high = bad_units(called, looked, lot, eye, confidence=0.9)
            return low <= bad <= high

        def below(called: int, bad: int = bad) -> bool:
            return bad <= most_bad_units(called, looked, lot, eye, confidence=0.95)

        assert how_often(inside, chances) >= 0.9 - 1e-9
        assert how_often(below, chances) >= 0.95 - 1e-9


@settings(deadline=None)
@given(st.integers(2, 80), st.floats(0.02, 1.0), st.sampled_from([0.9, 0.95]))
def test_planning_and_reading_are_one_thing(lot: int, share: float, confidence: float) -> None:
    needed = looks_needed(share, confidence, lot)
    assert needed is not None
    assert most_bad_units(0, needed, lot, confidence=confidence + 1e-7) <= np.ceil(share * lot)
    assert most_bad_units(0, needed, lot, confidence=confidence - 1e-7) < max(1, np.ceil(share * lot - 1e-9))


@settings(deadline=None)
@given(st.integers(1, 40), st.data())
def test_a_perfect_eye_on_every_unit_leaves_no_doubt(lot: int, data: st.DataObject) -> None:
    bad = data.draw(st.integers(0, lot))
    assert bad_units(bad, lot, lot) == pytest.approx((bad, bad, bad))


def test_nothing_looked_at_says_nothing() -> None:
    assert bad_units(0, 0, 12) == (0.0, 0, 12)


def test_without_end_and_a_perfect_eye_it_is_clopper_and_pearsons_interval() -> None:
    assert bad_share(3, 40) == pytest.approx(clopper_pearson(3, 40))
    assert most_bad_share(0, 59) == pytest.approx(1 - 0.05 ** (1 / 59))


def test_an_eye_that_calls_what_cannot_be_is_doubted() -> None:
    for wrong in (
        lambda: bad_units(10, 10, 30, Eye(0.3)),
        lambda: bad_units(0, 60, 60, Eye(1.0, 0.8)),
        lambda: bad_share(0, 200, Eye(0.9, 0.8)),
        lambda: bad_share(40, 40, Eye(0.5)),
        lambda: most_bad_units(0, 60, 60, Eye(1.0, 0.8)),
    ):
        with pytest.raises(EyeDoubted):
            wrong()


@settings(deadline=None)
@given(st.floats(0.01, 0.99), st.lists(st.floats(0.0, 0.99), min_size=1, max_size=6))
def test_finding_nothing_makes_a_lot_likelier_clean(prior: float, seen: list[float]) -> None:
    clean = chance_clean(seen, prior)
    missed = np.prod(1 - np.array(seen))
    assert clean[-1] == pytest.approx(prior / (prior + (1 - prior) * missed))
    assert np.all(np.diff(np.append(prior, clean)) >= -1e-12)


def test_looks_in_time_agree_with_simulated_houses() -> None:
    generator = np.random.default_rng(8)
    bad_at_looks = [int(40 * 2 ** (-0.5 * k)) for k in range(1, 11)]
    seen = generator.hypergeometric(bad_at_looks, [120 - bad for bad in bad_at_looks], 8, size=(60_000, 10)).any(axis=1)
    found = chance_in_time(2.0, looked=8, limit=1 / 3, lot=120, doubling=4.0)
    # Four standard errors of the simulation.
    assert found == pytest.approx(seen.mean(), abs=4 * seen.std() / np.sqrt(60_000))


@settings(deadline=None)
@given(st.floats(0.5, 30.0), st.floats(0.5, 30.0), st.integers(1, 60), st.floats(1.0, 20.0))
def test_looking_more_often_or_at_more_never_sees_less(
    first: float, second: float, looked: int, doubling: float
) -> None:
    often, seldom = sorted((first, second))
    seen = chance_in_time(often, looked, 0.25, 60, doubling)
    assert seen >= chance_in_time(seldom, looked, 0.25, 60, doubling) - 1e-9
    assert seen >= chance_in_time(often, looked - 1, 0.25, 60, doubling) - 1e-9


@pytest.mark.parametrize("doubling", [1.0, 3.0, 9.0])
@pytest.mark.parametrize("looked", [2, 15, 60])
def test_days_between_looks_are_the_most_that_do(looked: int, doubling: float) -> None:
    days = days_between_looks(looked, 0.25, 60, doubling)
    if days is None:
        assert chance_in_time(1, looked, 0.25, 60, doubling) < 0.95
    else:
        assert chance_in_time(days, looked, 0.25, 60, doubling) >= 0.95
        assert chance_in_time(days + 1, looked, 0.25, 60, doubling) < 0.95


def test_refusals() -> None:
    for share in (0.0, -0.1, 1.1):
        with pytest.raises(ShareOutside):
            looks_needed(share)
    for looked, lot in ((11, 10), (-1, 10)):
        with pytest.raises(LooksDoNotFit):
            chance_seen(0.1, looked, lot)
    with pytest.raises(LooksDoNotFit):
        bad_units(5, 4, 10)
    for sensitivity, specificity in ((0.5, 0.5), (1.1, 1.0), (0.9, 1.1), (0.0, 1.0)):
        with pytest.raises(EyeUseless):
            Eye(sensitivity, specificity)
    with pytest.raises(EyeUseless):
        days_between_looks(5, 0.2, 50, 4.0, eye=Eye(0.9, 0.99))
    for every, doubling in ((0.0, 4.0), (1.0, 0.0)):
        with pytest.raises(NoGrowth):
            chance_in_time(every, 5, 0.2, 50, doubling)
    with pytest.raises(NoGrowth):
        days_between_looks(5, 0.2, 50, -inf)
