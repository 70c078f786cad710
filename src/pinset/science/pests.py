"""How fast a pest may grow unseen: projections from published rates of increase, always as a range.

With food in plenty and all ages present a population grows as N(t) = N(0) exp(r t). The intrinsic rate r hangs on the
species, its food and the temperature, and is printed for a few temperatures. Between two of them it is interpolated;
outside it is not guessed. A printed rate is the fastest a population can grow there: crowding, dry air and other food
slow it down, and a first few animals may die out by chance. So a projection says how soon a pest may be seen, not
when it will be, and it advises no treatment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, exp, inf, log, log1p
from typing import Final, NamedTuple

import numpy as np

from pinset.science.arrays import Floats

# A whole number of rounds that rounding errors miss by as much is that number.
_SAME: Final = 1e-9


class CannotProject(ValueError):
    """No growth can be projected from these numbers."""


class LifeTableBroken(CannotProject):
    """A life table has rising temperatures, and for each a slow rate and a fast one that is no lower."""


class NumbersDoNotFit(CannotProject):
    """Numbers of animals and days are above zero, shares and chances at most one, and few no more than many."""


class NoPests(CannotProject):
    """A range over pests needs at least one."""


class Footing(StrEnum):
    """What a rate at some temperature stands on."""

    MEASURED = "measured at this temperature"
    BETWEEN = "between two measured temperatures"
    COLDER = "colder than any measured temperature"
    HOTTER = "hotter than any measured temperature"


class Growth(NamedTuple):
    """The slowest and fastest rate per day that may hold, and what that stands on."""

    slow: float
    fast: float
    footing: Footing


class Range(NamedTuple):
    """The soonest and the latest, in days or in rounds; infinite is never."""

    soonest: float
    latest: float


@dataclass(frozen=True, eq=False, slots=True)
class LifeTable:
    """The rates of increase per day of one pest on one food at rising ``temperatures`` (°C), (k,) each.

    ``slow`` and ``fast`` differ where a source prints a range. Below ``threshold`` (°C), where known, it does not
    develop. Raises `LifeTableBroken`.
    """

    name: str
    temperatures: Floats
    slow: Floats
    fast: Floats
    threshold: float | None = None

    def __post_init__(self) -> None:
        fits = 1 <= len(self.temperatures) == len(self.slow) == len(self.fast)
        if not fits or np.any(np.diff(self.temperatures) <= 0) or np.any(self.slow > self.fast):
            raise LifeTableBroken(LifeTableBroken.__doc__)

    def at(self, temperature: float) -> Growth:
        """The rate at a ``temperature`` (°C): interpolated within those measured, a bound or nothing outside.

        Colder than measured the rate is taken to be no higher than the coldest one printed, but only where the rates
        rise from the coldest to the next, and nought below the threshold. Hotter than measured nothing is known: heat
        may speed or kill.

        >>> mite = LifeTable("mite", np.array([16.0, 20.0]), np.array([0.11, 0.18]), np.array([0.11, 0.18]), 9.0)
        >>> mite.at(18.0).fast.__round__(3), mite.at(12.0), mite.at(25.0).fast
        (0.145, Growth(slow=0.0, fast=0.11, footing=<Footing.COLDER: 'colder than any measured temperature'>), inf)
        """
        if temperature < self.temperatures[0]:
            return Growth(0.0, self._fastest_in_the_cold(temperature), Footing.COLDER)
        if temperature > self.temperatures[-1]:
            return Growth(0.0, inf, Footing.HOTTER)
        slow, fast = (float(np.interp(temperature, self.temperatures, rates)) for rates in (self.slow, self.fast))
        return Growth(slow, fast, Footing.MEASURED if temperature in self.temperatures else Footing.BETWEEN)

    def _fastest_in_the_cold(self, temperature: float) -> float:
        if self.threshold is not None and temperature <= self.threshold:
            return 0.0
        rises = len(self.fast) > 1 and self.fast[0] < self.fast[1]
        return float(self.fast[0]) if rises else inf


@dataclass(frozen=True, slots=True)
class Setting:
    """What a pest meets: the room, how units are passed on, and how well it is looked for.

    ``temperature`` in °C; ``run`` the days from one passing-on to the next; ``carried`` the share of a unit's animals
    that one new unit gets with its spawn (the spawn rate, where spawn is drawn as it comes); ``few`` and ``many``
    animals in a unit at the start; ``visible`` the animals in a unit that a look sees (`visible_number`).
    Raises `NumbersDoNotFit`.
    """

    temperature: float
    run: float
    carried: float
    visible: float
    few: float = 1.0
    many: float = 10.0

    def __post_init__(self) -> None:
        _positive(self.run, self.visible, self.few)
        _share(self.carried)
        if self.few > self.many:
            raise NumbersDoNotFit(NumbersDoNotFit.__doc__)


@dataclass(frozen=True, slots=True)
class Outlook:
    """When one pest may be seen: days in an untouched unit, and rounds of passing on, each soonest and latest."""

    name: str
    growth: Growth
    doubling: Range
    days: Range
    rounds: Range


class Bought(NamedTuple):
    """By how many days and rounds the soonest sight comes later; infinite where it then never need come."""

    days: float
    rounds: float


def _positive(*numbers: float) -> None:
    if min(numbers) <= 0:
        raise NumbersDoNotFit(NumbersDoNotFit.__doc__)


def _share(share: float) -> None:
    if not 0 < share <= 1:
        raise NumbersDoNotFit(NumbersDoNotFit.__doc__)


def intrinsic_rate(net_reproduction: float, generation: float) -> float:
    """The rate of increase per day from daughters per mother and the mean generation time in days: r = ln(R0) / T.

    Exact where T is the time in which a population grows R0-fold, near the mark where it is the mean age of mothers.
    Raises `NumbersDoNotFit`. Source: Birch (1948), J. Anim. Ecol. 17:15.

    >>> round(intrinsic_rate(36.57, 22.46), 3)
    0.16
    """
    _positive(net_reproduction, generation)
    return log(net_reproduction) / generation


def doubling_time(rate: float) -> float:
    """The days in which a population doubles, ln 2 / r; infinite where it does not grow.

    >>> round(doubling_time(0.22), 2), doubling_time(0.0)
    (3.15, inf)
    """
    return log(2) / rate if rate > 0 else inf


def days_until(start: float, end: float, rate: float) -> float:
    """The days in which ``start`` animals become ``end`` at a ``rate`` per day; infinite where they never do.

    Raises `NumbersDoNotFit`.

    >>> round(days_until(1, 1000, rate=0.22), 1)
    31.4
    """
    _positive(start, end)
    if end <= start:
        return 0.0
    return log(end / start) / rate if rate > 0 else inf


def visible_number(chance: float, confidence: float = 0.95) -> float:
    """How many animals a unit must hold for a look to find it infested with ``confidence``.

    ``chance`` is that of one given animal being seen in the look; with N animals 1 - (1 - chance)^N is reached at
    N = ln(1 - confidence) / ln(1 - chance). Raises `NumbersDoNotFit`.

    >>> round(visible_number(0.01))
    298
    """
    _share(chance)
    _positive(confidence, 1 - confidence)
    return max(1.0, log1p(-confidence) / log1p(-chance)) if chance < 1 else 1.0


def rounds_until_seen(start: float, rate: float, run: float, carried: float, visible: float) -> float:
    """The round in which a unit first holds ``visible`` animals, with ``start`` in the first; infinite where none does.

    A round lasts ``run`` days; the next one's units get the share ``carried`` of what a unit then holds. After k
    rounds a unit holds start · exp(r · run)^k · carried^(k - 1). Where exp(r · run) · carried is at most one the
    numbers do not build up from round to round. Raises `NumbersDoNotFit`.

    >>> rounds_until_seen(start=1, rate=0.22, run=14, carried=0.2, visible=1000)
    4.0
    >>> rounds_until_seen(start=1, rate=0.11, run=14, carried=0.2, visible=1000)
    inf
    """
    _positive(start, run, visible)
    _share(carried)
    short = log(visible / start) - rate * run
    each = rate * run + log(carried)
    if short <= 0:
        return 1.0
    return 1.0 + ceil(short / each - _SAME) if each > 0 else inf


def holding_run(rate: float, carried: float) -> float:
    """The run in days up to which passing on carries no more animals on than it received: -ln(carried) / r.

    Raises `NumbersDoNotFit`.

    >>> round(holding_run(rate=0.22, carried=0.2), 1)
    7.3
    """
    _share(carried)
    return -log(carried) / rate if rate > 0 else inf


def numbers_by_round(start: float, rate: float, run: float, carried: float, rounds: int) -> Floats:
    """The animals in a unit at the end of each round, (rounds,); parameters as for `rounds_until_seen`.

    >>> numbers_by_round(start=1, rate=0.22, run=14, carried=0.2, rounds=4).round()
    array([  22.,   95.,  412., 1793.])
    """
    _positive(start, run)
    _share(carried)
    return np.asarray(start * exp(rate * run) * (exp(rate * run) * carried) ** np.arange(rounds))


def outlook(table: LifeTable, setting: Setting) -> Outlook:
    """When a pest may be seen in a setting: soonest from many at the fast rate, latest from few at the slow one.

    >>> mite = LifeTable("mite", np.array([16.0, 24.0]), np.array([0.11, 0.22]), np.array([0.11, 0.22]))
    >>> found = outlook(mite, Setting(temperature=24.0, run=14, carried=0.2, visible=1000))
    >>> [round(each, 1) for each in found.days], found.rounds
    ([20.9, 31.4], Range(soonest=3.0, latest=4.0))
    """
    growth = table.at(setting.temperature)
    ends = ((setting.many, growth.fast), (setting.few, growth.slow))
    return Outlook(
        name=table.name,
        growth=growth,
        doubling=Range(*(doubling_time(rate) for _, rate in ends)),
        days=Range(*(days_until(start, setting.visible, rate) for start, rate in ends)),
        rounds=Range(
            *(rounds_until_seen(start, rate, setting.run, setting.carried, setting.visible) for start, rate in ends)
        ),
    )


def over_all(outlooks: Sequence[Outlook]) -> Range:
    """The rounds until any of several pests, not known which, may be seen: from the soonest to the latest of all.

    Raises `NoPests`.

    >>> mite = LifeTable("mite", np.array([16.0, 24.0]), np.array([0.11, 0.22]), np.array([0.11, 0.22]))
    >>> over_all([outlook(mite, Setting(degrees, 14, 0.2, 1000)) for degrees in (20.0, 24.0)])
    Range(soonest=3.0, latest=8.0)
    """
    if not outlooks:
        raise NoPests(NoPests.__doc__)
    return Range(min(each.rounds.soonest for each in outlooks), max(each.rounds.latest for each in outlooks))


def bought(table: LifeTable, now: Setting, then: Setting) -> Bought:
    """What a change of setting (a colder room, a shorter run, less carried on) buys until the soonest sight.

    Nothing (0) where it need never come either way.

    >>> mite = LifeTable("mite", np.array([16.0, 24.0]), np.array([0.11, 0.22]), np.array([0.11, 0.22]))
    >>> gain = bought(mite, Setting(24.0, 14, 0.2, 1000), Setting(18.0, 14, 0.2, 1000))
    >>> round(gain.days, 1), gain.rounds
    (12.6, 7.0)
    """
    before, after = outlook(table, now), outlook(table, then)
    return Bought(_later(before.days.soonest, after.days.soonest), _later(before.rounds.soonest, after.rounds.soonest))


def _later(before: float, after: float) -> float:
    return 0.0 if before == after else after - before
