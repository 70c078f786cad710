"""Yields: shares of what went in, per unit made, and which values are asked about."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.science.ratios import NothingToDivideBy
from pinset.science.yields import (
    EFFICIENCY_LIMIT,
    YIELD_LIMIT,
    DoesNotWeigh,
    DryBasis,
    Judgement,
    Limit,
    MoistureNotAShare,
    NothingToYieldFrom,
    WeightBelowZero,
    biological_efficiency,
    dry_weight,
    flush_shares,
    judge,
    per_shelf_day,
    per_unit,
    yield_fraction,
)

kilograms = st.floats(0.01, 50)


@given(kilograms, kilograms, st.floats(0, 0.99), kilograms)
def test_efficiency_is_yield_over_dryness(picked: float, wet: float, moisture: float, spawn: float) -> None:
    dry = dry_weight([wet], moisture)
    alone = biological_efficiency([picked], dry, [spawn], basis=DryBasis.SUBSTRATE)
    assert alone.value[0] == pytest.approx(yield_fraction([picked], [wet])[0] / (1 - moisture))
    with_spawn = biological_efficiency([picked], dry, [spawn], basis=DryBasis.ALL)
    assert with_spawn.value[0] < alone.value[0]
    assert with_spawn.basis is DryBasis.ALL
    assert with_spawn.value[0] * (dry[0] + spawn) == pytest.approx(picked)


def test_what_is_not_known_stays_so() -> None:
    assert np.isnan(yield_fraction([0.4], [np.nan])).all()
    assert np.isnan(dry_weight([2.0], np.nan)).all()


@pytest.mark.parametrize(
    ("act", "situation"),
    [
        (lambda: yield_fraction([-0.1], [2.0]), WeightBelowZero),
        (lambda: yield_fraction([0.1], [0.0]), NothingToYieldFrom),
        (lambda: biological_efficiency([0.1], [0.0], basis=DryBasis.ALL), NothingToYieldFrom),
        (lambda: biological_efficiency([0.1], [1.0], [-0.1], basis=DryBasis.ALL), WeightBelowZero),
        (lambda: per_shelf_day([1.0], [0.0]), NothingToYieldFrom),
        (lambda: dry_weight([1.0], 1.0), MoistureNotAShare),
        (lambda: dry_weight([1.0], 65), MoistureNotAShare),
        (lambda: flush_shares([0.0], [1]), NothingToYieldFrom),
    ],
)
def test_what_cannot_be_is_refused(act: Callable[[], object], situation: type[DoesNotWeigh]) -> None:
    with pytest.raises(situation, match=r"\.$"):
        act()


@given(st.lists(st.tuples(st.sampled_from([0.0, 0.2, 0.5, 0.7]), st.integers(1, 4)), min_size=1, max_size=20))
def test_units_that_gave_nothing_were_made_too(units: list[tuple[float, int]]) -> None:
    picked, batch = (np.array(column) for column in zip(*units, strict=True))
    found = per_unit(picked, batch)
    assert found.made.value == pytest.approx(picked.mean())
    assert (found.units_made, found.units_fruited) == (len(units), int((picked > 0).sum()))
    assert found.made.count == len(set(batch.tolist()))
    if found.units_fruited:
        assert found.fruited is not None
        assert found.fruited.value == pytest.approx(picked[picked > 0].mean())
        assert found.fruited.value >= found.made.value
    else:
        assert found.fruited is None


def test_no_units_no_yield() -> None:
    with pytest.raises(NothingToDivideBy):
        per_unit([], np.array([], dtype=int))


@given(st.lists(st.tuples(kilograms, st.integers(1, 5)), min_size=1, max_size=20), st.floats(0.1, 10))
def test_flush_shares_add_up(picks: list[tuple[float, int]], scale: float) -> None:
    weights, flushes = (np.array(column) for column in zip(*picks, strict=True))
    shares = flush_shares(weights, flushes)
    assert shares.sum() == pytest.approx(1.0)
    assert len(shares) == flushes.max()
    np.testing.assert_allclose(flush_shares(scale * weights, flushes), shares)


def test_each_verdict_can_be_had() -> None:
    at_limits = [1.5, 1.51, 2.5, 2.51, np.nan]
    assert judge(at_limits, EFFICIENCY_LIMIT) == [
        Judgement.PLAUSIBLE, Judgement.UNUSUAL, Judgement.UNUSUAL, Judgement.IMPLAUSIBLE, Judgement.UNDECIDED,
    ]  # fmt: skip
    assert judge(1.2, YIELD_LIMIT) == [Judgement.IMPLAUSIBLE]


@pytest.mark.parametrize("limit", [EFFICIENCY_LIMIT, YIELD_LIMIT])
def test_limits_say_why_and_whence(limit: Limit) -> None:
    assert 0 < limit.unusual < limit.implausible
    assert limit.reason
    assert limit.source
