"""What spawn truly cost: bought, made fresh from a culture, or passed on with what it was drawn from.

Units that were given up to be drawn from bear no crop of their own: what they had cost, and the shelf they took, goes
with the spawn. Units that were drawn from and kept have earned it themselves.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from pinset.ledger.read import Reader
from pinset.ledger.tables import Culled, Labour, Link, Lot, Unit
from pinset.questions._batches import DAY, KILOGRAM, BatchRecord, grouped
from pinset.questions._money import CostOfBatch, PriceBook

Way = Literal["bought", "own, from a culture", "passed on"]


@dataclass(frozen=True, slots=True)
class SpawnKilo:
    """A kilogram of spawn: what was spent on it and what labour it took, in minor units, and the shelf it stood on."""

    way: Way
    material: float
    labour: float = 0.0
    shelf_days: float = 0.0

    @property
    def total(self) -> float:
        """Material and labour together."""
        return self.material + self.labour


@dataclass(frozen=True, slots=True)
class Out:
    """Units of a batch that were given up to be drawn from."""

    batch: str
    at: int
    units: int


class SpawnPrices:
    """What a kilogram of each lot of spawn cost, followed back through what it was drawn from."""

    def __init__(self, ledger: Reader, book: PriceBook, costs: Iterable[CostOfBatch]) -> None:
        self._book = book
        self._lots = {lot.code: lot for lot in ledger.rows(Lot) if lot.what in ("culture", "spawn")}
        links = ledger.rows(Link)
        self._parents = grouped((link for link in links if link.child_kind == "lot"), "child")
        self._used = grouped((link for link in links if link.child_kind == "batch"), "parent")
        self._costs = {cost.batch.code: cost for cost in costs}
        self._batch_of = {unit.code: unit.batch for unit in ledger.rows(Unit)}
        self._minutes = grouped((work for work in ledger.rows(Labour) if work.level == "lot"), "subject")
        culls = ledger.rows(Culled, reason="drawn from")
        self._given_up = {cull.subject for cull in culls}
        self._out = grouped((Out(self._of(cull.subject), cull.at, cull.number or 1) for cull in culls), "batch")
        self._known: dict[str, SpawnKilo | None] = {}

    def _of(self, code: str) -> str:
        return self._batch_of.get(code, code)

    def given_up(self, batch: BatchRecord) -> tuple[int, float]:
        """How many units of a batch were given up to be drawn from, and the days of shelf they took."""
        out = self._out.get(batch.code, [])
        units = min(sum(one.units for one in out), batch.batch.units - 1)
        return units, sum(one.units * max(0.0, (one.at - batch.batch.at) / DAY) for one in out)

    def kilo(self, code: str) -> SpawnKilo | None:
        """What a kilogram of a lot cost; None where nothing of it is on record."""
        if code not in self._known:
            self._known[code] = None  # a lot drawn from itself has no cost
            lot = self._lots.get(code)
            self._known[code] = None if lot is None else self._bought(lot) or self._drawn(lot)
        return self._known[code]

    def _bought(self, lot: Lot) -> SpawnKilo | None:
        kilo = self._book.kilo(lot.code, lot.at) if lot.origin == "received" else None
        return None if kilo is None else SpawnKilo("bought", kilo)

    def _drawn(self, lot: Lot) -> SpawnKilo | None:
        """What was spent on a drawn lot, with the work of drawing and what its parents had cost, by its weight."""
        weight = (lot.weight_mg or sum(link.weight_mg or 0 for link in self._used.get(lot.code, []))) / KILOGRAM
        if lot.origin == "received" or not weight:
            return None
        parents = self._parents.get(lot.code, [])
        parts = [found for link in parents if (found := self._part(link, lot.at)) is not None]
        worked = sum(work.minutes for work in self._minutes.get(lot.code, [])) / 60 * (self._wage(lot.at) or 0.0)
        if lot.cost_minor is None and not worked and not parts:
            return None
        material = ((lot.cost_minor or 0) + sum(part.material for part in parts)) / weight
        labour = (worked + sum(part.labour for part in parts)) / weight
        return SpawnKilo(self._way(parents), material, labour, sum(part.shelf_days for part in parts) / weight)

    def _way(self, parents: list[Link]) -> Way:
        cultures = all(link.parent in self._lots and self._lots[link.parent].what == "culture" for link in parents)
        return "own, from a culture" if cultures else "passed on"

    def _wage(self, at: int) -> float | None:
        wage = self._book.price("labour", "hour", at)
        return self._book.any_price("hour", at) if wage is None else wage

    def _part(self, link: Link, at: int) -> SpawnKilo | None:
        """What a parent gave, costed whole: the weight drawn of a lot, or of a unit (all of it where none is noted)."""
        cost = self._costs.get(self._of(link.parent))
        if cost is not None:
            return _of_units(cost, link.weight_mg, at) if link.parent in self._given_up else SpawnKilo("passed on", 0.0)
        kilo, weight = self.kilo(link.parent), (link.weight_mg or 0) / KILOGRAM
        if kilo is None:
            return None
        return SpawnKilo(kilo.way, kilo.material * weight, kilo.labour * weight, kilo.shelf_days * weight)


def _of_units(cost: CostOfBatch, weight_mg: int | None, at: int) -> SpawnKilo:
    """What was drawn of a unit, with its share of what the unit had cost and of the shelf it had taken."""
    batch: BatchRecord = cost.batch
    share = (weight_mg or batch.batch.fill_mg or 0) / (batch.batch.fill_mg or 1) / batch.batch.units
    labour = cost.lines.get("labour", 0)
    material = cost.total - labour - cost.lines.get("shelf", 0)
    stood = max(0.0, (at - batch.batch.at) / DAY) * batch.batch.units
    return SpawnKilo("passed on", material * share, labour * share, stood * share)
