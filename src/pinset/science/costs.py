"""What a batch costs and earns: lines of cost, an exact sharing of what several batches used, and money per shelf-day.

Money is in whole minor units (cents) wherever it is kept or added, so that totals tie to the last cent; only rates, per
kilogram or per shelf-day, are fractions. Shelf places are what runs out, so that money per shelf-day decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Final

import numpy as np

from pinset.science.arrays import Floats
from pinset.science.ratios import NothingToDivideBy, ratio_of_totals


class CostKind(StrEnum):
    """Where money goes."""

    MATERIAL = "materials"
    LABOUR = "labour"
    ENERGY = "energy"
    PLACE = "places"
    OVERHEAD = "overhead"


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line of a batch's cost, in whole minor units of the farm's currency."""

    kind: CostKind
    name: str
    minor: int


class CannotShare(ValueError):
    """A cost cannot be shared out like this."""


class ShareBelowZero(CannotShare):
    """What a batch used of a lot is not below zero."""


class NothingUsed(CannotShare):
    """A cost is shared by what was used, and nothing was."""


def priced(kind: CostKind, name: str, quantity: float, unit_minor: float) -> CostLine:
    """A line of ``quantity`` (kg, hours, kWh, shelf-days) at ``unit_minor`` minor units each, to the nearest whole one.

    A half is rounded to the even unit, so that many lines do not drift.

    >>> priced(CostKind.LABOUR, "filling bags", 50 / 60, 1_260).minor
    1050
    """
    return CostLine(kind, name, round(Fraction(quantity) * Fraction(unit_minor)))


def share_out(total_minor: int, used: Sequence[float]) -> list[int]:
    """Share an amount in whole minor units over batches by what each ``used`` of it; the parts sum to the whole.

    Each gets its exact part rounded down; the units left over go one each to the largest remainders, the first of
    equals first. Raises `ShareBelowZero`, `NothingUsed`. Source: largest remainders (Hamilton's apportionment).

    >>> share_out(1000, [1, 1, 1])
    [334, 333, 333]
    >>> share_out(-5, [3.0, 1.0])
    [-4, -1]
    """
    exact = [Fraction(one) for one in used]
    if any(one < 0 for one in exact):
        raise ShareBelowZero(str(ShareBelowZero.__doc__))
    if not sum(exact):
        raise NothingUsed(str(NothingUsed.__doc__))
    quotas = [abs(total_minor) * one / sum(exact) for one in exact]
    parts = [int(quota) for quota in quotas]
    left = abs(total_minor) - sum(parts)
    owed = sorted(range(len(quotas)), key=lambda place: parts[place] - quotas[place])
    for place in owed[:left]:
        parts[place] += 1
    return [part if total_minor >= 0 else -part for part in parts]


@dataclass(frozen=True, slots=True)
class BatchCost:
    """The cost of one batch, line by line."""

    lines: tuple[CostLine, ...]

    @property
    def total(self) -> int:
        """All lines together, in minor units."""
        return sum(line.minor for line in self.lines)

    def by_kind(self) -> dict[CostKind, int]:
        """What each kind of cost comes to, in minor units; kinds without a line are left out.

        >>> bread = BatchCost((priced(CostKind.MATERIAL, "straw", 5, 150), priced(CostKind.LABOUR, "spawning", 6, 80)))
        >>> {kind.name: minor for kind, minor in bread.by_kind().items()}
        {'MATERIAL': 750, 'LABOUR': 480}
        """
        kinds = [kind for kind in CostKind if any(line.kind is kind for line in self.lines)]
        return {kind: sum(line.minor for line in self.lines if line.kind is kind) for kind in kinds}

    def shares(self) -> list[float]:
        """The share of each line in the total, fractions. Raises `NothingToDivideBy` where the total is zero.

        >>> BatchCost((CostLine(CostKind.ENERGY, "steam", 300), CostLine(CostKind.PLACE, "room 1", 100))).shares()
        [0.75, 0.25]
        """
        return [_per(line.minor, self.total) for line in self.lines]

    def per(self, amount: float) -> float:
        """Minor units per unit made, per kilogram picked or per kilogram sold, whichever ``amount`` counts.

        Raises `NothingToDivideBy` where the amount is zero.

        >>> BatchCost((CostLine(CostKind.ENERGY, "steam", 6_830),)).per(400)
        17.075
        """
        return _per(self.total, amount)


def _per(minor: float, amount: float) -> float:
    if not amount:
        raise NothingToDivideBy(str(NothingToDivideBy.__doc__))
    return minor / amount


def break_even_price(cost_minor: int, sold_kg: float) -> float:
    """The price (minor units per kg) at which what was sold (kg, sound and marketable) just pays the cost.

    Raises `pinset.science.ratios.NothingToDivideBy` where nothing was sold.

    >>> break_even_price(6_830, 400)
    17.075
    """
    return _per(cost_minor, sold_kg)


def break_even_weight(cost_minor: int, price_minor: float) -> float:
    """The weight (kg) that must be sold at a price (minor units per kg) to pay the cost.

    Raises `pinset.science.ratios.NothingToDivideBy` where the price is zero.

    >>> break_even_weight(6_830, 40)
    170.75
    """
    return _per(cost_minor, price_minor)


FEW_BATCHES: Final = 20
"""Below this many batches percentiles of a bootstrap are too narrow, and Student's t is used (common practice)."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Money per kilogram or shelf-day over several batches, minor units, with its interval and how that was got."""

    value: float
    low: float
    high: float
    count: int
    method: str


def money_per(
    money_minor: Floats, amounts: Floats, confidence: float = 0.95, *, resamples: int = 2000, seed: int = 0
) -> Rate:
    """All money over all amounts (kg, shelf-days) of several batches, (k,) each, with an interval that counts batches.

    From ``FEW_BATCHES`` on the interval is of percentiles over ``resamples`` resamples of whole batches (Efron &
    Tibshirani 1993, An Introduction to the Bootstrap, chapter 13, from memory), below that by linearisation with
    Student's t (`pinset.science.ratios.ratio_of_totals`); from one batch alone there is none (NaN). Raises
    `pinset.science.ratios.NothingToDivideBy`.

    >>> rate = money_per(np.array([4_000.0, 5_000.0, 4_500.0]), np.array([320.0, 320.0, 360.0]))
    >>> round(rate.value, 2), round(rate.low, 2), round(rate.high, 2), rate.count
    (13.5, 9.11, 17.89, 3)
    """
    found = ratio_of_totals(money_minor, amounts, confidence)
    if found.count < FEW_BATCHES:
        return Rate(found.value, found.low, found.high, found.count, "Student's t over batches")
    even = np.full(found.count, 1 / found.count)
    drawn = np.random.default_rng(seed).multinomial(found.count, even, size=resamples)
    below = drawn @ amounts
    again = (drawn @ money_minor)[below > 0] / below[below > 0]
    low, high = np.quantile(again, [(1 - confidence) / 2, (1 + confidence) / 2]).tolist()
    return Rate(found.value, low, high, found.count, f"percentiles of {resamples} resamples of batches")


def money_per_shelf_day(
    revenue_minor: Floats,
    cost_minor: Floats,
    shelf_days: Floats,
    confidence: float = 0.95,
    *,
    resamples: int = 2000,
    seed: int = 0,
) -> Rate:
    """What a shelf place earns a day: revenue less cost (minor units) over shelf-days, of several batches, (k,) each.

    Leave the cost of the place out of ``cost_minor`` to see what a place may cost; see `money_per` for the interval.

    >>> rate = money_per_shelf_day(np.array([9_000.0, 8_000.0]), np.array([5_000.0, 4_000.0]), np.array([320.0, 320.0]))
    >>> rate.value, rate.method
    (12.5, "Student's t over batches")
    """
    return money_per(revenue_minor - cost_minor, shelf_days, confidence, resamples=resamples, seed=seed)
