"""How much this farm's days, batches and units differ anyway: what a trial has to be planned against."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pinset.questions._batches import BatchRecord, Gathered, UnitRecord
from pinset.questions._words import several
from pinset.science.contrasts import cell_means
from pinset.science.mixed import CannotFit, Grouping, MixedFit, fit
from pinset.science.power import VarianceParts, assumed_parts

FEWEST_BATCHES = 4
"""From fewer batches how they differ is not learnt but guessed: then the stated assumption is the better guess."""


class Value(NamedTuple):
    """One value of one unit, or of a batch as a whole; ``alike`` names what was made in the same way."""

    alike: str
    day: str
    batch: str
    value: float
    units: int


@dataclass(frozen=True, slots=True)
class Variation:
    """The mean of a measure and how its values differ, and whether that is from the record."""

    mean: float
    parts: VarianceParts
    batches: int
    learnt: bool

    def scaled(self, factor: float) -> Variation:
        """The same in another unit."""
        square, parts = factor**2, self.parts
        changed = VarianceParts(parts.block * square, parts.batch * square, parts.unit * square, parts.source)
        return Variation(self.mean * factor, changed, self.batches, self.learnt)


def kilos(gathered: Gathered, batches: Sequence[BatchRecord]) -> list[Value]:
    """kg per unit made of every unit that was weighed, else of every batch."""
    weighed = [batch for batch in batches if batch.level in ("unit", "batch")]
    units = [batch for batch in weighed if batch.level == "unit"]
    if len(units) >= FEWEST_BATCHES:
        return _of_units(gathered, units, lambda unit: unit.picked_kg)
    return [
        Value(_alike(batch, None), gathered.day(batch.batch.at).isoformat(), batch.code,
              batch.picked_kg / batch.batch.units, batch.batch.units)
        for batch in weighed
    ]  # fmt: skip


def contaminated(gathered: Gathered, batches: Sequence[BatchRecord]) -> list[Value]:
    """Whether each unit was contaminated, in %."""
    return _of_units(gathered, batches, lambda unit: 100.0 * unit.contaminated)


def run_days(gathered: Gathered, batches: Sequence[BatchRecord]) -> list[Value]:
    """Days to full colonisation, from the middle of the time between the two checks that they lie between."""
    return _of_units(
        gathered, batches, lambda unit: None if unit.run_by is None else (unit.run_after + unit.run_by) / 2
    )


def _of_units(
    gathered: Gathered, batches: Sequence[BatchRecord], measure: Callable[[UnitRecord], float | None]
) -> list[Value]:
    return [
        Value(_alike(batch, unit.arm), gathered.day(batch.batch.at).isoformat(), batch.code, value, 1)
        for batch in batches
        for unit in batch.units
        if (value := measure(unit)) is not None
    ]


def _alike(batch: BatchRecord, arm: str | None) -> str:
    one = batch.batch
    return "|".join(each or "" for each in (one.strain, one.recipe, one.trial, arm or one.arm))


def variation(values: Sequence[Value], expected: float | None) -> Variation | None:
    """The mean and the variance parts of some values; by assumption where there are too few, None without any mean."""
    batches = len({one.batch for one in values})
    mean = float(np.mean([one.value for one in values])) if values else 0.0
    fitted = _fitted(values) if batches >= FEWEST_BATCHES else None
    if fitted is not None:
        return Variation(mean, _parts(values, fitted, mean), batches, True)
    planned = expected or mean
    return Variation(planned, assumed_parts(planned), batches, False) if planned > 0 else None


def _fitted(values: Sequence[Value]) -> MixedFit | None:
    """Days and batches told apart where several batches were made on a day, else batches alone."""
    numbers = [one.value for one in values]
    _, design = cell_means([one.alike for one in values])
    day, batch = (Grouping(name, [getattr(one, name) for one in values]) for name in ("day", "batch"))
    for groupings in ([day, batch], [batch], [day]):
        try:
            return fit(numbers, design, groupings)
        except CannotFit:
            continue
    return None


def _parts(values: Sequence[Value], fitted: MixedFit, mean: float) -> VarianceParts:
    found = {component.name: component.variance for component in fitted.components}
    batches, days = (len({getattr(one, name) for one in values}) for name in ("batch", "day"))
    source = f"the record: {several(batches, 'batch', 'batches')} on {several(days, 'day')}"
    within, units = fitted.sigma**2, statistics.mean(one.units for one in values)
    if units == 1:
        return VarianceParts(found.get("day", 0.0), found.get("batch", 0.0), max(within, 1e-12), source)
    # batches weighed as a whole do not tell how their units differ: that part is assumed, the rest is the batch's
    unit = assumed_parts(mean).unit
    source += "; how units of a batch differ is assumed, for batches were weighed as a whole"
    return VarianceParts(found.get("day", 0.0), max(0.0, within - unit / units), unit, source)
