"""A short run of the coverage study: the same code as the full one, with bounds for fewer trials."""

from __future__ import annotations

import numpy as np

from bench.coverage import LOSSES, QUICK, WRONG, invented, rows, study
from pinset.science.power import Design, GivenTo

TRIALS = 250


def test_intervals_hold_what_they_say() -> None:
    # Four binomial errors of 250 trials: .055 for the coverage of .95, .04 for the false verdicts of .025.
    seen = list(study(QUICK, TRIALS))
    assert len(seen) == len(QUICK) * len(LOSSES)
    for design, _, mixed, fixed in seen:
        ours = fixed if design.given_to is GivenTo.BATCH else mixed
        assert ours.judged == TRIALS
        assert abs(ours.coverage - 0.95) < 4 * np.sqrt(0.95 * 0.05 / TRIALS)
        assert ours.false_pays < WRONG + 4 * np.sqrt(WRONG / TRIALS)


def test_rows_name_the_analysis_that_the_unit_asks_for() -> None:
    found = rows([Design(2, 3, 2, given_to) for given_to in GivenTo], trials=5)
    assert [row.ours.split()[:2] for row in found] == [
        ["mixed", "model"],
        ["mixed", "model"],
        ["batch", "means"],
        ["batch", "means"],
    ]


def test_losses_are_at_random_and_the_second_arm_gains() -> None:
    trial = invented(Design(3, 400, 5, GivenTo.UNIT), 0.2, np.random.default_rng(1))
    assert abs(len(trial.response) / 6000 - 0.8) < 0.02
    means = [trial.response[trial.arm == arm].mean() for arm in range(3)]
    assert abs(means[1] - means[0] - 0.03) < 0.01
    assert abs(means[2] - means[0]) < 0.01
