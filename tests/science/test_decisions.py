from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.science.confidence import Confidence
from pinset.science.decisions import (
    Further,
    MarginNegative,
    NoBlocks,
    PriceNotPositive,
    TooFewToForesee,
    Verdict,
    blocks_to_settle,
    chance_to_settle,
    decide,
    further_blocks,
    margin_from_money,
    most_worth,
    no_worse_than,
    worth_of_blocks,
    worth_of_knowing,
)

gains = st.builds(Confidence, st.floats(-1, 1), st.floats(0.01, 1), st.one_of(st.floats(2, 60), st.just(float("inf"))))


@given(gains, st.floats(-1, 1), st.floats(0.5, 0.99))
def test_verdict_is_where_the_interval_lies(gain: Confidence, bar: float, confidence: float) -> None:
    verdict, chance = decide(gain, bar, confidence), gain.chance_above(bar)
    if verdict is Verdict.PAYS:
        assert chance >= (1 + confidence) / 2 - 1e-9
    elif verdict is Verdict.DOES_NOT_PAY:
        assert chance <= (1 - confidence) / 2 + 1e-9
    else:
        assert (1 - confidence) / 2 - 1e-9 <= chance <= (1 + confidence) / 2 + 1e-9


def test_pays_is_wrong_no_oftener_than_said() -> None:
    numbers = np.random.default_rng(3)
    blocks, trials = 5, 20_000
    differences = numbers.normal(0.0, 0.1, (trials, blocks))  # an arm that gains nothing
    errors = differences.std(axis=1, ddof=1) / np.sqrt(blocks)
    found = [
        decide(Confidence(float(value), float(error), blocks - 1))
        for value, error in zip(differences.mean(axis=1), errors, strict=True)
    ]
    for verdict in (Verdict.PAYS, Verdict.DOES_NOT_PAY):
        assert found.count(verdict) / trials == pytest.approx(0.025, abs=4 * np.sqrt(0.025 / trials))


@given(gains, st.floats(0, 1), st.floats(0.6, 0.99))
def test_no_worse_agrees_with_its_p(difference: Confidence, margin: float, confidence: float) -> None:
    found = no_worse_than(difference, margin, confidence)
    assert found.holds == (found.lowest > -margin)
    if abs(found.p - (1 - confidence)) > 1e-9:
        assert found.holds == (found.p < 1 - confidence)


def test_margin_from_money() -> None:
    assert margin_from_money(0.6, 12.0) == pytest.approx(0.05)
    assert margin_from_money(-1.0, 12.0) == 0
    with pytest.raises(PriceNotPositive):
        margin_from_money(1.0, 0.0)
    with pytest.raises(MarginNegative):
        no_worse_than(Confidence(0.0, 1.0, 5), -0.1)


@pytest.mark.parametrize(("value", "df", "more"), [(0.3, 4, 1), (-0.5, 8, 3), (0.0, 3, 5), (1.0, 6, 2)])
def test_worth_of_blocks_agrees_with_simulated_blocks(value: float, df: int, more: int) -> None:
    blocks, trials = df + 1, 400_000
    error, bar, scale = 0.6, 0.1, 50.0
    numbers = np.random.default_rng(11)
    # Draw a truth that the first blocks leave open, then the further blocks, then the choice they lead to.
    spreads = error * np.sqrt(blocks) * np.sqrt(df / numbers.chisquare(df, trials))
    truths = value + spreads / np.sqrt(blocks) * numbers.normal(size=trials)
    seen = truths + spreads / np.sqrt(more) * numbers.normal(size=trials)
    means = (blocks * value + more * seen) / (blocks + more)
    now = max(0.0, value - bar)
    gained = scale * (np.where(means > bar, truths - bar, 0.0) - now)
    worth = worth_of_blocks(Confidence(value, error, df), blocks, more, scale, bar)
    assert worth == pytest.approx(gained.mean(), abs=5 * gained.std() / np.sqrt(trials))
    known = scale * (np.maximum(truths - bar, 0.0) - now)
    certain = worth_of_knowing(Confidence(value, error, df), scale, bar)
    assert certain == pytest.approx(known.mean(), abs=5 * known.std() / np.sqrt(trials))


@given(gains, st.integers(1, 12), st.integers(1, 12))
def test_more_blocks_are_worth_more_but_never_more_than_knowing(gain: Confidence, blocks: int, more: int) -> None:
    few = worth_of_blocks(gain, blocks, more, scale=100)
    many = worth_of_blocks(gain, blocks, more + 1, scale=100)
    assert -1e-12 <= few <= many * (1 + 1e-9) + 1e-12
    assert many <= worth_of_knowing(gain, 100) * (1 + 1e-9) + 1e-12


def test_the_normal_loss_is_the_limit_of_t() -> None:
    for value in (0.0, 0.1, -0.3):
        near = worth_of_knowing(Confidence(value, 0.1, 1e6), 1000)
        assert near == pytest.approx(worth_of_knowing(Confidence(value, 0.1), 1000), rel=1e-4)


def test_the_unit_normal_loss() -> None:
    # Unit normal loss at 0, 1 and 2: .3989, .0833, .0085 (Raiffa & Schlaifer's table; from memory).
    found = [worth_of_knowing(Confidence(value, 1.0), 1.0) for value in (0.0, 1.0, 2.0)]
    assert [round(value, 4) for value in found] == [0.3989, 0.0833, 0.0085]


def test_blocks_are_made_only_where_worth_their_cost() -> None:
    gain = Confidence(0.02, 0.05, 8)
    cheap, dear = (further_blocks(gain, 9, scale=5000, block_cost=cost) for cost in (1.0, 100.0))
    assert [plan.more for plan in cheap] == list(range(1, 13))
    assert most_worth(cheap).net == max(plan.net for plan in cheap) > 0
    assert most_worth(dear) == Further(0, 0.0, 0.0)


def test_nothing_in_doubt_is_worth_nothing() -> None:
    assert worth_of_knowing(Confidence(0.5, 0.0, 5), 1000) == 0


@pytest.mark.parametrize("more", [1, 4, 15])
def test_chance_to_settle_agrees_with_simulation(more: int) -> None:
    blocks, value, error, trials = 8, 0.08, 0.05, 20_000
    numbers = np.random.default_rng(23)
    df = blocks - 1
    spreads = error * np.sqrt(blocks) * np.sqrt(df / numbers.chisquare(df, trials))
    truths = value + spreads / np.sqrt(blocks) * numbers.normal(size=trials)
    further = truths[:, np.newaxis] + spreads[:, np.newaxis] * numbers.normal(size=(trials, more))
    means = (blocks * value + further.sum(axis=1)) / (blocks + more)
    first = df * error**2 * blocks + blocks * value**2
    variances = (first + (further**2).sum(axis=1) - (blocks + more) * means**2) / (blocks + more - 1)
    errors = np.sqrt(variances / (blocks + more))
    settled = [
        decide(Confidence(float(mean), float(seen), blocks + more - 1)) is not Verdict.NOT_SETTLED
        for mean, seen in zip(means, errors, strict=True)
    ]
    # The new blocks are taken to differ among themselves as the old did, which shifts the chance by a few hundredths.
    found = chance_to_settle(Confidence(value, error, df), blocks, more, df_per_block=1)
    assert found == pytest.approx(np.mean(settled), abs=0.04)


def test_blocks_to_settle() -> None:
    assert blocks_to_settle(Confidence(0.5, 0.05, 4), 5, 1) == 0
    assert blocks_to_settle(Confidence(0.0, 0.05, 4), 5, 1) is None
    few = blocks_to_settle(Confidence(0.08, 0.05, 4), 5, df_per_block=1)
    many = blocks_to_settle(Confidence(0.08, 0.05, 4), 5, df_per_block=1, confidence=0.99)
    assert few is not None
    assert many is not None
    assert 0 < few < many


def test_refusals() -> None:
    gain = Confidence(0.1, 0.05, 1.5)
    with pytest.raises(TooFewToForesee):
        worth_of_knowing(gain, 100)
    for blocks, more in [(0, 1), (3, 0)]:
        with pytest.raises(NoBlocks):
            worth_of_blocks(gain, blocks, more, 100)
        with pytest.raises(NoBlocks):
            chance_to_settle(gain, blocks, more, 1)
