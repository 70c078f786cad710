"""A short run of the study of days and contamination: the same code as the full one."""

from __future__ import annotations

import numpy as np

from bench.coverage_events import CLEAN, DIRTY, LATER, contamination, counted, days, rows

TRIALS = 80


def test_intervals_hold_what_they_say() -> None:
    # Four binomial errors of 80 trials are .10; the study in the docs has the fewer days and the finer count.
    for trial, truth in ((days, LATER), (contamination, DIRTY - CLEAN)):
        found = counted(trial, truth, 6, 0.0, TRIALS)
        assert found.judged == TRIALS and abs(found.coverage - 0.95) < 4 * np.sqrt(0.95 * 0.05 / TRIALS)


def test_an_interval_of_another_truth_is_counted_as_missed() -> None:
    assert counted(days, LATER + 20.0, 6, 0.0, 10).coverage == 0.0


def test_a_row_says_how_many_trials_could_be_judged() -> None:
    found = rows(trials=3, blocks=(3,))
    assert len(found) == 4 and all("% of " in row.ours for row in found)
