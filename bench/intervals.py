"""The median day between checks with 1,000 resamples, beside a loop over lifelines' interval-censoring fit.

Both start from the same observations. lifelines takes intervals as closed, so its left ends are moved up by a hair, as
its own documentation advises. It is timed at its default tolerance, which stops some 0.01 below the highest
log-likelihood, on a few resamples and scaled up to all. First it is checked that at a finer tolerance it climbs to the
same log-likelihood and no higher. Run: python -m bench.intervals
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np

from bench.row import Row, print_rows
from pinset.science.arrays import Floats
from pinset.science.intervals import estimate, time_estimate

UNITS = (80, 320)
RESAMPLES, PEER_RESAMPLES, TARGET = 1_000, 10, 100
HAIR = 1e-6
FINE, AGREE = 1e-9, 1e-3  # a rise of less than FINE a round still leaves some way to go


def looked_at(units: int) -> tuple[Floats, Floats]:
    """Invented units, made on four days of a week and looked at twice a week; one in twelve is never done."""
    numbers = np.random.default_rng(units)
    checks = np.cumsum(np.tile([3.0, 4.0], 8)) - numbers.integers(0, 4, units)[:, np.newaxis]
    first_done = (checks < 20.0 * numbers.weibull(6, units)[:, np.newaxis]).sum(axis=1)
    every = np.column_stack([np.zeros(units), checks])
    right = np.where(numbers.random(units) < 1 / 12, np.inf, every[np.arange(units), first_done + 1])
    return np.maximum(every[np.arange(units), first_done], 0.0), right


def peer_log_likelihood(left: Floats, right: Floats) -> float:
    """The log-likelihood of the spread that lifelines finds."""
    from lifelines import KaplanMeierFitter

    fitted = KaplanMeierFitter().fit_interval_censoring(left + HAIR, right, tol=FINE)
    survival = fitted.survival_function_.iloc[:, 1]
    after = np.where(np.isinf(right), 0.0, survival.reindex(right).to_numpy())
    return float(np.log(survival.reindex(left + HAIR).to_numpy() - after).sum())


def peer_seconds(left: Floats, right: Floats) -> float:
    """Seconds that lifelines takes for one resample, the drawing left out."""
    from lifelines import KaplanMeierFitter

    drawn = np.random.default_rng(1).integers(0, len(left), (PEER_RESAMPLES, len(left)))
    start = time.perf_counter()
    for each in drawn:
        KaplanMeierFitter().fit_interval_censoring(left[each] + HAIR, right[each])
    return (time.perf_counter() - start) / PEER_RESAMPLES


def rows() -> Iterator[Row]:
    """Ours and the peer, measured in the same run."""
    for units in UNITS:
        left, right = looked_at(units)
        found, theirs = estimate(left, right).log_likelihood, peer_log_likelihood(left, right)
        if not 0 <= found - theirs + HAIR <= AGREE:
            raise ArithmeticError(f"the fits disagree: log-likelihood {found} here, {theirs} from lifelines")
        time_estimate(left, right, resamples=10)  # first calls stay out of the count
        start = time.perf_counter()
        time_estimate(left, right, resamples=RESAMPLES)
        ours, peer = time.perf_counter() - start, RESAMPLES * peer_seconds(left, right)
        ratio = peer / ours
        what = f"median of {units} units between checks, {RESAMPLES:,} resamples"
        said = f"lifelines {peer:.1f} s (scaled from {PEER_RESAMPLES})"
        yield Row(what, f"{ours * 1000:.0f} ms", said, ratio, f">= {TARGET}", ratio >= TARGET)


if __name__ == "__main__":
    print_rows(rows())
