"""Do 95 % intervals of yield differences hold 95 times in 100, with the few blocks that growers have?

Trials are invented from known variances and analysed in two ways: by the mixed model of all units with Satterthwaite's
degrees of freedom, and by least squares with fixed blocks, of units where the arm was given to the unit, of batch
means where it was given to the batch. Counted are the intervals that hold the true difference, and the verdicts "pays"
where the true gain is just the bar, so that "pays" is wrong. Run: python -m bench.coverage [TRIALS]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product, starmap
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from bench.row import Row, print_rows
from pinset.science.contrasts import Estimate, cell_means, contrast
from pinset.science.mixed import CannotFit, Grouping, fit
from pinset.science.power import Design, GivenTo, VarianceParts

PARTS = VarianceParts(block=0.04**2, batch=0.03**2, unit=0.05**2, source="invented")
DIFFERENCE = 0.03
LOWEST, HIGHEST = 0.93, 0.97
WRONG = 0.025
DESIGNS = tuple(starmap(Design, product([2, 3], [3, 4, 6, 8, 10], [6], GivenTo)))
QUICK = tuple(starmap(Design, product([2], [3, 6], [4], GivenTo)))
LOSSES = (0.0, 0.2)


@dataclass(frozen=True, eq=False, slots=True)
class Trial:
    """The units of one invented trial that kept their weight, one entry each."""

    given_to: GivenTo
    response: NDArray[np.float64]
    arm: NDArray[np.intp]
    block: NDArray[np.intp]
    batch: NDArray[np.intp]


Analysis: TypeAlias = Callable[[Trial], Estimate]


def invented(design: Design, lost: float, numbers: np.random.Generator) -> Trial:
    """A trial whose second arm yields `DIFFERENCE` more than the control, units lost at random."""
    arm, block, _ = (axis.ravel() for axis in np.indices((design.arms, design.blocks, design.units)))
    batch = arm * design.blocks + block if design.given_to is GivenTo.BATCH else block
    response = (
        numbers.normal(0.25, PARTS.block**0.5, design.blocks)[block]
        + numbers.normal(0.0, PARTS.batch**0.5, batch.max() + 1)[batch]
        + numbers.normal(0.0, PARTS.unit**0.5, design.made)
        + DIFFERENCE * (arm == 1)
    )
    kept = numbers.random(design.made) >= lost
    return Trial(design.given_to, response[kept], arm[kept], block[kept], batch[kept])


def mixed_model(trial: Trial) -> Estimate:
    """The second arm against the control by the mixed model of all units."""
    groupings = [Grouping("block", trial.block)]
    if trial.given_to is GivenTo.BATCH:
        groupings.append(Grouping("batch", trial.batch))
    arms, design = cell_means(trial.arm)
    return contrast(fit(trial.response, design, groupings), _second(len(arms)))


def fixed_blocks(trial: Trial) -> Estimate:
    """The second arm against the control by least squares with fixed blocks."""
    response, arm, block = trial.response, trial.arm, trial.block
    if trial.given_to is GivenTo.BATCH:
        _, first, batch = np.unique(trial.batch, return_index=True, return_inverse=True)
        response, arm, block = np.bincount(batch, response) / np.bincount(batch), arm[first], block[first]
    _, design = cell_means(arm)
    _, blocks = cell_means(block)
    columns = np.hstack([design, blocks[:, 1:]])
    return contrast(fit(response, columns), _second(columns.shape[1]))


def _second(coefficients: int) -> list[int]:
    return [-1, 1] + [0] * (coefficients - 2)


@dataclass(frozen=True, slots=True)
class Counted:
    """Of ``judged`` trials, how many intervals held the truth and how many wrongly said that the arm pays."""

    judged: int
    held: int
    wrong: int

    @property
    def coverage(self) -> float:
        """The part of intervals that held the truth."""
        return self.held / self.judged

    @property
    def false_pays(self) -> float:
        """The part of verdicts that wrongly said that the arm pays."""
        return self.wrong / self.judged


def counted(analysis: Analysis, trials: Sequence[Trial]) -> Counted:
    """Analyse trials of one design; a trial that lost too much to be judged is left out."""
    judged = held = wrong = 0
    for trial in trials:
        try:
            found = analysis(trial)
        except CannotFit:
            continue
        judged += 1
        held += found.low <= DIFFERENCE <= found.high
        wrong += found.low > DIFFERENCE
    return Counted(judged, held, wrong)


def study(designs: Sequence[Design], trials: int, seed: int = 7) -> Iterator[tuple[Design, float, Counted, Counted]]:
    """Each design, balanced and with losses: design, part lost, and what both analyses counted."""
    numbers = np.random.default_rng(seed)
    for design, lost in product(designs, LOSSES):
        made = [invented(design, lost, numbers) for _ in range(trials)]
        yield design, lost, counted(mixed_model, made), counted(fixed_blocks, made)


def rows(designs: Sequence[Design] = DESIGNS, trials: int = 1000) -> list[Row]:
    """The analysis that the experimental unit asks for, beside the other one.

    That is the mixed model where the arm was given to the unit. Where it was given to the batch it is batch means
    in fixed blocks, because with two arms in three or four blocks the mixed model often takes the batches to be alike.
    """
    noise = 3 * (WRONG / trials) ** 0.5
    table = []
    for design, lost, mixed, fixed in study(designs, trials):
        if design.given_to is GivenTo.BATCH:
            ours, other, name, other_name = fixed, mixed, "batch means", "mixed model"
        else:
            ours, other, name, other_name = mixed, fixed, "mixed model", "fixed blocks"
        table.append(
            Row(
                what=f"to each {design.given_to}: {design.arms} arms x {design.blocks} blocks, {lost:.0%} lost",
                ours=f"{name} {ours.coverage:.1%}, wrong 'pays' {ours.false_pays:.1%}",
                peer=f"{other_name} {other.coverage:.1%}, {other.false_pays:.1%}",
                ratio=ours.coverage / 0.95,
                target="93 to 97 %",
                met=LOWEST <= ours.coverage <= HIGHEST and ours.false_pays <= WRONG + noise,
            )
        )
    return table


if __name__ == "__main__":
    print_rows(rows(trials=int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
