"""Comparing arms with their control: one way for every measure, at the level the arm was given."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pinset.questions._batches import BatchRecord, UnitRecord
from pinset.questions._trial import Trial
from pinset.science.arrays import Floats
from pinset.science.contrasts import Estimate, contrast
from pinset.science.mixed import CannotFit, Grouping, MixedFit, fit
from pinset.science.permutation import ArmsNeverMeet, NothingToShuffle, permutation_test
from pinset.science.simultaneous import against_control


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
    difference: Estimate | None
    permutation_p: float | None


@dataclass(frozen=True, slots=True)
class Compared:
    """A measure compared across arms, the control first."""

    arms: tuple[ArmResult, ...]
    blocks: int
    spread_days: float
    """The standard deviation between days."""
    spread_rest: float
    """The standard deviation between experimental units of a day."""

    def arm(self, name: str) -> ArmResult:
        """The result of one arm."""
        return next(result for result in self.arms if result.arm == name)


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


def compare(trial: Trial, measured: Sequence[Measured]) -> Compared | None:
    """Each arm's mean and its difference from the control at simultaneous confidence; None where nothing can be fitted.

    The day of making (and the batch, where units of one batch had different arms) is a random effect; p-values by
    permuting arms within days stand beside the model's.
    """
    arms = [arm for arm in trial.arms if any(one.arm == arm for one in measured)]
    if len(arms) < 2 or arms[0] != trial.control:
        return None
    design = np.array([[float(one.arm == arm) for arm in arms] for one in measured])
    values = np.array([one.value for one in measured])
    fitted = _fitted(trial, measured, values, design)
    if fitted is None:
        return None
    differences = against_control(fitted, arms=range(1, len(arms)), control=0)
    shuffled = _shuffled(trial, measured, values)
    results = [
        ArmResult(
            arm, sum(one.arm == arm for one in measured), contrast(fitted, np.eye(len(arms))[n]),
            differences[n - 1] if n else None, shuffled.get(arm),
        )
        for n, arm in enumerate(arms)
    ]  # fmt: skip
    days = sum(part.variance for part in fitted.components if part.name == "day")
    return Compared(tuple(results), len({one.block for one in measured}), float(np.sqrt(days)), fitted.sigma)


def _shuffled(trial: Trial, measured: Sequence[Measured], values: Floats) -> dict[str, float]:
    """The p of each arm beside the control alone, by dealing the two out again within the day or the batch."""
    blocks = [one.block if trial.given_to == "batch" else one.batch for one in measured]
    try:
        test = permutation_test(values, [one.arm for one in measured], blocks, trial.control)
    except (ArmsNeverMeet, NothingToShuffle):
        return {}
    return {str(one.arm): one.p for one in test.arms}


def _fitted(trial: Trial, measured: Sequence[Measured], values: Floats, design: Floats) -> MixedFit | None:
    groupings = [Grouping("day", [one.block for one in measured])]
    if trial.given_to == "unit" and len({one.batch for one in measured}) > len({one.block for one in measured}):
        groupings.append(Grouping("batch", [one.batch for one in measured]))
    for some in (groupings, groupings[:1], []):
        try:
            return fit(values, design, some)
        except CannotFit:
            continue
    return None
