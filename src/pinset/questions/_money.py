"""What each batch cost, line by line, from the prices on record; what has no price is named, not guessed."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from pinset.ledger.read import Reader
from pinset.ledger.tables import Definition, Delivery, Labour, Link, Load, Lot, MixMade, Price
from pinset.questions._batches import KILOGRAM, BatchRecord, Gathered, grouped
from pinset.science.costs import BatchCost, CostKind, CostLine, priced, share_out

PICKING = ("pick", "harvest", "ernt", "pflück", "cosech", "recog", "récolt", "cueill")
"""How the names of tasks begin that are shared by weight picked: English, German, Spanish, French."""
LINES = ("substrate", "spawn", "containers", "labour", "energy", "shelf")


@dataclass(frozen=True, slots=True)
class CostOfBatch:
    """A batch's cost by line, and what could not be counted for want of a record."""

    batch: BatchRecord
    cost: BatchCost
    missing: tuple[str, ...]

    @property
    def lines(self) -> dict[str, int]:
        """Minor units by the name of the line."""
        return {line.name: line.minor for line in self.cost.lines}

    @property
    def total(self) -> int:
        """All lines together, in minor units."""
        return self.cost.total


@dataclass(frozen=True, slots=True)
class Money:
    """The farm's currency: amounts are kept in whole minor units and shown in major ones."""

    currency: str
    minor_digits: int

    def shown(self, minor: float) -> float:
        """An amount of minor units in major ones.

        >>> Money("EUR", 2).shown(1150)
        11.5
        """
        return float(minor) / float(10**self.minor_digits)


class PriceBook:
    """The prices and unit costs on record, as they were on a given day, in minor units."""

    def __init__(self, ledger: Reader) -> None:
        self.money = Money(ledger.farm.currency, ledger.farm.minor_digits)
        self._prices = grouped(sorted(ledger.rows(Price), key=lambda price: price.at), "name")
        self._lots = {lot.code: lot for lot in ledger.rows(Lot)}
        self._by_item = grouped((lot for lot in self._lots.values() if lot.what == "ingredient"), "item")
        self.deliveries = [one for one in ledger.rows(Delivery) if one.amount_minor is not None]

    def price(self, name: str, per: str, at: int) -> float | None:
        """The price of a thing on a day: the latest noted by then, else the first there is."""
        known = [price for price in self._prices.get(name, []) if price.per == per]
        past = [price for price in known if price.at <= at]
        chosen = past[-1] if past else (known[0] if known else None)
        return None if chosen is None else float(chosen.amount_minor)

    def any_price(self, per: str, at: int) -> float | None:
        """The price of whatever is priced by this measure, where only one thing is."""
        names = [name for name, prices in self._prices.items() if any(price.per == per for price in prices)]
        return self.price(names[0], per, at) if len(names) == 1 else None

    def lot_kilo(self, code: str) -> float | None:
        """What a kilogram of a lot cost."""
        lot = self._lots.get(code)
        if lot is None or lot.cost_minor is None or not lot.weight_mg:
            return None
        return lot.cost_minor / (lot.weight_mg / KILOGRAM)

    def kilo(self, name: str, at: int) -> float | None:
        """What a kilogram of a lot or an ingredient cost: by its lot, its price, or all lots of it together."""
        if name.casefold() == "water":
            return 0.0
        found = self.lot_kilo(name)
        if found is None:
            found = self.price(name, "kg", at)
        if found is None:
            bought = [lot for lot in self._by_item.get(name, []) if lot.cost_minor is not None and lot.weight_mg]
            weight = sum(lot.weight_mg or 0 for lot in bought) / KILOGRAM
            found = sum(lot.cost_minor or 0 for lot in bought) / weight if weight else None
        return found

    def kilo_sold(self, product: str | None = None) -> float | None:
        """What a kilogram sold for, over all deliveries with an amount: of one product, where it was sold by name."""
        of_product = [
            one for one in self.deliveries if product and (one.product or "").casefold() == product.casefold()
        ]
        chosen = of_product or self.deliveries
        weight = sum(one.weight_mg for one in chosen) / KILOGRAM
        return sum(one.amount_minor or 0 for one in chosen) / weight if weight else None

    def worth(self, batch: BatchRecord) -> float | None:
        """What a batch's picks are worth at the average price of its mushroom."""
        kilo = self.kilo_sold(batch.batch.strain)
        return None if kilo is None else batch.all_kg * kilo


def batch_costs(ledger: Reader, gathered: Gathered, book: PriceBook) -> list[CostOfBatch]:
    """The cost of each gathered batch."""
    return _Costing(ledger, gathered, book).costs()


class _Costing:
    def __init__(self, ledger: Reader, gathered: Gathered, book: PriceBook) -> None:
        self.gathered, self.book = gathered, book
        links = ledger.rows(Link)
        self.into_batch = grouped((link for link in links if link.child_kind == "batch"), "child")
        self.into_mix = grouped((link for link in links if link.child_kind == "mix"), "child")
        self.mixes = {mix.code: mix for mix in ledger.rows(MixMade)}
        self.recipes = {one.name: json.loads(one.body) for one in ledger.rows(Definition, what="recipe")}
        self.heat = self._heat(ledger.rows(Load))
        self.labour = ledger.rows(Labour)
        self.hours = self._hours()

    def costs(self) -> list[CostOfBatch]:
        return [self._cost(batch) for batch in self.gathered.batches]

    def _cost(self, batch: BatchRecord) -> CostOfBatch:
        missing: list[str] = []
        lines = (
            self._substrate(batch, missing), self._spawn(batch, missing), self._containers(batch),
            self._labour(batch, missing), self._energy(batch, missing), self._shelf(batch),
        )  # fmt: skip
        return CostOfBatch(batch, BatchCost(tuple(line for line in lines if line is not None)), tuple(missing))

    def _substrate(self, batch: BatchRecord, missing: list[str]) -> CostLine | None:
        mix = self.mixes.get(batch.batch.mix or "")
        recipe: dict[str, Any] = self.recipes.get(batch.batch.recipe or "", {})
        kilo: float | None = None
        if mix is not None:
            kilo = self._from_mix(mix, missing)
        elif recipe.get("parts"):
            kilo = self._from_parts(recipe["parts"], batch.batch.at, missing)
        else:
            kilo = self.book.price(batch.batch.recipe or "", "kg", batch.batch.at)
        if kilo is None or batch.wet_kg is None:
            missing.append("substrate")
            return None
        return priced(CostKind.MATERIAL, "substrate", batch.wet_kg, kilo)

    def _from_mix(self, mix: MixMade, missing: list[str]) -> float | None:
        """What a kilogram of a mix cost."""
        parts = self.into_mix.get(mix.code, [])
        total = mix.total_mg or sum(part.weight_mg or 0 for part in parts) + (mix.water_mg or 0)
        kilos = [(part.parent, self.book.kilo(part.parent, mix.at), part.weight_mg) for part in parts]
        missing += [name for name, kilo, weight in kilos if kilo is None or weight is None]
        spent = sum(kilo * weight for _, kilo, weight in kilos if kilo is not None and weight is not None)
        return spent / total if total else None

    def _from_parts(self, parts: list[dict[str, Any]], at: int, missing: list[str]) -> float:
        """What a kilogram of a recipe costs; what its shares leave over is water."""
        kilos = [(part["ingredient"], self.book.kilo(part["ingredient"], at), part["share"]) for part in parts]
        missing += [name for name, kilo, _ in kilos if kilo is None]
        return float(sum(kilo * share for _, kilo, share in kilos if kilo is not None))

    def _spawn(self, batch: BatchRecord, missing: list[str]) -> CostLine | None:
        links = self.into_batch.get(batch.code, [])
        kilos = [(link.parent, self.book.kilo(link.parent, batch.batch.at), link.weight_mg) for link in links]
        missing += [f"spawn {name}" for name, kilo, weight in kilos if kilo is None or weight is None]
        if not links:
            missing.append("spawn")
        spent = [kilo * weight / KILOGRAM for _, kilo, weight in kilos if kilo is not None and weight is not None]
        return CostLine(CostKind.MATERIAL, "spawn", round(sum(spent))) if spent else None

    def _containers(self, batch: BatchRecord) -> CostLine | None:
        price = self.book.price(batch.batch.container or "", "each", batch.batch.at)
        return None if price is None else priced(CostKind.MATERIAL, "containers", batch.batch.units, price)

    def _labour(self, batch: BatchRecord, missing: list[str]) -> CostLine | None:
        hours = self.hours.get(batch.code, 0.0)
        wage = self.book.price("labour", "hour", batch.batch.at)
        wage = self.book.any_price("hour", batch.batch.at) if wage is None else wage
        if not hours or wage is None:
            missing.append("labour" if not hours else "a price for an hour of labour")
            return None
        return priced(CostKind.LABOUR, "labour", hours, wage)

    def _hours(self) -> dict[str, float]:
        """Hours noted for a batch or its units, and its share of those that were noted for none."""
        batch_of = {unit.code: batch.code for batch in self.gathered.whole for unit in batch.units}
        hours: dict[str, float] = defaultdict(float)
        for work in self.labour:
            if work.level in ("batch", "unit"):
                hours[batch_of.get(work.subject or "", work.subject or "")] += work.minutes / 60
                continue
            sharers = self._sharers(work)
            whole = sum(sharers.values())
            for code, part in sharers.items():
                hours[code] += work.minutes / 60 * part / whole
        return hours

    def _sharers(self, work: Labour) -> dict[str, float]:
        """Who shares work noted for no batch: picking by the weight of that day, other work by the units standing."""
        day = self.gathered.day(work.at)
        if work.task.casefold().startswith(PICKING):
            picked = {batch.code: batch.by_day[day] for batch in self.gathered.whole if batch.by_day.get(day)}
            if picked:
                return picked
        standing = {batch.code: float(batch.standing(work.at)) for batch in self.gathered.whole}
        there = {code: units for code, units in standing.items() if units}
        return there or {batch.code: float(batch.batch.units) for batch in self.gathered.whole}

    def _heat(self, loads: list[Load]) -> dict[str, int]:
        """Each batch's share of what its load's energy cost, by units, in minor units that add up to the whole."""
        shares: dict[str, int] = {}
        for load in loads:
            price = self.book.any_price("kWh", load.at)
            inside = [record for record in self.gathered.whole if record.batch.load == load.code]
            if load.energy_kwh is not None and price is not None and inside:
                whole = priced(CostKind.ENERGY, "energy", load.energy_kwh, price).minor
                parts = share_out(whole, [record.batch.units for record in inside])
                shares |= {record.code: part for record, part in zip(inside, parts, strict=True)}
        return shares

    def _energy(self, batch: BatchRecord, missing: list[str]) -> CostLine | None:
        if batch.code not in self.heat:
            missing.append("energy")
            return None
        return CostLine(CostKind.ENERGY, "energy", self.heat[batch.code])

    def _shelf(self, batch: BatchRecord) -> CostLine | None:
        price = self.book.any_price("shelf-day", batch.batch.at)
        return None if price is None else priced(CostKind.PLACE, "shelf", batch.shelf_days, price)


def by_line(costs: Iterable[CostOfBatch]) -> dict[str, int]:
    """Each line's total in minor units, the largest first."""
    totals: dict[str, int] = defaultdict(int)
    for cost in costs:
        for name, amount in cost.lines.items():
            totals[name] += amount
    return dict(sorted(totals.items(), key=lambda item: -item[1]))
