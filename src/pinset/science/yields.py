"""What a substrate gives back: yield, biological efficiency, per unit made and fruited, per flush and per shelf-day.

Yield is fresh picked over wet substrate; biological efficiency is fresh picked over dry matter, and means nothing until
it is said which dry matter. Culled and contaminated units were made too: they count as zero per unit made. For a figure
over several batches with its interval use `pinset.science.ratios.ratio_of_totals`, which counts batches.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pinset.science.arrays import Floats
from pinset.science.intervals import Codes
from pinset.science.ratios import Ratio, ratio_of_totals


class DoesNotWeigh(ValueError):
    """These cannot be weights of a crop."""


class WeightBelowZero(DoesNotWeigh):
    """A weight is not below zero."""


class NothingToYieldFrom(DoesNotWeigh):
    """Substrate weights and shelf-days are above zero."""


class MoistureNotAShare(DoesNotWeigh):
    """Moisture is water over wet weight, at least 0 and less than 1."""


class DryBasis(StrEnum):
    """Which dry matter a biological efficiency counts.

    Most reports count the substrate alone. Grain spawn is feed too: at a few per cent of the wet weight it can bring a
    tenth of the dry matter, so that a higher spawn rate looks like a better substrate unless all is counted.
    """

    SUBSTRATE = "dry substrate, spawn not counted"
    ALL = "all dry matter that went in, spawn too"


@dataclass(frozen=True, eq=False, slots=True)
class Efficiency:
    """Biological efficiency (fraction, 1 is 100 %) of each unit or batch, and the dry matter it counts."""

    value: Floats
    basis: DryBasis


def dry_weight(wet_kg: ArrayLike, moisture: ArrayLike) -> Floats:
    """The dry matter (kg) in a wet weight (kg) of a given moisture (water over wet weight, 0 to 1).

    wet (1 - moisture). Raises `WeightBelowZero`, `MoistureNotAShare`.

    >>> dry_weight([2.2, 1.0], 0.6).round(3)
    array([0.88, 0.4 ])
    """
    water = np.asarray(moisture, dtype=float)
    if ((water < 0) | (water >= 1)).any():
        raise MoistureNotAShare(str(MoistureNotAShare.__doc__))
    dry: Floats = _weights(wet_kg) * (1.0 - water)
    return dry


def yield_fraction(picked_kg: ArrayLike, wet_kg: ArrayLike) -> Floats:
    """Yield of each unit or batch: fresh picked (kg) over wet substrate filled (kg), a fraction.

    NaN where a weight is NaN. Raises `WeightBelowZero`, `NothingToYieldFrom`.

    >>> yield_fraction([0.48, 0.0], 2.0)
    array([0.24, 0.  ])
    """
    return _over(picked_kg, wet_kg)


def biological_efficiency(
    picked_kg: ArrayLike, substrate_dry_kg: ArrayLike, spawn_dry_kg: ArrayLike = 0.0, *, basis: DryBasis
) -> Efficiency:
    """Biological efficiency of each unit or batch: fresh picked (kg) over dry matter (kg) on the stated ``basis``.

    Raises `WeightBelowZero`, `NothingToYieldFrom`. Source: the definition is common practice.

    >>> biological_efficiency([400], [500], basis=DryBasis.SUBSTRATE).value
    array([0.8])
    >>> biological_efficiency([400], [500], [50], basis=DryBasis.ALL).value.round(3)
    array([0.727])
    """
    spawn = _weights(spawn_dry_kg) if basis is DryBasis.ALL else 0.0
    return Efficiency(_over(picked_kg, _weights(substrate_dry_kg) + spawn), basis)


def per_shelf_day(picked_kg: ArrayLike, shelf_days: ArrayLike) -> Floats:
    """Fresh picked (kg) of each batch over the days its units held their places, in kg per shelf-day.

    Raises `WeightBelowZero`, `NothingToYieldFrom`.

    >>> per_shelf_day([3.84, 2.4], [320, 400])
    array([0.012, 0.006])
    """
    return _over(picked_kg, shelf_days)


@dataclass(frozen=True, slots=True)
class PerUnit:
    """Kilograms per unit ``made``, where units that gave nothing count as zero, and per unit that ``fruited``.

    Both with intervals that count batches; ``fruited`` is missing where no unit gave anything.
    """

    made: Ratio
    fruited: Ratio | None
    units_made: int
    units_fruited: int


def per_unit(picked_kg: ArrayLike, batch: Codes, confidence: float = 0.95) -> PerUnit:
    """Kilograms per unit from the weight (kg) that every unit made has given, (n,), zero included, and its batch (n,).

    A comparison per unit fruited alone hides what contamination took; show it second. Raises `WeightBelowZero` and
    `pinset.science.ratios.NothingToDivideBy` where there is no unit.

    >>> found = per_unit([0.5, 0.4, 0.0, 0.6, 0.5, 0.4], np.array(list("AAABBB")))
    >>> round(found.made.value, 3), round(found.fruited.value, 3), found.units_made, found.units_fruited
    (0.4, 0.48, 6, 5)
    """
    weights = _weights(picked_kg)
    names, each = np.unique(batch, return_inverse=True)
    picked, made, fruited = (
        np.bincount(each.reshape(-1), weights=part, minlength=len(names)).astype(float)
        for part in (weights, np.ones_like(weights), weights > 0)
    )
    bore = ratio_of_totals(picked, fruited, confidence) if fruited.any() else None
    return PerUnit(ratio_of_totals(picked, made, confidence), bore, len(weights), int(fruited.sum()))


def flush_shares(picked: ArrayLike, flush: ArrayLike) -> Floats:
    """The share of a crop that each flush gave, first flush first, from weights (n,) and flush numbers (n,) from 1 on.

    Raises `WeightBelowZero`; `NothingToYieldFrom` where nothing was picked.

    >>> flush_shares([300.0, 150.0, 50.0], [1, 2, 3])
    array([0.6, 0.3, 0.1])
    """
    weights = _weights(picked)
    sums = np.bincount(np.asarray(flush, dtype=np.intp) - 1, weights=weights).astype(float)
    return _over(sums, float(weights.sum()))


def _weights(values: ArrayLike) -> Floats:
    weights = np.asarray(values, dtype=float)
    if (weights < 0).any():
        raise WeightBelowZero(str(WeightBelowZero.__doc__))
    return weights


def _over(top: ArrayLike, bottom: ArrayLike) -> Floats:
    below = np.asarray(bottom, dtype=float)
    if (below <= 0).any():
        raise NothingToYieldFrom(str(NothingToYieldFrom.__doc__))
    fraction: Floats = _weights(top) / below
    return fraction


class Judgement(StrEnum):
    """What a value is, held against a limit."""

    PLAUSIBLE = "plausible"
    UNUSUAL = "unusual: worth a second look"
    IMPLAUSIBLE = "implausible: a slip of the pen or of the scale until shown otherwise"
    UNDECIDED = "undecided: what it takes to judge is not on record"


@dataclass(frozen=True, slots=True)
class Limit:
    """A named rule: above ``unusual`` a value deserves a second look, above ``implausible`` it is asked about."""

    name: str
    unusual: float
    implausible: float
    reason: str
    source: str


EFFICIENCY_LIMIT: Final = Limit(
    "biological efficiency",
    unusual=1.5,
    implausible=2.5,
    reason=(
        "of 1000 J of straw 231 J end up in the mushrooms, so 1 kg dry gives about 0.23 kg dry mushroom, or 2.3 kg "
        "fresh at 90 % water; the highest figure in a trial report that was read is 1.07"
    ),
    source=(
        "Ginterová & Lazarová, Energy transformation of lignocellulosics into fruit bodies, abstract (231 of 1000 J); "
        "Jaramillo Mejía & Albertó 2013, Rev. Iberoam. Micol. 30:125, abstract (106.93 %); water: common practice"
    ),
)

YIELD_LIMIT: Final = Limit(
    "yield",
    unusual=0.5,
    implausible=1.0,
    reason="a crop as heavy as the wet substrate must take water from elsewhere, as soaked blocks in part can",
    source="common practice",
)


def judge(values: ArrayLike, limit: Limit) -> list[Judgement]:
    """Hold values (n,), fractions, against a limit; a value that is NaN stays undecided.

    >>> [one.name for one in judge([0.8, 1.9, 120.0, np.nan], EFFICIENCY_LIMIT)]
    ['PLAUSIBLE', 'UNUSUAL', 'IMPLAUSIBLE', 'UNDECIDED']
    """
    return [_judge_one(value, limit) for value in np.atleast_1d(np.asarray(values, dtype=float)).tolist()]


def _judge_one(value: float, limit: Limit) -> Judgement:
    if np.isnan(value):
        return Judgement.UNDECIDED
    if value > limit.implausible:
        return Judgement.IMPLAUSIBLE
    return Judgement.UNUSUAL if value > limit.unusual else Judgement.PLAUSIBLE
