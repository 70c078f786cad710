from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.science.confidence import Confidence

distributions = st.builds(
    Confidence, st.floats(-10, 10), st.floats(0.01, 10), st.one_of(st.floats(1, 200), st.just(float("inf")))
)


@given(distributions, st.floats(0.05, 0.995))
def test_interval_and_chance_are_one_thing(estimate: Confidence, confidence: float) -> None:
    low, high = estimate.interval(confidence)
    assert estimate.chance_above(low) == pytest.approx((1 + confidence) / 2, abs=1e-9)
    assert estimate.chance_above(high) == pytest.approx((1 - confidence) / 2, abs=1e-9)
    for end in (low, high):
        assert estimate.p(end) == pytest.approx(1 - confidence, abs=1e-9)


def test_known_tails() -> None:
    # Student's t with 10 degrees of freedom passes 2.228 (two-sided .05), the normal 1.960: every printed table.
    assert Confidence(2.228, 1.0, 10).p() == pytest.approx(0.05, abs=5e-5)
    assert Confidence(1.960, 1.0).p() == pytest.approx(0.05, abs=5e-5)
    assert Confidence(40.0, 1.0).p() == pytest.approx(7.3e-350, abs=1e-300)
    assert Confidence(20.0, 1.0).p() == pytest.approx(5.507e-89, rel=1e-3)  # no rounding to nought far out


def test_no_doubt_at_all() -> None:
    sure = Confidence(1.0, 0.0, 5)
    assert [sure.chance_above(bar) for bar in (0.0, 1.0, 2.0)] == [1.0, 0.5, 0.0]
    assert (sure.p(), sure.p(1.0)) == (0.0, 1.0)
    assert sure.interval() == (1.0, 1.0)
    assert np.isinf(Confidence(1.0, 0.0).df)
