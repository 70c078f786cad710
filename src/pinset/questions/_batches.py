"""The record of each batch, put together from the ledger at the finest level that was noted.

A pick may be noted for a unit, a batch, or a room and day. A room's pick belongs to a batch when only that batch stood
in the room; else it is shared among those that stood there by their number of units, and kept apart as an estimate.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

import numpy as np

from pinset.journal.kinds import CONTAMINATED
from pinset.ledger.read import Reader
from pinset.ledger.tables import Batch, Culled, Definition, Link, MixMade, Picked, Seen, SignSeen, Stay, Unit
from pinset.science.arrays import Floats

DAY = 86_400
KILOGRAM = 1_000_000
# A batch's weight noted beside its units' weights of the same day is the same picking when they differ by less.
SAME_WEIGHT = 0.02
Level = Literal["unit", "batch", "room", "none"]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class UnitRecord:
    """What is known of one unit. Days count from the day the batch was made."""

    code: str
    arm: str | None
    picked_kg: float = 0.0
    by_flush: Mapping[int, float] = field(default_factory=dict)
    first_pick: float | None = None
    contaminated: bool = False
    culled: float | None = None
    run_after: float = 0.0
    """The last look, in days, at which the spawn run was not complete."""
    run_by: float | None = None
    """The first look, in days, at which it was; None while it never was."""
    looked_at: bool = False
    room: str | None = None
    shelf: str | None = None


@dataclass(frozen=True, slots=True)
class BatchRecord:
    """What is known of one batch."""

    batch: Batch
    units: tuple[UnitRecord, ...]
    level: Level
    picked_kg: float
    """Picked from it for certain: its units' picks, its own, and its room's where nothing else stood there."""
    shared_kg: float
    """Its share, by units, of room picks that several batches may have given: an estimate."""
    by_flush: Mapping[int, float]
    by_day: Mapping[date, float]
    contaminated: int
    gone: tuple[tuple[float, int], ...]
    """Units thrown out: days from making, and how many."""
    spawn_kg: float
    spawn_lots: tuple[str, ...]
    moisture: float | None
    last_day: float
    """Days from making to the last thing noted about it."""
    doubled: int
    """Batch weights left out because they repeat their units' weights of the day."""

    @property
    def code(self) -> str:
        """The batch's code."""
        return self.batch.code

    @property
    def wet_kg(self) -> float | None:
        """Wet substrate in all units together."""
        return None if self.batch.fill_mg is None else self.batch.fill_mg * self.batch.units / KILOGRAM

    @property
    def dry_kg(self) -> float | None:
        """Dry substrate in all units together, where the moisture is known."""
        wet = self.wet_kg
        return None if wet is None or self.moisture is None else wet * (1 - self.moisture)

    @property
    def all_kg(self) -> float:
        """Picked for certain and shared out together."""
        return self.picked_kg + self.shared_kg

    @property
    def culled(self) -> int:
        """Units thrown out so far."""
        return sum(count for _, count in self.gone)

    @property
    def shelf_days(self) -> float:
        """Days of shelf that its units took: each until it was culled, or until the batch was last spoken of."""
        return sum(day * count for day, count in self.gone) + (self.batch.units - self.culled) * self.last_day

    def standing(self, at: int) -> int:
        """How many of its units stood somewhere at a moment."""
        day = (at - self.batch.at) / DAY
        if not 0 <= day <= self.last_day:
            return 0
        return self.batch.units - sum(count for gone, count in self.gone if gone < day)


# A batch that was picked less than this many days before the last note of all may still give more: flushes come one
# to two weeks apart (Shnyreva 2017: flushes lasted 5 to 10 days; the gap is common practice).
RESTING_DAYS = 14


@dataclass(frozen=True, slots=True)
class Gathered:
    """The batches asked for, and what is known of the record as a whole."""

    batches: list[BatchRecord]
    whole: list[BatchRecord]
    """Every batch on record, asked for or not."""
    zone: str
    last_noted: int
    """The latest moment that any batch is spoken of."""
    nobody_kg: float
    """Picked in rooms where no batch stood."""

    def day(self, at: int) -> date:
        """The farm's calendar day of a moment."""
        return day_in(self.zone, at)

    def still_going(self, batch: BatchRecord) -> bool:
        """Whether a batch may give more: it has units left, and was spoken of not long before the last note."""
        ended = batch.batch.at + batch.last_day * DAY
        return batch.culled < batch.batch.units and self.last_noted - ended < RESTING_DAYS * DAY


def gather(ledger: Reader, since: date | None = None, until: date | None = None, trial: str | None = None) -> Gathered:
    """Every batch made from ``since`` to ``until``, of one trial if it is named, in the order made."""
    zone = ledger.farm.zone
    everything = sorted(ledger.rows(Batch), key=lambda batch: (batch.at, batch.code))
    wanted = [
        batch
        for batch in everything
        if (since is None or day_in(zone, batch.at) >= since)
        and (until is None or day_in(zone, batch.at) <= until)
        and (trial is None or batch.trial == trial)
    ]
    gathering = _Gathering(ledger, everything)
    whole = gathering.records(everything)
    codes = {batch.code for batch in wanted}
    asked = [record for record in whole if record.code in codes]
    return Gathered(asked, whole, zone, gathering.last_noted, gathering.nobody_mg / KILOGRAM)


def day_in(zone: str, at: int) -> date:
    """The calendar day of a moment in a time zone."""
    return datetime.fromtimestamp(at, UTC).astimezone(ZoneInfo(zone)).date()


def grouped(rows: Iterable[T], key: str) -> dict[str, list[T]]:
    """The rows by one of their columns."""
    by: dict[str, list[T]] = defaultdict(list)
    for row in rows:
        by[getattr(row, key)].append(row)
    return by


class _Gathering:
    """The ledger's rows, indexed once for all batches."""

    def __init__(self, ledger: Reader, batches: list[Batch]) -> None:
        self.zone, self.batches = ledger.farm.zone, batches
        self.units = grouped(ledger.rows(Unit), "batch")
        picks = ledger.rows(Picked)
        self.picks = grouped((pick for pick in picks if pick.level != "room"), "subject")
        self.seen = grouped(ledger.rows(Seen), "subject")
        self.signs = grouped((sign for sign in ledger.rows(SignSeen) if sign.sign in CONTAMINATED), "subject")
        self.culls = grouped(ledger.rows(Culled), "subject")
        self.stays = grouped(sorted(ledger.rows(Stay), key=lambda stay: stay.at), "subject")
        self.spawn = grouped((link for link in ledger.rows(Link) if link.child_kind == "batch"), "child")
        self.water = _moistures(ledger)
        self.certain, self.shared, self.nobody_mg = self._room_picks([pick for pick in picks if pick.level == "room"])

    @property
    def last_noted(self) -> int:
        """The latest moment that a batch or a unit is spoken of."""
        spoken = [row.at for by in (self.picks, self.seen, self.culls) for rows in by.values() for row in rows]
        return max([*spoken, *(batch.at for batch in self.batches)], default=0)

    def records(self, wanted: list[Batch]) -> list[BatchRecord]:
        return [self._record(batch) for batch in wanted]

    def _record(self, batch: Batch) -> BatchRecord:
        units = tuple(self._unit(batch, unit) for unit in self.units[batch.code])
        own, doubled = self._own_picks(batch)
        certain = [*own, *self.certain.get(batch.code, [])]
        shared = sum(self.shared.get(batch.code, {}).values()) / KILOGRAM
        of_units = [pick for unit in units for pick in self.picks.get(unit.code, [])]
        return BatchRecord(
            batch, units, _level(of_units, own, bool(self.certain.get(batch.code)) or shared > 0),
            sum(pick.weight_mg for pick in [*of_units, *certain]) / KILOGRAM, shared,
            _by_flush([*of_units, *certain]), self._by_day([*of_units, *certain]),
            self._affected(batch, units), self._gone(batch, units),
            sum(link.weight_mg or 0 for link in self.spawn.get(batch.code, [])) / KILOGRAM,
            tuple(link.parent for link in self.spawn.get(batch.code, [])),
            self._moisture(batch), self._last_day(batch, certain), doubled,
        )  # fmt: skip

    def _unit(self, batch: Batch, unit: Unit) -> UnitRecord:
        picks = self.picks.get(unit.code, [])
        looks = sorted([*self.seen.get(unit.code, []), *self.seen.get(batch.code, [])], key=lambda look: look.at)
        run_after, run_by = self._run(batch, looks)
        culls = self.culls.get(unit.code, [])
        return UnitRecord(
            unit.code, unit.arm, sum(pick.weight_mg for pick in picks) / KILOGRAM, _by_flush(picks),
            min((self._days(batch, pick.at) for pick in picks), default=None),
            bool(self.signs.get(unit.code)) or any(cull.reason == "contaminated" for cull in culls),
            min((self._days(batch, cull.at) for cull in culls), default=None),
            run_after, run_by, any(look.run is not None for look in looks), *self._place_of(unit, batch),
        )  # fmt: skip

    def _days(self, batch: Batch, at: int) -> float:
        return wall_days(self.zone, batch.at, at)

    def _run(self, batch: Batch, looks: list[Seen]) -> tuple[float, float | None]:
        """Between which looks the spawn run was completed: the interval that is known, never the day of a look."""
        after = 0.0
        for look in looks:
            if look.run is None:
                continue
            if look.run >= 1:
                return after, self._days(batch, look.at)
            after = max(after, self._days(batch, look.at))
        return after, None

    def _by_day(self, picks: Iterable[Picked]) -> dict[date, float]:
        by: dict[date, float] = defaultdict(float)
        for pick in picks:
            by[day_in(self.zone, pick.at)] += pick.weight_mg / KILOGRAM
        return by

    def _own_picks(self, batch: Batch) -> tuple[list[Picked], int]:
        """The picks noted for the batch as a whole, without those that repeat its units' picks of the same day."""
        by_day: dict[date, int] = defaultdict(int)
        for unit in self.units[batch.code]:
            for pick in self.picks.get(unit.code, []):
                by_day[day_in(self.zone, pick.at)] += pick.weight_mg
        noted = self.picks.get(batch.code, [])
        own = [pick for pick in noted if not repeats_units(pick.weight_mg, by_day.get(day_in(self.zone, pick.at), 0))]
        return own, len(noted) - len(own)

    def _affected(self, batch: Batch, units: tuple[UnitRecord, ...]) -> int:
        by_unit = sum(unit.contaminated for unit in units)
        noted = [sign.affected or 1 for sign in self.signs.get(batch.code, [])]
        thrown = sum(
            cull.number or batch.units for cull in self.culls.get(batch.code, []) if cull.reason == "contaminated"
        )
        return min(batch.units, max([by_unit, thrown, *noted]))

    def _gone(self, batch: Batch, units: tuple[UnitRecord, ...]) -> tuple[tuple[float, int], ...]:
        gone = [(unit.culled, 1) for unit in units if unit.culled is not None]
        left = batch.units - len(gone)
        for cull in sorted(self.culls.get(batch.code, []), key=lambda cull: cull.at):
            count = min(left, left if cull.number is None else cull.number)
            gone.append((self._days(batch, cull.at), count))
            left -= count
        return tuple(gone)

    def _moisture(self, batch: Batch) -> float | None:
        if batch.moisture is not None:
            return batch.moisture
        return self.water.get(f"mix:{batch.mix}", self.water.get(f"recipe:{batch.recipe}"))

    def _last_day(self, batch: Batch, certain: list[Picked]) -> float:
        subjects = [batch.code, *(unit.code for unit in self.units[batch.code])]
        spoken = [row.at for by in (self.picks, self.seen, self.culls) for code in subjects for row in by.get(code, [])]
        return self._days(batch, max([batch.at, *spoken, *(pick.at for pick in certain)]))

    def _stays_of(self, unit: Unit, batch: Batch) -> list[Stay]:
        return sorted([*self.stays.get(unit.code, []), *self.stays.get(batch.code, [])], key=lambda stay: stay.at)

    def _room_of(self, unit: Unit, batch: Batch, at: int) -> str | None:
        past = [stay for stay in self._stays_of(unit, batch) if stay.at <= at]
        return past[-1].room if past else None

    def _place_of(self, unit: Unit, batch: Batch) -> tuple[str | None, str | None]:
        """The room where a unit stood last, and the last shelf that is named for it."""
        stays = self._stays_of(unit, batch)
        shelves = [stay.shelf for stay in stays if stay.shelf is not None]
        return (stays[-1].room if stays else None), (shelves[-1] if shelves else None)

    def _room_picks(self, picks: list[Picked]) -> tuple[dict[str, list[Picked]], dict[str, dict[str, float]], int]:
        certain: dict[str, list[Picked]] = defaultdict(list)
        shared: dict[str, dict[str, float]] = defaultdict(dict)
        nobody = 0
        for pick in picks:
            standing = self._standing(pick.subject, pick.at)
            total = sum(standing.values())
            if len(standing) == 1:
                certain[next(iter(standing))].append(pick)
            elif not standing:
                nobody += pick.weight_mg
            for code, units in standing.items() if len(standing) > 1 else ():
                shared[code][pick.entry] = pick.weight_mg * units / total
        return certain, shared, nobody

    def _standing(self, room: str, at: int) -> dict[str, int]:
        """How many units of each batch stood in a room at a moment."""
        found: dict[str, int] = {}
        for batch in self.batches:
            if batch.at > at:
                continue
            here = sum(self._stands(unit, batch, room, at) for unit in self.units[batch.code])
            if here:
                found[batch.code] = here
        return found

    def _stands(self, unit: Unit, batch: Batch, room: str, at: int) -> bool:
        gone = any(cull.at <= at for code in (unit.code, batch.code) for cull in self.culls.get(code, []))
        return not gone and self._room_of(unit, batch, at) == room


def _moistures(ledger: Reader) -> dict[str, float]:
    """The moisture of each mix and recipe that has one on record."""
    known = {f"mix:{mix.code}": mix.moisture for mix in ledger.rows(MixMade) if mix.moisture is not None}
    for defined in sorted(ledger.rows(Definition, what="recipe"), key=lambda row: row.at):
        moisture = json.loads(defined.body).get("moisture")
        if moisture is not None:
            known[f"recipe:{defined.name}"] = moisture
    return known


def wall_days(zone: str, start: int, end: int) -> float:
    """Days between two moments by the clock on the wall: from noon to noon is a whole day, summer time or not.

    >>> wall_days("Europe/Vienna", 1774695600, 1774778400)
    1.0
    """
    here = ZoneInfo(zone)
    first, last = (datetime.fromtimestamp(at, here).replace(tzinfo=None) for at in (start, end))
    return (last - first).total_seconds() / DAY


def _by_flush(picks: Iterable[Picked]) -> dict[int, float]:
    by: dict[int, float] = defaultdict(float)
    for pick in picks:
        if pick.flush is not None:
            by[pick.flush] += pick.weight_mg / KILOGRAM
    return dict(sorted(by.items()))


def repeats_units(weight_mg: int, of_units_mg: int) -> bool:
    """Whether a batch's weight is the same picking as its units' weights of that day, noted once more."""
    return of_units_mg > 0 and abs(weight_mg - of_units_mg) <= SAME_WEIGHT * of_units_mg


def _level(of_units: list[Picked], own: list[Picked], by_room: bool) -> Level:
    if own or (by_room and of_units):
        return "room" if by_room else "batch"
    if of_units:
        return "unit"
    return "room" if by_room else "none"


def run_interval(units: Sequence[UnitRecord]) -> tuple[Floats, Floats]:
    """Between which days the spawn run of each unit was completed; infinite where it was not seen complete."""
    left = np.array([unit.run_after for unit in units])
    return left, np.array([math.inf if unit.run_by is None else unit.run_by for unit in units])
