"""Power of 20 designs by 5,000 simulated trials each, beside a loop over statsmodels' MixedLM.

The peer is timed on a few trials of each design, laid out unit by unit with the same losses, and scaled up to all of
them. Run: python -m bench.power
"""

from __future__ import annotations

import time
import warnings
from itertools import product, starmap

import numpy as np

from bench.row import Row, print_rows
from pinset.science.power import Design, GivenTo, VarianceParts, simulated_power

PARTS = VarianceParts(block=0.04**2, batch=0.02**2, unit=0.05**2, source="invented")
DIFFERENCE, LOST, TRIALS = 0.04, 0.1, 5_000
PEER_TRIALS = 2
TARGET = 500
DESIGNS = tuple(starmap(Design, product([2, 6], [3, 4, 6, 8, 10], [6], GivenTo)))


def laid_out(design: Design, numbers: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """One trial unit by unit: response, arm, block and batch, with units lost at random."""
    arm, block, _ = (axis.ravel() for axis in np.indices((design.arms, design.blocks, design.units)))
    batch = arm * design.blocks + block if design.given_to is GivenTo.BATCH else block
    response = (
        numbers.normal(0, PARTS.block**0.5, design.blocks)[block]
        + numbers.normal(0, PARTS.batch**0.5, batch.max() + 1)[batch]
        + numbers.normal(0, PARTS.unit**0.5, design.made)
        + DIFFERENCE * (arm == 1)
    )
    kept = numbers.random(design.made) >= LOST
    return response[kept], arm[kept], block[kept], batch[kept]


def peer_seconds(design: Design, numbers: np.random.Generator) -> float:
    """Seconds that statsmodels takes for one trial of a design: fit and p of the second arm."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    trials = [laid_out(design, numbers) for _ in range(PEER_TRIALS)]
    start = time.perf_counter()
    for response, arm, block, batch in trials:
        columns = np.column_stack([np.ones(len(arm)), *(arm == number for number in range(1, design.arms))])
        structure = _within(block, batch) if design.given_to is GivenTo.BATCH else None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # small trials often end on the edge of the parameter space
            fitted = MixedLM(response, columns.astype(float), groups=block, exog_vc=structure).fit(reml=True)
        float(fitted.pvalues[1])
    return (time.perf_counter() - start) / PEER_TRIALS


def _within(block: np.ndarray, batch: np.ndarray) -> object:
    """The batches within each block in the shape that statsmodels asks for."""
    from statsmodels.regression.mixed_linear_model import VCSpec

    matrices, names = [], []
    for label in np.unique(block):
        here = batch[block == label]
        labels = np.unique(here)
        matrices.append((here[:, np.newaxis] == labels).astype(float))
        names.append([str(name) for name in labels])
    return VCSpec(["batch"], [names], [matrices])


def rows() -> list[Row]:
    """Ours and the peer, measured in the same run."""
    start = time.perf_counter()
    for seed, design in enumerate(DESIGNS):
        simulated_power(design, PARTS, DIFFERENCE, lost=LOST, trials=TRIALS, seed=seed)
    ours = time.perf_counter() - start
    numbers = np.random.default_rng(1)
    peer_seconds(DESIGNS[0], numbers)  # imports and first calls stay out of the count
    theirs = TRIALS * sum(peer_seconds(design, numbers) for design in DESIGNS)
    ratio = theirs / ours
    what = f"power of {len(DESIGNS)} designs x {TRIALS:,} trials with losses"
    peer = f"statsmodels MixedLM loop {theirs / 3600:.1f} h (scaled from {PEER_TRIALS} each)"
    return [Row(what, f"{ours:.2f} s", peer, ratio, f">= {TARGET}", ratio >= TARGET)]


if __name__ == "__main__":
    print_rows(rows())
