"""A mixed model of a whole trial beside statsmodels' MixedLM: 6 arms in 8 blocks, batches of 6 units.

Both go from columns of labels and weights to a fit with standard errors, ours with degrees of freedom as well; the peer
is called as its manual shows, by formula. The best of several rounds counts. The target is for the whole trial; what
lost units cost is shown beside it. Run: python -m bench.mixed
"""

from __future__ import annotations

import math
import time
import warnings
from collections.abc import Callable, Iterator
from itertools import product
from typing import Any

import numpy as np

from bench.row import Row, print_rows
from pinset.science.arrays import Floats, Integers
from pinset.science.contrasts import cell_means
from pinset.science.mixed import Grouping, MixedFit, crossed, fit

ARMS, BLOCKS, UNITS = 6, 8, 6
TARGET = 20
ROUNDS, AT_A_TIME = 8, 4


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


def milliseconds(*calls: Callable[[], object]) -> list[float]:
    """The best time of each call, a few at a time in turn, so that a busy machine is as busy for all."""
    times = [math.inf] * len(calls)
    for _, (place, call), _ in product(range(ROUNDS), enumerate(calls), range(AT_A_TIME)):
        start = time.perf_counter()
        call()
        times[place] = min(times[place], 1000.0 * (time.perf_counter() - start))
    return times


def fitted(lost: float, batches: bool) -> Row:
    """One model of one trial, by both."""
    import pandas as pd

    response, arm, block = trial(lost)
    table = pd.DataFrame({"response": response, "arm": arm, "block": block})
    our_time, their_time = milliseconds(
        lambda: ours(response, arm, block, batches), lambda: by_statsmodels(table, batches)
    )
    what = f"{'block and batch' if batches else 'block alone'}, {f'{lost:.0%} of units lost' if lost else 'complete'}"
    ratio = their_time / our_time
    peer, target = f"MixedLM {their_time:.1f} ms", "none" if lost else f">= {TARGET}"
    return Row(what, f"{our_time:.2f} ms", peer, ratio, target, bool(lost) or ratio >= TARGET)


def rows() -> Iterator[Row]:
    """Ours and the peer, measured in the same run."""
    for lost in (0.0, 0.1):
        for batches in (True, False):
            yield fitted(lost, batches)


if __name__ == "__main__":
    print_rows(rows())
