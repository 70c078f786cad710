"""What each batch cost, line by line, from the prices on record; what has no price is named, not guessed."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from pinset.ledger.read import Reader
from pinset.ledger.tables import Definition, Delivery, Labour, Link, Load, Lot, MixMade, Price
from pinset.questions._batches import DAY, KILOGRAM, BatchRecord, Gathered, grouped

LINES = ("substrate", "spawn", "containers", "labour", "energy", "shelf")


@dataclass(frozen=True, slots=True)
class BatchCost:
    """A batch's cost by line, in currency units, and what could not be counted."""

    batch: BatchRecord
    lines: dict[str, float]
    missing: tuple[str, ...]

    @property
    def total(self) -> float:
        """All lines together."""
        return sum(self.lines.values())


class PriceBook:
    """The prices and unit costs on record, as they were on a given day."""

    def __init__(self, ledger: Reader) -> None:
        self._minor = float(10**ledger.farm.minor_digits)
        self._prices = grouped(sorted(ledger.rows(Price), key=lambda price: price.at), "name")
        self._lots = {lot.code: lot for lot in ledger.rows(Lot)}
        self._by_item = grouped((lot for lot in self._lots.values() if lot.what == "ingredient"), "item")
        self.deliveries = [one for one in ledger.rows(Delivery) if one.amount_minor is not None]

    def price(self, name: str, per: str, at: int) -> float | None:
        """The price of a thing on a day: the latest noted by then, else the first there is."""
        known = [price for price in self._prices.get(name, []) if price.per == per]
        past = [price for price in known if price.at <= at]
        chosen = past[-1] if past else (known[0] if known else None)
        return None if chosen is None else chosen.amount_minor / self._minor

    def any_price(self, per: str, at: int) -> float | None:
        """The price of whatever is priced by this measure, where only one thing is."""
        names = [name for name, prices in self._prices.items() if any(price.per == per for price in prices)]
        return self.price(names[0], per, at) if len(names) == 1 else None

    def lot_kilo(self, code: str) -> float | None:
        """What a kilogram of a lot cost."""
        lot = self._lots.get(code)
        if lot is None or lot.cost_minor is None or not lot.weight_mg:
            return None
        return lot.cost_minor / self._minor / (lot.weight_mg / KILOGRAM)

    def kilo(self, name: str, at: int) -> float | None:
        """What a kilogram of a lot or an ingredient cost: by its lot, its price, or all lots of it together."""
        found = self.lot_kilo(name)
        if found is None:
            found = self.price(name, "kg", at)
        if found is None:
            bought = [lot for lot in self._by_item.get(name, []) if lot.cost_minor is not None and lot.weight_mg]
            weight = sum(lot.weight_mg or 0 for lot in bought) / KILOGRAM
            found = sum(lot.cost_minor or 0 for lot in bought) / self._minor / weight if weight else None
        return found

    def kilo_sold(self) -> float | None:
        """What a kilogram sold for, over all deliveries with an amount."""
        weight = sum(one.weight_mg for one in self.deliveries) / KILOGRAM
        return sum(one.amount_minor or 0 for one in self.deliveries) / self._minor / weight if weight else None


def batch_costs(ledger: Reader, gathered: Gathered, book: PriceBook) -> list[BatchCost]:
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
        self.loads = {load.code: load for load in ledger.rows(Load)}
        self.in_load: dict[str, int] = defaultdict(int)
        for record in gathered.whole:
            self.in_load[record.batch.load or ""] += record.batch.units
        self.labour = ledger.rows(Labour)
        self.hours, self.general = self._hours()

    def costs(self) -> list[BatchCost]:
        return [self._cost(batch) for batch in self.gathered.batches]

    def _cost(self, batch: BatchRecord) -> BatchCost:
        missing: list[str] = []
        lines = {
            "substrate": self._substrate(batch, missing),
            "spawn": self._spawn(batch, missing),
            "containers": self._containers(batch),
            "labour": self._labour(batch, missing),
            "energy": self._energy(batch, missing),
            "shelf": self._shelf(batch),
        }
        return BatchCost(batch, {name: value for name, value in lines.items() if value is not None}, tuple(missing))

    def _substrate(self, batch: BatchRecord, missing: list[str]) -> float | None:
        mix = self.mixes.get(batch.batch.mix or "")
        if mix is not None and batch.wet_kg is not None:
            return self._from_mix(batch.wet_kg, mix, missing)
        recipe: dict[str, Any] = self.recipes.get(batch.batch.recipe or "", {})
        if recipe.get("parts") and batch.wet_kg is not None:
            return self._from_parts(batch.wet_kg, recipe["parts"], batch.batch.at, missing)
        price = self.book.price(batch.batch.recipe or "", "kg", batch.batch.at)
        if price is None or batch.wet_kg is None:
            missing.append("substrate")
            return None
        return price * batch.wet_kg

    def _from_mix(self, wet_kg: float, mix: MixMade, missing: list[str]) -> float:
        parts = self.into_mix.get(mix.code, [])
        total = (mix.total_mg or sum(part.weight_mg or 0 for part in parts) + (mix.water_mg or 0)) / KILOGRAM
        spent = 0.0
        for part in parts:
            kilo = self.book.kilo(part.parent, mix.at)
            if kilo is None or part.weight_mg is None:
                missing.append(part.parent)
            else:
                spent += kilo * part.weight_mg / KILOGRAM
        return spent * wet_kg / total if total else 0.0

    def _from_parts(self, wet_kg: float, parts: list[dict[str, Any]], at: int, missing: list[str]) -> float:
        spent = 0.0
        for part in parts:
            kilo = self.book.kilo(part["ingredient"], at)
            if kilo is None:
                missing.append(part["ingredient"])
            else:
                spent += kilo * part["share"] * wet_kg
        return spent

    def _spawn(self, batch: BatchRecord, missing: list[str]) -> float | None:
        links = self.into_batch.get(batch.code, [])
        spent, known = 0.0, False
        for link in links:
            kilo = self.book.kilo(link.parent, batch.batch.at)
            if kilo is None or link.weight_mg is None:
                missing.append(f"spawn {link.parent}")
            else:
                spent, known = spent + kilo * link.weight_mg / KILOGRAM, True
        if not links:
            missing.append("spawn")
        return spent if known else None

    def _containers(self, batch: BatchRecord) -> float | None:
        price = self.book.price(batch.batch.container or "", "each", batch.batch.at)
        return None if price is None else price * batch.batch.units

    def _labour(self, batch: BatchRecord, missing: list[str]) -> float | None:
        hours = self.hours.get(batch.code, 0.0) + self.general.get(batch.code, 0.0)
        wage = self.book.price("labour", "hour", batch.batch.at)
        wage = self.book.any_price("hour", batch.batch.at) if wage is None else wage
        if not hours or wage is None:
            missing.append("labour" if not hours else "a price for an hour of labour")
            return None
        return hours * wage

    def _hours(self) -> tuple[dict[str, float], dict[str, float]]:
        """Hours noted for a batch or its units; and the rest, shared by the units that stood on that day."""
        batch_of = {unit.code: batch.code for batch in self.gathered.whole for unit in batch.units}
        own: dict[str, float] = defaultdict(float)
        rest: dict[str, float] = defaultdict(float)
        for work in self.labour:
            if work.level in ("batch", "unit"):
                own[batch_of.get(work.subject or "", work.subject or "")] += work.minutes / 60
                continue
            standing = self._standing(work.at)
            total = sum(standing.values())
            for code, units in standing.items():
                rest[code] += work.minutes / 60 * units / total
        return own, rest

    def _standing(self, at: int) -> dict[str, int]:
        return {
            batch.code: batch.batch.units - batch.culled
            for batch in self.gathered.whole
            if batch.batch.at <= at <= batch.batch.at + batch.last_day * DAY and batch.batch.units > batch.culled
        }

    def _energy(self, batch: BatchRecord, missing: list[str]) -> float | None:
        load = self.loads.get(batch.batch.load or "")
        price = self.book.any_price("kWh", batch.batch.at)
        if load is None or load.energy_kwh is None or price is None:
            missing.append("energy")
            return None
        return load.energy_kwh * price * batch.batch.units / self.in_load[load.code]

    def _shelf(self, batch: BatchRecord) -> float | None:
        price = self.book.any_price("shelf-day", batch.batch.at)
        return None if price is None else price * batch.shelf_days


def by_line(costs: Iterable[BatchCost]) -> dict[str, float]:
    """Each line's total, the largest first."""
    totals: dict[str, float] = defaultdict(float)
    for cost in costs:
        for name, amount in cost.lines.items():
            totals[name] += amount
    return dict(sorted(totals.items(), key=lambda item: -item[1]))
