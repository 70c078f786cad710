"""The rounds of a line: what a unit made gave and took by how often its spawn was passed on since it was fresh."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from pinset.journal.kinds import PESTS
from pinset.ledger.read import Reader
from pinset.ledger.tables import SignSeen, Unit
from pinset.questions._batches import BatchRecord, Gathered, gather
from pinset.questions._money import CostOfBatch, Money, PriceBook, batch_costs
from pinset.questions._spawn import SpawnBook
from pinset.questions._spawnprice import SpawnPrices
from pinset.science.arrays import Floats
from pinset.science.renewal import Rounds


@dataclass(frozen=True, slots=True)
class Made:
    """One batch, per unit made: its passage, kg, money (in whole currency units) and days of shelf.

    Units that were given up to be drawn from are left out: they go with the spawn that they became.
    """

    batch: BatchRecord
    passage: int
    block: str
    kilos: float
    cost: float
    """All but spawn and shelf."""
    spawn: float
    shelf_days: float
    unpriced: tuple[str, ...]
    """Lots of its spawn of whose cost nothing is on record."""
    pests: bool
    """Whether mites, flies or larvae were seen in it."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """The batches of one line by passage, from the freshest up to the first passage that is missing."""

    line: str
    made: tuple[Made, ...]
    money: Money
    sold: float | None
    """What a kg sells for, in whole currency units."""
    others: tuple[str, ...]
    """Other lines on record."""
    gathered: Gathered

    @property
    def fresh(self) -> int:
        """The lowest passage."""
        return min(one.passage for one in self.made)

    @property
    def last(self) -> int:
        """How many times spawn was passed on at most."""
        return max(one.passage for one in self.made) - self.fresh

    def passed(self, times: int) -> list[Made]:
        """The batches from spawn passed on so many times."""
        return [one for one in self.made if one.passage - self.fresh == times]

    def control(self, one: Made) -> float | None:
        """What a unit of fresh spawn gave on the same day with the same mix, kg; None where none was made."""
        beside = [other for other in self.passed(0) if other.block == one.block]
        units = sum(other.batch.batch.units for other in beside)
        return sum(other.kilos * other.batch.batch.units for other in beside) / units if units else None

    def fair_kilos(self, one: Made) -> float:
        """kg a unit, made good for the day where fresh spawn was used beside it."""
        control = self.control(one)
        if one.passage == self.fresh or control is None:
            return one.kilos
        return one.kilos - control + mean([each.kilos for each in self.passed(0)], self.passed(0))


def made_alike(gathered: Gathered, batch: BatchRecord) -> str:
    """What is alike but for the spawn: the day of making, the mix and the strain."""
    return f"{gathered.day(batch.batch.at)} {batch.batch.recipe or ''} {batch.batch.strain or ''}"


def mean(values: Sequence[float], made: Sequence[Made]) -> float:
    """The mean per unit made."""
    return float(np.average(values, weights=[one.batch.batch.units for one in made]))


def recorded(ledger: Reader, line: str | None, since: date | None, until: date | None) -> Recorded | None:
    """The rounds of a line on record, of the one passed on furthest where none is named; None where there are none."""
    gathered, book, spawn = gather(ledger, since, until), PriceBook(ledger), SpawnBook(ledger)
    costs = batch_costs(ledger, gathered, book)
    prices, pests = SpawnPrices(ledger, book, costs), _with_pests(ledger)
    lines: dict[str, list[Made]] = {}
    for cost in costs:
        passages = [spawn.passage(lot) for lot in cost.batch.spawn_lots]
        if passages and None not in passages and _done(gathered, cost.batch):
            largest = max(passage for passage in passages if passage is not None)
            made = _made(gathered, cost, largest, prices, book.money, pests)
            lines.setdefault(spawn.line(cost.batch.spawn_lots), []).append(made)
    if not lines or (line is not None and line not in lines):
        return None
    chosen = line or max(lines, key=lambda name: (len({one.passage for one in lines[name]}), len(lines[name])))
    sold = book.kilo_sold(lines[chosen][0].batch.batch.strain)
    shown = None if sold is None else book.money.shown(sold)
    others = tuple(sorted(set(lines) - {chosen}))
    return Recorded(chosen, _unbroken(lines[chosen]), book.money, shown, others, gathered)


def _done(gathered: Gathered, batch: BatchRecord) -> bool:
    """Whether all that a batch will give is on record, and no estimate."""
    known = batch.level != "none" or batch.culled == batch.batch.units
    return known and batch.shared_kg == 0 and batch.last_day > 0 and not gathered.still_going(batch)


def _with_pests(ledger: Reader) -> set[str]:
    """The batches in which, or in a unit of which, pests were seen."""
    batch_of = {unit.code: unit.batch for unit in ledger.rows(Unit)}
    return {batch_of.get(sign.subject, sign.subject) for sign in ledger.rows(SignSeen) if sign.sign in PESTS}


def _made(
    gathered: Gathered, cost: CostOfBatch, passage: int, prices: SpawnPrices, money: Money, pests: set[str]
) -> Made:
    batch, units = cost.batch, cost.batch.batch.units
    out, out_days = prices.given_up(batch)
    kilos = {lot: prices.kilo(lot) for lot in batch.spawn_lots}
    each = batch.spawn_kg / max(1, len(kilos)) / units  # lots of one batch that are not weighed apart count alike
    known = [kilo for kilo in kilos.values() if kilo is not None]
    return Made(
        batch, passage, made_alike(gathered, batch), batch.picked_kg / (units - out),
        money.shown(cost.total - cost.lines.get("spawn", 0) - cost.lines.get("shelf", 0)) / units,
        money.shown(sum(kilo.total * each for kilo in known)),
        (batch.shelf_days - out_days) / (units - out) + sum(kilo.shelf_days * each for kilo in known),
        tuple(lot for lot, kilo in kilos.items() if kilo is None), batch.code in pests,
    )  # fmt: skip


def _unbroken(made: list[Made]) -> tuple[Made, ...]:
    """Without the batches beyond the first passage that nothing was made with."""
    passages = {one.passage for one in made}
    last = min(passages)
    while last + 1 in passages:
        last += 1
    return tuple(one for one in made if one.passage <= last)


@dataclass(frozen=True, slots=True)
class Stated:
    """What was stated as options, in the place of the record or beyond it; lists go from fresh spawn on."""

    yields: tuple[float, ...] = ()
    days: tuple[float, ...] = ()
    chance: tuple[float, ...] = ()
    price: float | None = None
    spawn: float | None = None
    draw: float | None = None
    cost: float | None = None
    loss: float = 0.0
    batch: float = 1.0

    @property
    def whole(self) -> bool:
        """Whether nothing of a record is needed."""
        return bool(self.yields and self.days) and self.price is not None and self.spawn is not None


def rounds_stated(stated: Stated) -> Rounds:
    """The rounds from what was stated alone; a list that is too short goes on as it ends."""
    count = max(len(stated.yields), len(stated.days))
    spawn = np.full(count, stated.draw or 0.0)
    spawn[0] = stated.spawn or 0.0
    return Rounds(
        revenue=(stated.price or 0.0) * _long(stated.yields, count), cost=np.full(count, stated.cost or 0.0),
        spawn=spawn, shelf_days=_long(stated.days, count), infestation=_long(stated.chance or (0.0,), count),
        loss=stated.loss, units=stated.batch,
    )  # fmt: skip


def rounds_recorded(record: Recorded, stated: Stated) -> Rounds | None:
    """The rounds of the record, with what was stated in its place; None where nothing says what a kg is worth."""
    price = record.sold if stated.price is None else stated.price
    if price is None:
        return None
    count = record.last + 1
    by = [record.passed(times) for times in range(count)]
    kilos = np.array([mean([record.fair_kilos(one) for one in some], some) for some in by])
    spawn = np.array([mean([one.spawn for one in some], some) for some in by])
    spawn[0] = spawn[0] if stated.spawn is None else stated.spawn
    spawn[1:] = spawn[1:] if stated.draw is None else stated.draw
    cost = np.array([mean([one.cost for one in some], some) for some in by])
    days = np.array([mean([one.shelf_days for one in some], some) for some in by])
    seen = np.array([np.mean([one.pests for one in some]) for some in by])
    return Rounds(
        revenue=price * (_long(stated.yields, count) if stated.yields else kilos),
        cost=cost if stated.cost is None else np.full(count, stated.cost), spawn=spawn,
        shelf_days=_long(stated.days, count) if stated.days else days,
        infestation=_long(stated.chance, count) if stated.chance else seen, loss=stated.loss,
        units=float(np.mean([one.batch.batch.units for one in record.made])),
    )  # fmt: skip


def _long(values: Sequence[float], count: int) -> Floats:
    return np.array([*values, *[values[-1]] * count][:count], dtype=float)
