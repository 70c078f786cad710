from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.science.pooling import (
    CannotPool,
    CountsDoNotFit,
    Effect,
    RatioNeedsPositiveMeans,
    Reach,
    Spread,
    TooFewEffects,
    VarianceNotPositive,
    Width,
    log_odds_ratio,
    log_response_ratio,
    log_risk_ratio,
    mean_difference,
    pool,
    synthesis,
    without_each,
)

values = st.floats(-2, 2)
variances = st.floats(1e-4, 1)
effects = st.builds(Effect, values, variances)
farms = st.lists(effects, min_size=2, max_size=12)


def deviance(pooled_at: float, given_effects: list[Effect], restricted: bool) -> float:
    """Minus twice the log-likelihood from the dense normal density, written another way than the module's."""
    y, v = np.array(given_effects).T
    covariance = np.diag(v + pooled_at)
    ones = np.ones(len(y))
    inverse = np.linalg.inv(covariance)
    mean = ones @ inverse @ y / (ones @ inverse @ ones)
    residual = y - mean
    plain = np.linalg.slogdet(covariance)[1] + residual @ inverse @ residual
    return float(plain + (np.log(ones @ inverse @ ones) if restricted else 0.0))


@settings(deadline=None)  # the first call imports an optimiser
@given(farms, st.booleans())
def test_no_other_spread_is_likelier(given_effects: list[Effect], restricted: bool) -> None:
    spread = Spread.RESTRICTED if restricted else Spread.LIKELIHOOD
    best = pool(given_effects, spread=spread).between
    least = deviance(best, given_effects, restricted)
    for other in [0.0, best * 0.9, best * 1.1, *np.geomspace(1e-6, 10, 15)]:
        assert least <= deviance(other, given_effects, restricted) + 1e-7


@given(farms)
def test_mean_lies_among_the_farms(given_effects: list[Effect]) -> None:
    found = pool(given_effects)
    seen = [effect.value for effect in given_effects]
    assert min(seen) - 1e-9 <= found.mean <= max(seen) + 1e-9
    assert sum(found.shares) == pytest.approx(1)
    assert found.interval.low <= found.mean <= found.interval.high
    assert found.prediction.low <= found.interval.low
    assert found.prediction.high >= found.interval.high
    assert 0 <= found.inconsistency < 1


@given(farms)
def test_modified_interval_is_never_narrower(given_effects: list[Effect]) -> None:
    modified = pool(given_effects)
    for width in (Width.KNAPP_HARTUNG, Width.NORMAL):
        other = pool(given_effects, width=width)
        assert modified.interval.low <= other.interval.low + 1e-9
        assert modified.interval.high >= other.interval.high - 1e-9


@given(farms, st.floats(-3, 3), st.floats(0.1, 10))
def test_shift_and_scale_go_through(given_effects: list[Effect], shift: float, scale: float) -> None:
    before = pool(given_effects, spread=Spread.MOMENTS)
    moved = [Effect(shift + scale * value, scale**2 * variance) for value, variance in given_effects]
    after = pool(moved, spread=Spread.MOMENTS)
    assert after.mean == pytest.approx(shift + scale * before.mean, abs=1e-8)
    assert after.between == pytest.approx(scale**2 * before.between, abs=1e-8)
    assert after.inconsistency == pytest.approx(before.inconsistency, abs=1e-6)


@given(st.lists(effects, min_size=2, max_size=8), st.randoms())
def test_order_of_farms_does_not_matter(given_effects: list[Effect], dice: np.random.Generator) -> None:
    shuffled = sorted(given_effects, key=lambda effect: dice.random())
    assert pool(shuffled).mean == pytest.approx(pool(given_effects).mean, abs=1e-8)


def test_farms_alike_have_no_spread() -> None:
    found = pool([Effect(0.2, 0.01)] * 6)
    assert found.between == 0
    assert found.between_interval.low == 0
    assert found.mean == pytest.approx(0.2)
    assert found.standard_error == pytest.approx(np.sqrt(0.01 / 6))
    plain = pool([Effect(0.2, 0.01)] * 6, width=Width.KNAPP_HARTUNG)
    assert plain.p == pytest.approx(0, abs=1e-12)
    assert pool([Effect(0.0, 0.01)] * 6, width=Width.KNAPP_HARTUNG).p == 1


def test_higgins_degrees_of_freedom_widen_the_prediction() -> None:
    given_effects = [Effect(0.1, 0.01), Effect(0.4, 0.01), Effect(-0.2, 0.02), Effect(0.3, 0.01), Effect(0.2, 0.03)]
    usual, higgins = pool(given_effects), pool(given_effects, prediction_df=3)
    assert higgins.prediction.high > usual.prediction.high
    assert higgins.interval == usual.interval
    assert (usual.prediction_df, higgins.prediction_df) == (4, 3)


def test_chance_elsewhere_is_the_tail_of_the_prediction() -> None:
    found = pool([Effect(0.1, 0.01), Effect(0.4, 0.01), Effect(0.2, 0.02)])
    assert found.chance_elsewhere(found.prediction.low) == pytest.approx(0.975)
    assert found.chance_elsewhere(found.mean) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("count", "reach"),
    [(0, Reach.NOTHING), (1, Reach.NOTHING), (2, Reach.EACH_SHOWN), (4, Reach.EACH_SHOWN), (5, Reach.POOLED)],
)
def test_gates(count: int, reach: Reach) -> None:
    found = synthesis([Effect(0.1 * place, 0.01) for place in range(count)])
    assert found.reach is reach
    assert (found.pooled is not None) == (reach is Reach.POOLED)
    assert len(found.without_each) == (count if reach is Reach.POOLED else 0)


def test_one_heavy_farm_does_not_speak_for_all() -> None:
    found = synthesis([Effect(0.1, 0.0001)] + [Effect(0.1, 0.01)] * 6)
    assert found.reach is Reach.ONE_DOMINATES
    assert found.pooled is None


@settings(max_examples=20)
@given(st.lists(effects, min_size=3, max_size=6))
def test_without_each_leaves_that_one_out(given_effects: list[Effect]) -> None:
    for left, found in enumerate(without_each(given_effects)):
        assert found == pool(given_effects[:left] + given_effects[left + 1 :])


def test_refusals() -> None:
    with pytest.raises(TooFewEffects):
        pool([Effect(0.1, 0.01)])
    for variance in (0.0, -1.0, np.nan, np.inf):
        with pytest.raises(VarianceNotPositive):
            pool([Effect(0.1, 0.01), Effect(0.1, variance)])
    with pytest.raises(RatioNeedsPositiveMeans):
        log_response_ratio(0.0, 1.0, 0.1, 0.1)
    with pytest.raises(CountsDoNotFit):
        log_risk_ratio(5, 4, 0, 4)
    with pytest.raises(CountsDoNotFit):
        log_odds_ratio(0, 0, 0, 4)
    assert all(issubclass(kind, CannotPool) for kind in (TooFewEffects, VarianceNotPositive, CountsDoNotFit))


def test_empty_cells_get_a_half() -> None:
    # (0.5 / 21) / (2.5 / 21) and (0.5 / 20.5) / (2.5 / 18.5)
    assert log_risk_ratio(0, 20, 2, 20).value == pytest.approx(np.log(0.2))
    assert log_odds_ratio(0, 20, 2, 20).value == pytest.approx(np.log(0.5 * 18.5 / (20.5 * 2.5)))
    assert log_risk_ratio(20, 20, 20, 20).value == 0


@given(st.integers(1, 30), st.integers(1, 30))
def test_swapping_the_arms_turns_the_sign(events: int, control_events: int) -> None:
    for measure in (log_risk_ratio, log_odds_ratio):
        there, back = measure(events, 40, control_events, 50), measure(control_events, 50, events, 40)
        assert there.value == pytest.approx(-back.value)
        assert there.variance == pytest.approx(back.variance)


def test_response_ratio_variance_agrees_with_draws() -> None:
    draws = np.random.default_rng(5).multivariate_normal([0.22, 0.2], [[1e-4, 4e-5], [4e-5, 9e-5]], 200_000)
    seen = np.log(draws[:, 0] / draws[:, 1])
    effect = log_response_ratio(0.22, 0.2, 1e-4, 9e-5, 4e-5)
    assert effect.variance == pytest.approx(seen.var(), rel=0.02)  # the delta method is good to the square of the CV
    assert mean_difference(0.22, 0.2, 1e-4, 9e-5, 4e-5).variance == pytest.approx(1.1e-4)


def test_level_widens_every_interval() -> None:
    given_effects = [Effect(0.1, 0.01), Effect(0.5, 0.01), Effect(0.2, 0.02), Effect(-0.3, 0.03)]
    for narrow, wide in pairwise(pool(given_effects, confidence=confidence) for confidence in (0.8, 0.95, 0.99)):
        for name in ("interval", "prediction", "between_interval"):
            assert getattr(wide, name).high > getattr(narrow, name).high
