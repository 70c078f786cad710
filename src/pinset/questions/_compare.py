"""Comparing arms with their control: one way for every measure, at the level the arm was given."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pinset.questions._batches import BatchRecord, UnitRecord
from pinset.questions._trial import GivenTo, Trial
from pinset.questions._words import span
from pinset.science.arrays import Floats
from pinset.science.confidence import Confidence
from pinset.science.contrasts import Estimate, cell_means, contrast, degrees_of_freedom
from pinset.science.mixed import CannotFit, Grouping, MixedFit, fit
from pinset.science.permutation import ArmsNeverMeet, NothingToShuffle, permutation_test
from pinset.science.proportions import Proportion, clopper_pearson, clustered_proportion
from pinset.science.simultaneous import against_control

# Satterthwaite's degrees of freedom fall below one where the days carry next to nothing: no interval is worth giving.
LEAST_FREEDOM = 1.0 - 1e-6


class Measured(NamedTuple):
    """One value of one experimental unit: a batch, or a unit where each unit had its own arm."""

    arm: str
    block: str
    batch: str
    value: float


@dataclass(frozen=True, slots=True)
class ArmResult:
    """An arm's mean and its difference from the control."""

    arm: str
    count: int
    mean: Estimate
    """Over the days that the trial was made on; its interval does not reach to other days."""
    difference: Estimate | None
    permutation_p: float | None

    @property
    def lies(self) -> int:
        """Where the whole interval of the difference lies: 1 above nothing, -1 below, 0 on both sides."""
        if self.difference is None:
            return 0
        return int(self.difference.low > 0) - int(self.difference.high < 0)

    @property
    def gain(self) -> Confidence | None:
        """The difference as a distribution of confidence."""
        one = self.difference
        return None if one is None else Confidence(one.value, one.standard_error, one.df)

    @property
    def confidence(self) -> float:
        """The confidence that this difference alone has, so that all arms and looks hold together."""
        if self.difference is None:
            return 0.0
        reach = (self.difference.high - self.difference.low) / 2
        return 2 * Confidence(0.0, self.difference.standard_error, self.difference.df).chance_above(-reach) - 1

    def size(self, unit: str, scale: float = 1.0) -> str:
        """The size of the difference with its interval, without its sign."""
        if self.difference is None:
            return "nothing"
        low, high = sorted((abs(self.difference.low), abs(self.difference.high)))
        return span(abs(self.difference.value), low, high, unit, scale)


@dataclass(frozen=True, slots=True)
class Compared:
    """A measure compared across arms, the control first."""

    arms: tuple[ArmResult, ...]
    blocks: int
    measured: tuple[Measured, ...]
    df_per_block: float
    """What one more day adds to the degrees of freedom."""


def per_batch(trial: Trial, measure: Callable[[BatchRecord], float | None]) -> list[Measured]:
    """A measure of each batch, for arms that were given to whole batches."""
    found = []
    for batch in trial.batches:
        value, arm = measure(batch), batch.units[0].arm if batch.units else None
        if value is not None and arm is not None:
            found.append(Measured(arm, trial.block(batch), batch.code, value))
    return found


def per_unit(trial: Trial, measure: Callable[[BatchRecord, UnitRecord], float | None]) -> list[Measured]:
    """A measure of each unit, for arms that were given to single units."""
    found = []
    for batch in trial.batches:
        for unit in batch.units:
            value = measure(batch, unit)
            if value is not None and unit.arm is not None:
                found.append(Measured(unit.arm, trial.block(batch), batch.code, value))
    return found


def compare(
    measured: Sequence[Measured], arms: Sequence[str], given_to: GivenTo = "batch", confidence: float = 0.95
) -> Compared | None:
    """Each arm's mean and its difference from the control at simultaneous confidence; the control is the first of arms.

    Where the arm was given to the batch, batches are compared within their days (least squares, a fixed effect for each
    day); where it was given to the unit, day and batch are random effects. P-values by permuting arms within days stand
    beside the model's. None where the control or every other arm has no value, or nothing can be fitted.
    """
    present = [arm for arm in arms if any(one.arm == arm for one in measured)]
    if len(present) < 2 or present[0] != arms[0]:
        return None
    design = np.array([[float(one.arm == arm) for arm in present] for one in measured])
    values = np.array([one.value for one in measured])
    fitted = _fitted(measured, values, design, given_to)
    if fitted is None:
        return None
    rest = against_control(fitted, range(1, len(present)), control=0, confidence=confidence)
    differences: tuple[Estimate | None, ...] = (None, *rest)
    shuffled = _shuffled(measured, values, present[0], given_to)
    results = [
        ArmResult(
            arm, sum(one.arm == arm for one in measured), contrast(fitted, weights), difference, shuffled.get(arm)
        )
        for arm, weights, difference in zip(
            present, np.eye(len(present), len(fitted.coefficients)), differences, strict=True
        )
    ]
    blocks = len({one.block for one in measured})
    per_block = len(present) - 1 if given_to == "batch" else max(1.0, len(measured) / blocks - 1)
    return Compared(tuple(results), blocks, tuple(measured), per_block)


def _shuffled(measured: Sequence[Measured], values: Floats, control: str, given_to: GivenTo) -> dict[str, float]:
    """The p of each arm beside the control alone, by dealing the two out again within the day or the batch."""
    blocks = [one.block if given_to == "batch" else one.batch for one in measured]
    try:
        test = permutation_test(values, [one.arm for one in measured], blocks, control)
    except (ArmsNeverMeet, NothingToShuffle):
        return {}
    return {str(one.arm): one.p for one in test.arms}


def _fitted(measured: Sequence[Measured], values: Floats, design: Floats, given_to: GivenTo) -> MixedFit | None:
    """The best model that these values can tell.

    Few batches often look alike by chance, and a model that then takes them to be alike promises too much: batches are
    compared within their days, and with a random day only where arms never met on a day.
    """
    days = [one.block for one in measured]
    by_day = Grouping("day", days)
    with_batch = [by_day, Grouping("batch", [one.batch for one in measured])]
    within = np.hstack([design, _day_columns(days)])
    tries: list[tuple[Floats, list[Grouping]]] = [(design, [by_day]), (design, [])]
    for columns, groupings in [(within, []) if given_to == "batch" else (design, with_batch), *tries]:
        try:
            fitted = fit(values, columns, groupings)
        except CannotFit:
            continue
        if _freedom(fitted, design.shape[1]) >= LEAST_FREEDOM:
            return fitted
    return None


def _freedom(fitted: MixedFit, arms: int) -> float:
    """The fewest degrees of freedom behind any arm's difference from the control."""
    rows = np.eye(arms, len(fitted.coefficients))[1:]
    rows[:, 0] = -1.0
    return min(degrees_of_freedom(fitted, row) for row in rows)


def _day_columns(days: Sequence[str]) -> Floats:
    """One column for each day but the first, adding up to nothing over the days: the arms keep their means."""
    _, which = cell_means(days)
    columns: Floats = which[:, 1:] - which[:, :1]
    return columns


def share_contaminated(batches: Sequence[BatchRecord]) -> Proportion:
    """The share of contaminated units with an interval that counts batches; from one batch alone, its units."""
    counts = np.array([float(batch.contaminated) for batch in batches])
    totals = np.array([float(batch.batch.units) for batch in batches])
    if len(batches) < 2:
        return clopper_pearson(float(counts.sum()), float(totals.sum()))
    return clustered_proportion(counts, totals).share
