"""How hands write: a day in five ways, a weight in five, and no two people alike."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

import numpy as np

from pinset.demo.sheets import Cell

_LB = 0.45359237  # kilograms, by the International Yard and Pound Agreement of 1959
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class Hand:
    """A hand that writes cells; what it writes can be read in one way only."""

    def __init__(self, seed: int) -> None:
        self._chance = np.random.default_rng(seed)

    def one_of(self, ways: Iterable[Cell], usual: float = 0.0) -> Cell:
        """One of several ways to write the same thing: the first as a habit, with probability ``usual``, else any."""
        ways = list(ways)
        if self._chance.random() < usual:
            return ways[0]
        return ways[int(self._chance.integers(len(ways)))]

    def day(self, day: date) -> Cell:
        """A day, always with the day before the month."""
        return self.one_of((
            f"{day.day}/{day.month}/{day.year}",
            f"{day:%d.%m.%Y}",
            day.isoformat(),
            f"{day.day} {_MONTHS[day.month - 1]} {day.year}",
            datetime(day.year, day.month, day.day),
        ))  # fmt: skip

    def kilos(self, grams: int) -> Cell:
        """A weight, in kg where nothing is said; a decimal comma only where it cannot be a thousands mark."""
        kilos = grams / 1000
        ways: list[Cell] = [kilos, f"{kilos:g} kg", f"{grams} g"]
        if kilos < 1:
            ways += [f"{kilos:g}".replace(".", ","), f"{kilos:g} kg".replace(".", ",")]
        return self.one_of(ways, usual=0.7)

    def grams(self, grams: int) -> str:
        """A weight on a phone, in g."""
        return str(self.one_of((str(grams), f"{grams} g", f"{grams}g"), usual=0.7))

    def minutes(self, minutes: int) -> Cell:
        """A time, with its unit."""
        ways: list[Cell] = [f"{minutes} min"]
        if minutes % 3 == 0:
            ways += [f"{minutes / 60:g} h", f"{minutes / 60:g} h".replace(".", ",")]
        return self.one_of(ways)

    def percent(self, share: float) -> Cell:
        """A share, in % where nothing is said."""
        whole = round(100 * share)
        return self.one_of((whole, f"{whole} %", f"{whole}%"), usual=0.8)

    def money(self, amount: float) -> Cell:
        """An amount."""
        return self.one_of((amount, f"{amount:.2f}".replace(".", ","), f"€ {amount:.2f}"), usual=0.5)


def pounds(kilos: float, digits: int = 1) -> float:
    """A weight read off a scale in lb."""
    return round(kilos / _LB, digits)


def milligrams_of_pounds(pounds: float) -> int:
    """The weight that so many lb say."""
    return round(pounds * _LB * 1_000_000)
