"""What is true of the invented farm, and what of it the notes soundly say: for tests, and for the demo to compare."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pinset.demo import story
from pinset.demo.money import pays, spent
from pinset.demo.season import Year
from pinset.demo.sheets import Fault, Sheet
from pinset.demo.story import SpawnLot, Way


@dataclass(frozen=True, slots=True)
class WayTruth:
    """A way of the trial: what it truly does, and what it gave."""

    name: str
    mix: str
    days: int
    batches: int
    bags: int
    contaminated: int
    picked_kg: float
    """What its bags truly gave, noted or not."""
    yields: float
    contamination: float
    run: float
    minutes: int
    pays: float
    """What it truly earns above the house way, for each bag made, over the days on which it was tried."""


@dataclass(frozen=True, slots=True)
class SpawnTruth:
    """A lot of spawn: what its passage truly does, and what became of the bags made with it."""

    lot: str
    passage: int
    batches: int
    bags: int
    contaminated: int
    beside: tuple[str, ...]
    """Other lots of the same mushroom used on the same days: only these can be compared without the season."""
    yields: float
    contamination: float
    run: float


@dataclass(frozen=True, slots=True)
class Truth:
    """The invented farm behind its notes. Counts and weights of ``rows``, ``picks``, ``picked_mg`` and ``sold_mg`` are
    of the sound rows only; everything else is what truly happened."""

    seed: int
    files: tuple[str, ...]
    rows: Mapping[tuple[str, str], int]
    """Sound rows by file and sheet; a csv file's sheet is ''."""
    batches: int
    units: int
    checks: Mapping[str, int]
    """By level: unit, batch."""
    picks: Mapping[str, int]
    """By level: unit, batch, room."""
    picked_mg: Mapping[str, int]
    sold_mg: int
    spent: Mapping[str, float]
    """What the year cost by kind, in EUR: labour, ingredients, spawn, power, places."""
    ways: tuple[WayTruth, ...]
    spawn: tuple[SpawnTruth, ...]
    bad_load: str
    bad_load_bags: int
    bad_load_contaminated: int
    failed_batch: str
    faults: tuple[Fault, ...]

    def way(self, name: str) -> WayTruth:
        """The truth of one way, by its name."""
        return next(way for way in self.ways if way.name == name)


def truth_of(year: Year, seed: int, files: Mapping[str, Mapping[str, Sheet]]) -> Truth:
    """The truth of a year and of the sheets written about it; ``files`` has the sheets by file and name."""
    by_name = {name or file: sheet for file, sheets in files.items() for name, sheet in sheets.items()}
    levels = _levels(by_name)
    bad = [bag for bag in year.bags if bag.batch.block == story.BAD_LOAD]
    return Truth(
        seed, tuple(files),
        {(file, name): len(sheet.sound()) for file, sheets in files.items() for name, sheet in sheets.items()},
        len(year.batches), len(year.bags),
        {"unit": len(by_name["Walks"].sound()), "batch": len(by_name["Lion walks"].sound())},
        {level: sum(len(sheet.sound()) for sheet in sheets) for level, sheets in levels.items()},
        {level: sum(row.mg for sheet in sheets for row in sheet.sound()) for level, sheets in levels.items()},
        sum(row.mg for row in by_name["Sold"].sound()),
        spent(year, sum(float(str(row.cells[-1])) for row in by_name["Steamer"].rows)),
        tuple(_way(year, way) for way in story.WAYS), tuple(_spawn(year, lot) for lot in year.spawn),
        f"ST{story.BAD_LOAD:02d}", len(bad), sum(bag.bad_on is not None for bag in bad),
        next(batch.code for batch in year.batches if batch.failed),
        tuple(fault for file, sheets in files.items() for sheet in sheets.values() for fault in sheet.faults(file)),
    )  # fmt: skip


def _levels(by_name: Mapping[str, Sheet]) -> dict[str, list[Sheet]]:
    csvs = [sheet for sheet in by_name.values() if sheet.name == ""]
    phone = [sheet for sheet in csvs if "Bolsa" in sheet.headers]
    coarse = [sheet for sheet in csvs if "Bolsa" not in sheet.headers]
    return {
        "unit": [by_name["Picked"], *phone],
        "batch": [by_name["Lion's mane"], *coarse],
        "room": [by_name["Helper's week"]],
    }


def _way(year: Year, way: Way) -> WayTruth:
    bags = [bag for bag in year.bags if bag.batch.way is way]
    return WayTruth(
        way.name, way.mix, len({bag.batch.day for bag in bags}), len({bag.batch.code for bag in bags}), len(bags),
        sum(bag.bad_on is not None for bag in bags), sum(pick.grams for bag in bags for pick in bag.picks) / 1000,
        way.yields, way.contamination, way.run, way.minutes, pays(way),
    )  # fmt: skip


def _spawn(year: Year, lot: SpawnLot) -> SpawnTruth:
    bags = [bag for bag in year.bags if bag.batch.spawn.lot == lot.lot]
    days = {bag.batch.day for bag in bags}
    same_days = {batch.spawn.lot for batch in year.batches if batch.day in days and batch.species == lot.species}
    return SpawnTruth(
        lot.lot, lot.passage, len({bag.batch.code for bag in bags}), len(bags),
        sum(bag.bad_on is not None for bag in bags), tuple(sorted(same_days - {lot.lot})), lot.yields,
        lot.contamination, lot.run,
    )  # fmt: skip
