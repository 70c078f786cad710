"""The pests of the reference as tables that the science can grow, each species on each food that was measured."""

from __future__ import annotations

from functools import cache

import numpy as np

from pinset.reference.pests import Pest, pests
from pinset.science.pests import Footing, LifeTable, Outlook, Setting, outlook


@cache
def life_tables() -> tuple[LifeTable, ...]:
    """The rates of each pest on each food.

    >>> life_tables()[0].name
    'Brennandania lambi, a mite, on button mushroom mycelium on compost'
    """
    return tuple(_life_table(pest, food) for pest in pests() for food in pest.foods())


def _life_table(pest: Pest, food: str) -> LifeTable:
    rates = pest.rates(food)
    temperatures = sorted({temperature for temperature, _ in rates})
    slow = [min(rate.low for at, rate in rates if at == temperature) for temperature in temperatures]
    fast = [max(rate.high for at, rate in rates if at == temperature) for temperature in temperatures]
    threshold = None if pest.threshold is None else pest.threshold.temperature
    name = f"{pest.species}, a {pest.kind}, on {food}"
    return LifeTable(name, np.array(temperatures), np.array(slow), np.array(fast), threshold)


def measured(setting: Setting) -> list[Outlook]:
    """The outlook of each pest whose growth was measured at, or on both sides of, the setting's temperature."""
    found = [outlook(table, setting) for table in life_tables()]
    return [one for one in found if one.growth.footing in (Footing.MEASURED, Footing.BETWEEN)]


def sources() -> tuple[str, ...]:
    """Where the rates are printed, each once."""
    return tuple(dict.fromkeys(growth.source for pest in pests() for growth in pest.growth))
