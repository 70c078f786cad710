"""What happened at the invented farm, bag by bag, drawn from a seed before anybody wrote a word of it down."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import exp, floor

import numpy as np

from pinset.demo import story
from pinset.demo.story import MakeDay, SpawnLot, Species, Way
from pinset.journal.codes import unit_code

WALK_DAYS = (1, 4)  # Tuesday and Friday
FIRST_WALK = 9  # days from making
LAST_WALK = 60
SLOW_START = 1.4  # power of time by which a bag runs: slow at first
READY = 0.8  # share of a batch's bags fully run before it is carried to fruiting
PINNING_DAYS = {story.KING: (13.0, 16.0), story.LION: (5.0, 8.0)}
BETWEEN_FLUSHES = {story.KING: (15.0, 19.0), story.LION: (11.0, 15.0)}
SIGNS = ("green", "green", "green", "cobweb", "sour")


@dataclass(frozen=True, slots=True)
class Batch:
    """Bags made from one mix on one day."""

    code: str
    day: date
    block: int
    species: Species
    way: Way | None
    mix: str
    spawn: SpawnLot
    moisture: float
    minutes: int
    season: story.Season
    yields: float
    """What the day and the batch itself did to its yield, as a ratio."""
    contaminated: float
    """The chance of each of its bags to go bad."""
    failed: bool = False

    @property
    def bags(self) -> int:
        """How many bags it has."""
        return story.BAGS[self.species]

    @property
    def coarse(self) -> bool:
        """Whether it was weighed only as a whole, before the scale came."""
        return self.block <= story.COARSE_DAYS

    @property
    def room(self) -> str:
        """The room it fruited in."""
        if self.species == story.LION:
            return story.LION_ROOM
        return "Fruit 1" if self.block % 2 else "Fruit 2"

    @property
    def dry_kg_of_a_bag(self) -> float:
        """Dry substrate in one bag, spawn not counted."""
        return story.WET_KG[self.species] * (1 - self.moisture)


@dataclass(frozen=True, slots=True)
class Pick:
    """What one bag gave in one flush."""

    bag: str
    day: date
    flush: int
    grams: int


@dataclass(frozen=True, slots=True)
class Bag:
    """One bag: either it went bad, on a day and with a sign, or it ran full and was picked."""

    code: str
    batch: Batch
    run_days: float
    bad_on: date | None
    sign: str | None
    picks: tuple[Pick, ...]

    @property
    def full_on(self) -> date:
        """The day it was fully run; walks only ever see it later."""
        return self.batch.day + timedelta(days=int(np.ceil(self.run_days)))


@dataclass(frozen=True, slots=True)
class Year:
    """Everything that happened."""

    batches: tuple[Batch, ...]
    bags: tuple[Bag, ...]
    spawn: tuple[SpawnLot, ...]

    def bags_of(self, batch: Batch) -> list[Bag]:
        """The bags of a batch."""
        return [bag for bag in self.bags if bag.batch is batch]

    def picks(self) -> list[Pick]:
        """Every picking of a bag, by day."""
        return sorted((pick for bag in self.bags for pick in bag.picks), key=lambda pick: (pick.day, pick.bag))


def live(seed: int) -> Year:
    """Let the year happen; the same seed always gives the same year."""
    chance = np.random.default_rng(seed)
    batches = tuple(_batches(chance))
    bags = tuple(_bag(batch, number, chance) for batch in batches for number in range(1, batch.bags + 1))
    return Year(batches, bags, tuple(_parents_found(lot, bags) for lot in story.SPAWN))


def _batches(chance: np.random.Generator) -> Iterator[Batch]:
    lots = {lot.lot: lot for lot in story.SPAWN}
    number = lions = 0
    for block, day in enumerate(story.MAKE_DAYS, 1):
        luck = chance.normal(0, story.SPREAD_OF_DAYS)
        for species, way, lot in _plan(day, block):
            number, lions = number + 1, lions + (species == story.LION)
            failed = species == story.LION and lions == story.FAILED_LION
            made = _batch(f"PV{number:02d}", day, block, species, way, lots[lot], luck, chance)
            outside = lot == day.beside
            yields = made.yields * (story.FAILED_YIELDS if failed else 1)
            yield replace(made, yields=yields, way=None if outside else made.way, failed=failed)


def _plan(day: MakeDay, block: int) -> Iterator[tuple[Species, Way | None, str]]:
    """What is made on a day, the ways in turn so that none is always first."""
    turn = block % len(day.ways)
    for way in (*day.ways[turn:], *day.ways[:turn]):
        yield story.KING, way, day.spawn
    if day.beside:
        yield story.KING, story.HOUSE, day.beside
    if day.lion:
        yield story.LION, None, day.lion


def _batch(
    code: str,
    day: MakeDay,
    block: int,
    species: Species,
    way: Way | None,
    lot: SpawnLot,
    luck: float,
    chance: np.random.Generator,
) -> Batch:
    ratio = 1.0 if way is None else way.contamination
    bad = story.CONTAMINATED[species] * ratio * lot.contamination * day.season.contamination
    minutes = story.LION_MINUTES if way is None else way.minutes
    return Batch(
        code, day.day, block, species, way, story.LION_MIX if way is None else way.mix, lot,
        round(story.MOISTURE + chance.normal(0, 0.006), 2), round(minutes + chance.normal(0, 2.5)), day.season,
        exp(luck + chance.normal(0, story.SPREAD_OF_BATCHES)),
        story.BAD_LOAD_CONTAMINATED if block == story.BAD_LOAD else bad,
    )  # fmt: skip


def _bag(batch: Batch, number: int, chance: np.random.Generator) -> Bag:
    code = unit_code(batch.code, number)
    way = batch.way or story.HOUSE
    ratio = way.run * batch.spawn.run * batch.season.run
    run_days = story.RUN_DAYS[batch.species] * ratio * exp(chance.normal(0, 0.07))
    bad, bad_after, sign = chance.random(), chance.uniform(8, 22), SIGNS[chance.integers(len(SIGNS))]
    picks = tuple(_picks(batch, code, run_days, chance))
    if bad < batch.contaminated:
        return Bag(code, batch, run_days, batch.day + timedelta(days=int(bad_after)), sign, ())
    return Bag(code, batch, run_days, None, None, picks)


def _picks(batch: Batch, code: str, run_days: float, chance: np.random.Generator) -> Iterator[Pick]:
    way = batch.way or story.HOUSE
    ratio = way.yields * batch.spawn.yields * batch.season.yields * batch.yields
    kilos = batch.dry_kg_of_a_bag * story.EFFICIENCY[batch.species] * ratio
    kilos *= exp(chance.normal(0, story.SPREAD_OF_BAGS))
    day = batch.day + timedelta(days=round(run_days + chance.uniform(*PINNING_DAYS[batch.species])))
    for flush, share in enumerate(story.FLUSHES[batch.species], 1):
        grams = round(1000 * kilos * share * exp(chance.normal(0, 0.06)))
        if grams >= 15 and (flush == 1 or chance.random() < story.LATER_FLUSH):
            yield Pick(code, day, flush, grams)
        day += timedelta(days=round(chance.uniform(*BETWEEN_FLUSHES[batch.species])))


def _parents_found(lot: SpawnLot, bags: tuple[Bag, ...]) -> SpawnLot:
    """Spawn drawn from bags: the first two sound house bags of the day it was drawn from."""
    if lot.from_bags_of is None:
        return lot
    sound = [
        bag.code
        for bag in bags
        if bag.batch.day == lot.from_bags_of and bag.batch.way is story.HOUSE and bag.bad_on is None
    ]
    return replace(lot, parents=tuple(sound[:2]))


def walks(batch: Batch) -> Iterator[date]:
    """The days on which somebody walked past a batch and looked."""
    for after in range(FIRST_WALK, LAST_WALK):
        day = batch.day + timedelta(days=after)
        if day.weekday() in WALK_DAYS:
            yield day


def run_seen(bag: Bag, day: date) -> float:
    """How far a bag looks run on a day, to the 5 % that an eye can tell; 1 only when it is."""
    run = ((day - bag.batch.day).days / bag.run_days) ** SLOW_START
    return 1.0 if run >= 1 else max(0.05, min(0.95, floor(20 * run) / 20))


def carried_on(year: Year, batch: Batch) -> date:
    """The walk on which a batch was carried to fruiting: most of its sound bags fully run, none picked yet."""
    sound = [bag for bag in year.bags_of(batch) if bag.bad_on is None]
    if not sound:
        return list(walks(batch))[-1]
    wanted = sorted(bag.full_on for bag in sound)[int(READY * (len(sound) - 1))]
    first_pick = min((pick.day for bag in sound for pick in bag.picks), default=wanted)
    return min(first_pick - timedelta(days=1), next(day for day in walks(batch) if day >= wanted))
