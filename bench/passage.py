"""How fast it is told how often each number of passages is best, beside the same resampling as a loop over numpy."""

from __future__ import annotations

from time import perf_counter
from typing import Final

import numpy as np

from bench.row import Row
from pinset.science.arrays import Floats, Integers
from pinset.science.renewal import how_often_best

PASSAGES: Final = 6
UNITS: Final = 60
DRAWS: Final = 10_000
TARGET: Final = 15.0


def invented(batches: int) -> tuple[Integers, Integers, Floats, Floats]:
    """Six passages of sixty units in so many batches each: passage, batch, gain and shelf-days of each unit."""
    generator = np.random.default_rng(11)
    passage = np.repeat(np.arange(PASSAGES), UNITS)
    batch = passage * batches + np.tile(np.arange(UNITS) % batches, PASSAGES)
    gain = 3.0 - 0.02 * passage**2 + 0.3 * generator.normal(size=PASSAGES * batches)[batch]
    gain += 0.5 * generator.normal(size=len(gain))
    return passage, batch, gain, 30.0 + passage + generator.normal(size=len(gain))


def loop(passage: Integers, batch: Integers, gain: Floats, shelf_days: Floats) -> Floats:
    """The same answer by a loop: each draw takes batches of each passage and adds up their totals with numpy."""
    totals = []
    for each in range(PASSAGES):
        here = passage == each
        which = np.unique(batch[here], return_inverse=True)[1]
        totals.append([np.bincount(which, weights=of) for of in (np.ones(here.sum()), gain[here], shelf_days[here])])
    generator = np.random.default_rng(0)
    best = np.zeros(PASSAGES)
    gains, days = np.empty(PASSAGES), np.empty(PASSAGES)
    for _ in range(DRAWS):
        for each, (units, money, time) in enumerate(totals):
            drawn = generator.integers(len(units), size=len(units) - 1)
            made = units[drawn].sum()
            gains[each], days[each] = money[drawn].sum() / made, time[drawn].sum() / made
        best[(gains.cumsum() / days.cumsum()).argmax()] += 1
    return best / DRAWS


def measure(batches: int, repeats: int = 5) -> Row:
    """One line: the best of a few runs of ours, and one of the loop; both must say the same within their chance."""
    units = invented(batches)
    times = []
    for _ in range(repeats):
        begun = perf_counter()
        found = how_often_best(*units, resamples=DRAWS)
        times.append(perf_counter() - begun)
    begun = perf_counter()
    slow = loop(*units)
    peer = perf_counter() - begun
    # Six standard errors of a difference of two shares of 10,000 draws each.
    if np.abs(found.best - slow).max() > 6 * np.sqrt(0.5 / DRAWS):
        raise AssertionError(f"ours {found.best} and the loop's {slow} differ")
    ours = min(times)
    what = f"how often each of {PASSAGES} passages x {UNITS} units in {batches} batches is best, {DRAWS:,} draws"
    return Row(
        what,
        f"{ours * 1e3:.1f} ms",
        f"{peer * 1e3:.0f} ms numpy in a loop",
        peer / ours,
        ">= 15",
        peer >= TARGET * ours,
    )


def rows() -> list[Row]:
    """Batches of ten units, as on a farm, and each unit its own batch, which is the most work."""
    return [measure(batches) for batches in (6, 60)]
