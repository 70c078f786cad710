from __future__ import annotations

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.decline import (
    ControlNotFresher,
    Finding,
    Season,
    Shape,
    Telling,
    TooFewBatches,
    TooFewPassages,
    decline,
    season,
)

FEW = 40


@st.composite
def lines(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Passages (at least two of them, one with two batches), responses and weights of some batches."""
    passages = draw(st.lists(st.integers(1, 6), min_size=2, max_size=8).filter(lambda each: len(set(each)) > 1))
    passages.append(passages[0])
    count = len(passages)
    response = draw(st.lists(st.integers(-50, 50), min_size=count, max_size=count))
    weight = draw(st.lists(st.integers(1, 5), min_size=count, max_size=count))
    return np.array(passages), np.array(response) / 10, np.array(weight, dtype=float)


def squares(values: np.ndarray, passage: np.ndarray, response: np.ndarray, weight: np.ndarray) -> float:
    at = np.unique(passage)
    return float(weight @ (response - values[np.searchsorted(at, passage)]) ** 2)


@settings(max_examples=30, deadline=None)
@given(lines())
def test_a_fall_of_any_shape_is_scipys_isotonic_regression(line: tuple[np.ndarray, np.ndarray, np.ndarray]) -> None:
    from scipy.optimize import isotonic_regression

    passage, response, weight = line
    found = decline(*line, control=None, resamples=FEW)
    weights = np.bincount(passage, weights=weight)[found.passages]
    peer = isotonic_regression(found.means, weights=weights, increasing=False).x
    assert found.fits[Shape.FALL].values.tolist() == pytest.approx(peer.tolist(), abs=1e-9)
    assert found.batches.sum() == len(passage)
    assert (found.means * weights).sum() == pytest.approx(weight @ response)


@settings(max_examples=30, deadline=None)
@given(lines())
def test_shapes_keep_their_shape_and_the_freer_fit_is_the_nearer(
    line: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:
    found = decline(*line, control=None, resamples=FEW)
    values = {shape: fit.values for shape, fit in found.fits.items()}
    missed = {shape: squares(each, *line) for shape, each in values.items()}
    assert np.ptp(values[Shape.LEVEL]) == pytest.approx(0.0, abs=1e-9)
    assert np.all(np.diff(values[Shape.FALL]) <= 1e-9)
    turns = np.sign(np.round(np.diff(values[Shape.RISE_AND_FALL]), 9))
    turns = turns[turns != 0]
    assert np.all(np.diff(turns) <= 0)
    assert np.all(np.diff(values[Shape.BEND]) <= 1e-9)
    assert missed[Shape.RISE_AND_FALL] <= missed[Shape.FALL] + 1e-9 <= missed[Shape.BEND] + 2e-9
    assert missed[Shape.BEND] <= missed[Shape.LEVEL] + 1e-9
    if found.slope.value < 0:
        assert missed[Shape.BEND] <= missed[Shape.LINE] + 1e-9


@settings(max_examples=30, deadline=None)
@given(lines())
def test_the_rise_and_fall_is_the_best_of_all_its_turns(line: tuple[np.ndarray, np.ndarray, np.ndarray]) -> None:
    from scipy.optimize import isotonic_regression

    passage, _, weight = line
    found = decline(*line, control=None, resamples=FEW)
    weights = np.bincount(passage, weights=weight)[found.passages]
    ways = []
    for turn in range(len(weights) + 1):
        parts = [
            isotonic_regression(found.means[part], weights=weights[part], increasing=increasing).x
            for part, increasing in ((slice(0, turn), True), (slice(turn, None), False))
            if len(weights[part])
        ]
        ways.append(squares(np.concatenate(parts), *line))
    assert squares(found.fits[Shape.RISE_AND_FALL].values, *line) == pytest.approx(min(ways), abs=1e-9)


def test_the_line_is_the_usual_one_and_through_the_control_where_there_is_one() -> None:
    generator = np.random.default_rng(3)
    passage, weight = np.repeat(np.arange(1, 6), 3), generator.integers(1, 9, 15).astype(float)
    response = 0.2 - 0.1 * passage + generator.normal(0, 0.1, 15)
    slope, level = np.polyfit(passage, response, 1, w=np.sqrt(weight))
    free = decline(passage, response, weight, control=None, resamples=FEW)
    assert free.slope.value == pytest.approx(slope)
    assert free.fits[Shape.LINE].values.tolist() == pytest.approx((level + slope * np.arange(1, 6)).tolist())
    tied = decline(passage, response, weight, resamples=FEW)
    through = (weight * passage) @ response / ((weight * passage) @ passage)
    assert tied.slope.value == pytest.approx(through, rel=1e-6)
    assert tied.passages[0] == 0
    for fit in tied.fits.values():
        assert fit.values[0] == pytest.approx(0.0, abs=1e-6)


def test_scores_of_the_level_are_the_textbooks() -> None:
    passage, response = np.array([1, 1, 2, 2, 3, 3]), np.array([0.1, 0.3, 0.2, 0.0, -0.1, 0.4])
    fit = decline(passage, response, control=None, resamples=FEW).fits[Shape.LEVEL]
    rest = response - response.mean()
    # Leaving one of n out moves the mean so that each is missed by n / (n - 1) of what it lies off it.
    assert fit.error == pytest.approx(float(np.sqrt(np.mean((rest * 6 / 5) ** 2))))
    assert fit.aicc == pytest.approx(6 * np.log(rest @ rest / 6) + 2 * 2 + 2 * 2 * 3 / (6 - 2 - 1))


def test_few_batches_have_no_criterion_for_a_rich_shape() -> None:
    fits = decline(np.array([1, 1, 2, 3]), np.array([0.1, 0.2, 0.0, -0.5]), control=None, resamples=FEW).fits
    assert fits[Shape.RISE_AND_FALL].aicc == inf
    assert fits[Shape.LEVEL].aicc < inf


def test_intervals_are_as_wide_as_theory_says_of_the_mean() -> None:
    generator = np.random.default_rng(6)
    passage = np.repeat([1, 2, 3], 20)
    response = generator.normal(0, 0.2, 60)
    found = decline(passage, response, control=None, resamples=4000)
    within = response - np.repeat(response.reshape(3, 20).mean(axis=1), 20)
    half = 1.96 * np.sqrt(within @ within / 57 / 60)
    level = found.fits[Shape.LEVEL]
    assert (level.high[0] - level.low[0]) / 2 == pytest.approx(half, rel=0.06)


def test_a_rise_before_the_fall_is_seen_and_the_line_does_not_hide_it() -> None:
    generator = np.random.default_rng(1)
    passage = np.repeat(np.arange(1, 7), 4)
    truth = np.array([0.0, 0.15, 0.2, 0.0, -0.3, -0.5, -0.6])
    found = decline(passage, truth[passage] + generator.normal(0, 0.05, 24), resamples=500)
    assert found.peak in (1, 2)
    assert found.rises_first > 0.95
    assert (found.falls_from, str(found)) == (4, "falls from passage 4 on")
    best = min(found.fits, key=lambda shape: found.fits[shape].aicc)
    assert best is Shape.RISE_AND_FALL
    assert found.fits[best].error < 0.5 * found.fits[Shape.LINE].error


def test_the_bend_is_found_with_its_doubt() -> None:
    generator = np.random.default_rng(2)
    passage = np.repeat(np.arange(1, 8), 5)
    response = -0.2 * np.maximum(0, passage - 3) + generator.normal(0, 0.1, 35)
    found = decline(passage, response, resamples=500)
    assert found.level_until.value == 3
    assert found.level_until.low <= 3 <= found.level_until.high
    assert found.level_until.high - found.level_until.low <= 2


def by_t_test(passage: np.ndarray, response: np.ndarray, controlled: bool) -> int | None:
    """The last unbroken row of one-sided tests at 0.025, each worked out anew."""
    from scipy.stats import t as student

    groups = {int(level): response[passage == level] for level in np.unique(passage)}
    df = len(response) - len(groups)
    variance = sum(((group - group.mean()) ** 2).sum() for group in groups.values()) / df
    compared = list(groups) if controlled else list(groups)[1:]
    base, extra = (0.0, 0.0) if controlled else (groups[1].mean(), 1 / len(groups[1]))
    first = None
    for level in reversed(compared):
        value = (groups[level].mean() - base) / np.sqrt(variance * (1 / len(groups[level]) + extra))
        if student.cdf(value, df) >= 0.025:
            break
        first = level
    return first


@pytest.mark.parametrize("controlled", [True, False])
@pytest.mark.parametrize("seed", range(8))
def test_the_word_is_that_of_tests_from_the_last_passage_back(seed: int, controlled: bool) -> None:
    generator = np.random.default_rng(seed)
    passage = np.repeat(np.arange(1, 5), generator.integers(1, 5, 4) + 1)
    response = -0.06 * passage**1.5 + 0.1 + generator.normal(0, 0.15, len(passage))
    found = decline(passage, response, control=0 if controlled else None, resamples=FEW)
    expected = by_t_test(passage, response, controlled)
    assert found.falls_from == expected
    assert found.finding is (Finding.CANNOT_BE_TOLD if expected is None else Finding.FALLS)


def test_a_fall_seen_once_and_gone_again_is_none() -> None:
    passage = np.repeat([1, 2, 3], 3)
    response = np.array([0.0, 0.01, -0.01, -1.0, -1.01, -0.99, 0.0, 0.01, -0.01])
    assert decline(passage, response, resamples=FEW).finding is Finding.CANNOT_BE_TOLD


def test_no_fall_is_said_only_where_none_that_matters_is_left_open() -> None:
    generator = np.random.default_rng(0)
    passage = np.repeat([1, 2, 3], 12)
    response = 0.03 + generator.normal(0, 0.02, 36)
    assert decline(passage, response, matters=0.05, resamples=FEW).finding is Finding.NO_FALL
    assert str(decline(passage, response, matters=0.05, resamples=FEW)) == "no fall that matters"
    assert decline(passage, 10 * response - 0.3, matters=0.05, resamples=FEW).finding is Finding.CANNOT_BE_TOLD
    assert decline(passage, response, resamples=FEW).finding is Finding.CANNOT_BE_TOLD


def test_a_passage_with_one_batch_is_not_taken_for_sure() -> None:
    passage, response = np.array([1, 1, 1, 1, 2]), np.array([0.2, -0.2, 0.1, -0.1, -0.3])
    found = decline(passage, response, control=None, resamples=1000)
    fit = found.fits[Shape.RISE_AND_FALL]
    assert found.falls_from is None
    assert fit.high[1] - fit.low[1] > 1.5 * (fit.high[0] - fit.low[0])


def test_refusals() -> None:
    with pytest.raises(TooFewPassages):
        decline(np.array([2, 2]), np.zeros(2), control=None)
    with pytest.raises(TooFewBatches):
        decline(np.array([1, 2]), np.zeros(2))
    with pytest.raises(ControlNotFresher):
        decline(np.array([0, 1, 1]), np.zeros(3))
    with pytest.raises(TooFewPassages):
        season(np.array([1, 1]), np.zeros(2), np.zeros(2, dtype=bool))


def told(passage: list[int], day: list[float], controlled: list[int] | None = None, near: float = 7.0) -> Season:
    control = np.zeros(len(day), dtype=bool) if controlled is None else np.array(controlled, dtype=bool)
    return season(np.array(passage), np.array(day, dtype=float), control, near=near)


def test_passage_and_season_are_told_apart_or_the_reason_is_given() -> None:
    rounds = [1, 1, 2, 2, 3, 3], [0, 2, 30, 31, 60, 64]
    apart = told(*rounds)
    assert (apart.telling, apart.told_apart, apart.shared) == (Telling.APART, False, 0.0)
    assert told(*rounds, near=40).telling is Telling.TANGLED
    assert told(*rounds, controlled=[1, 0, 1, 0, 0, 1]).telling is Telling.CONTROLLED
    assert told(*rounds, controlled=[1, 1, 1, 1, 0, 0]).telling is Telling.APART
    mixed = told([1, 2, 3, 3, 2, 1], [0, 1, 2, 30, 31, 32])
    assert (mixed.telling, mixed.told_apart, mixed.shared) == (Telling.SIDE_BY_SIDE, True, 1.0)
    assert told([1, 2, 3], [5, 5, 5]).rank_correlation == 0.0
    assert told([1, 2, 1, 2], [0, 20, 21, 40]).shared == 0.5


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(1, 5), st.integers(0, 9)), min_size=3, max_size=20))
def test_rank_correlation_is_spearmans(rows: list[tuple[int, int]]) -> None:
    from scipy.stats import spearmanr

    passage, day = np.array(rows).T
    if np.ptp(passage) and np.ptp(day):
        found = season(passage, day.astype(float), np.zeros(len(day), dtype=bool))
        assert found.rank_correlation == pytest.approx(spearmanr(passage, day).statistic, abs=1e-9)
