"""A mixed model of a whole trial beside statsmodels' MixedLM: 6 arms in 8 blocks, batches of 6 units.

Both go from columns of labels and weights to a fit with standard errors, ours with degrees of freedom as well; the peer
is called as its manual shows, by formula. The best of several rounds counts. The target is for the whole trial; what
lost units cost is shown beside it. Run: python -m bench.mixed
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from bench.row import Row, print_rows
from pinset.science.arrays import Floats, Integers
from pinset.science.contrasts import cell_means
from pinset.science.mixed import Grouping, MixedFit, crossed, fit
from pinset.science.permutation import permutation_test

ARMS, BLOCKS, UNITS = 6, 8, 6
TARGET = 20
LONGEST_SHUFFLE = 100.0
ROUNDS = 15


def trial(lost: float) -> tuple[Floats, Integers, Integers]:
    """Response, arm and block of an invented trial, some of whose units were lost."""
    numbers = np.random.default_rng(7)
    arm, block, _ = (axis.ravel() for axis in np.indices((ARMS, BLOCKS, UNITS)))
    batches = numbers.normal(0, 0.7, ARMS * BLOCKS)[crossed(arm, block)]
    response = 0.3 * arm + numbers.normal(size=BLOCKS)[block] + batches + numbers.normal(size=len(arm))
    kept = numbers.random(len(arm)) >= lost
    return response[kept], arm[kept], block[kept]


def ours(response: Floats, arm: Integers, block: Integers, batches: bool) -> MixedFit:
    """Blocks, and batches within them where asked for, as random effects."""
    groupings = [Grouping("block", block)]
    if batches:
        groupings.append(Grouping("batch", crossed(arm, block)))
    return fit(response, cell_means(arm)[1], groupings)


def by_statsmodels(table: Any, batches: bool) -> Any:
    """The same model by formula."""
    from statsmodels.formula.api import mixedlm

    within: dict[str, Any] = {"re_formula": "1", "vc_formula": {"batch": "0 + C(arm)"}} if batches else {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return mixedlm("response ~ C(arm)", table, groups="block", **within).fit(reml=True)


def milliseconds(call: Callable[[], object]) -> float:
    """The best of several rounds."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return 1000.0 * min(times)


def fitted(lost: float, batches: bool) -> Row:
    """One model of one trial, by both."""
    import pandas as pd

    response, arm, block = trial(lost)
    table = pd.DataFrame({"response": response, "arm": arm, "block": block})
    our_time = milliseconds(lambda: ours(response, arm, block, batches))
    their_time = milliseconds(lambda: by_statsmodels(table, batches))
    what = f"{'block and batch' if batches else 'block alone'}, {f'{lost:.0%} of units lost' if lost else 'complete'}"
    ratio = their_time / our_time
    peer, target = f"MixedLM {their_time:.1f} ms", "none" if lost else f">= {TARGET}"
    return Row(what, f"{our_time:.2f} ms", peer, ratio, target, bool(lost) or ratio >= TARGET)


def shuffled() -> Row:
    """The permutation test of the same trial: all arms at once, and each alone, beside the time it may take."""
    response, arm, block = trial(0.0)
    taken = milliseconds(lambda: permutation_test(response, arm, block, 0))
    ratio = taken / LONGEST_SHUFFLE
    return Row(
        "10,000 shuffles of all arms and of each pair",
        f"{taken:.0f} ms",
        f"{LONGEST_SHUFFLE:.0f} ms",
        ratio,
        "< 1",
        ratio < 1,
    )


def rows() -> Iterator[Row]:
    """Ours and the peer, measured in the same run."""
    for lost in (0.0, 0.1):
        for batches in (True, False):
            yield fitted(lost, batches)
    yield shuffled()


if __name__ == "__main__":
    print_rows(rows())
