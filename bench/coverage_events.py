"""Do the verdict's 95 % intervals of days and of contamination hold 95 times in 100, with the few days of growers?

Trials are invented from known truths, two arms of six units a batch made on the same days, and put through what the
verdict puts them through: `compare` for the difference of contaminated shares of batches, `differences_in_time` for the
difference of median days between checks three days apart. Losses: a fifth of the batches missing (contamination), a
fifth of the units never looked at (days). Run: python -m bench.coverage_events [TRIALS]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import NamedTuple, TypeAlias

import numpy as np

from bench.row import Row, print_rows
from pinset.questions._compare import Measured, compare
from pinset.questions._measures import Timed, differences_in_time
from pinset.science.confidence import Interval

BLOCKS = (3, 4, 6, 8, 10)
LOSSES = (0.0, 0.2)
ARMS = ("control", "other")
UNITS = 6
LOWEST, HIGHEST = 0.93, 0.97

# The truths: days to full colonisation, and shares of contaminated units.
MEDIAN, LATER, CHECKED = 16.0, 2.0, 3.0
DAY_SD, BATCH_SD, UNIT_SD = 1.0, 0.6, 1.5
CLEAN, DIRTY, ALIKE = 0.10, 0.20, 20.0
"""The shares of batches vary by a beta with this many units' worth of likeness."""


class Counted(NamedTuple):
    """Of ``judged`` trials, the share of intervals that held the truth, and their mean width."""

    judged: int
    coverage: float
    width: float


Trial: TypeAlias = Callable[[int, float, np.random.Generator], Interval | None]


def days(blocks: int, lost: float, numbers: np.random.Generator) -> Interval | None:
    """The interval of how much later the second arm's median is, in one invented trial."""
    block, arm, _ = (axis.ravel() for axis in np.indices((blocks, 2, UNITS)))
    true = (
        MEDIAN + LATER * arm
        + numbers.normal(0, DAY_SD, blocks)[block]
        + numbers.normal(0, BATCH_SD, (blocks, 2))[block, arm]
        + numbers.normal(0, UNIT_SD, len(arm))
    )  # fmt: skip
    offset = numbers.uniform(0, CHECKED, blocks)[block]
    left = np.maximum(0.0, np.floor((true - offset) / CHECKED) * CHECKED + offset)
    kept = numbers.random(len(arm)) >= lost
    timed = [
        Timed(ARMS[one], str(day), f"{day}-{one}", before, before + CHECKED)
        for one, day, before in zip(arm[kept], block[kept], left[kept], strict=True)
    ]
    found = differences_in_time(timed, ARMS, "batch", 0.95)["other"]
    return Interval(found.low, found.high)


def contamination(blocks: int, lost: float, numbers: np.random.Generator) -> Interval | None:
    """The interval of the difference of contaminated shares in one invented trial."""
    measured = []
    for block in range(blocks):
        for arm, share in zip(ARMS, (CLEAN, DIRTY), strict=True):
            if numbers.random() >= lost:
                here = numbers.beta(share * ALIKE, (1 - share) * ALIKE)
                bad = numbers.binomial(UNITS, here) / UNITS
                measured.append(Measured(arm, str(block), f"{arm}{block}", bad))
    found = compare(measured, ARMS)
    difference = None if found is None else found.arms[1].difference
    return None if difference is None else Interval(difference.low, difference.high)


STUDIES: dict[str, tuple[Trial, float]] = {
    "days": (days, LATER),
    "contamination": (contamination, DIRTY - CLEAN),
}


def counted(trial: Trial, truth: float, blocks: int, lost: float, trials: int, seed: int = 11) -> Counted:
    """Put many invented trials of one design through the analysis."""
    numbers = np.random.default_rng((seed, blocks, int(100 * lost)))
    judged = [found for _ in range(trials) if (found := trial(blocks, lost, numbers)) is not None]
    held = sum(found.low <= truth <= found.high for found in judged)
    widths = [found.high - found.low for found in judged]
    return Counted(len(judged), held / max(1, len(judged)), float(np.median(widths)) if widths else np.nan)


def rows(trials: int = 400, blocks: tuple[int, ...] = BLOCKS) -> list[Row]:
    """One row for each measure, number of days and loss."""
    table = []
    for name, (trial, truth) in STUDIES.items():
        for count in blocks:
            for lost in LOSSES:
                found = counted(trial, truth, count, lost, trials)
                table.append(
                    Row(
                        what=f"{name}: 2 arms x {count} days, {lost:.0%} lost",
                        ours=f"{found.coverage:.1%} of {found.judged}",
                        peer=f"median width {found.width:.3g}",
                        ratio=found.coverage / 0.95,
                        target="93 to 97 %",
                        met=LOWEST <= found.coverage <= HIGHEST,
                    )
                )
    return table


if __name__ == "__main__":
    sys.exit(not print_rows(rows(int(sys.argv[1]) if len(sys.argv) > 1 else 400)))
