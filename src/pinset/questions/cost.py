"""What does a kilo cost me, and where does the money go?"""

from __future__ import annotations

from collections import Counter
from datetime import date

import numpy as np

from pinset.ledger.read import Reader
from pinset.questions._batches import Gathered, gather
from pinset.questions._money import LINES, CostOfBatch, Money, PriceBook, batch_costs, by_line
from pinset.questions._words import listed, number, several, span
from pinset.questions.answer import Answer, Basis, Cell, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import question
from pinset.science.costs import Rate, money_per, money_per_shelf_day
from pinset.science.ratios import Ratio, ratio_of_totals

ASKS = "what does a kilo cost me, and where does the money go?"
METHOD = (
    "each batch is charged its materials by lot, spawn by lot, containers, labour, its share by units of a load's "
    "energy, and its shelf-days; picking noted for no batch is shared by weight picked that day, other work by units "
    "standing; the cost of a kilo is all cost over all kilos picked, with a 95 % interval by linearisation over batches"
)
# Without these the cost of a kilo is not the cost of a kilo: labour is most of it on small farms (common practice).
NEEDED = ("substrate", "spawn", "labour")


@question("cost", ASKS)
def cost(ledger: Reader, *, since: date | None = None, until: date | None = None, recipe: str | None = None) -> Answer:
    """The cost of a kilo picked, by batch, by recipe and by what it was spent on.

    since: only batches made on or after this day
    until: only batches made on or before this day
    recipe: only batches of this recipe
    """
    gathered = gather(ledger, since, until)
    book = PriceBook(ledger)
    costs = [one for one in batch_costs(ledger, gathered, book) if recipe in (None, one.batch.batch.recipe)]
    known = [one for one in costs if one.total > 0 and one.batch.all_kg > 0]
    if not known:
        return _nothing_to_count(costs)
    return _answer(gathered, costs, known, book)


def _nothing_to_count(costs: list[CostOfBatch]) -> Answer:
    missing = Counter(name for one in costs for name in one.missing)
    lacks = listed([name for name, _ in missing.most_common()]) or "batches"
    return Answer(
        "cost", ASKS, f"Nothing can be costed yet: no price or amount is on record for {lacks}.",
        Standing("open", "no cost of any batch is on record"), (),
        Basis({"batches": len(costs)}, "none", None, None, METHOD), next=tuple(_next(costs, Counter(missing))),
    )  # fmt: skip


def _answer(gathered: Gathered, costs: list[CostOfBatch], known: list[CostOfBatch], book: PriceBook) -> Answer:
    settled = [one for one in known if not gathered.still_going(one.batch)]
    used = settled if len(settled) >= 3 else known
    missing = Counter(name for one in used for name in set(one.missing))
    kilo = _per_kilo(used)
    money = book.money
    days = [gathered.day(one.batch.batch.at) for one in used]
    counts = {"batches": len(used), "units": sum(one.batch.batch.units for one in used)}
    return Answer(
        question="cost", asks=ASKS, headline=_headline(used, kilo, book),
        standing=_standing(used, missing, len(known) - len(used)),
        figures=tuple(_figures(used, kilo, book)),
        basis=Basis(counts, "by batch", min(days), max(days), METHOD, (
            "Cochran 1977, Sampling Techniques, section 6.4 (from memory)",
        )),
        tables=(_lines_table(used, money), *_recipes(used, money), _batches(gathered, used, money)),
        charts=(_chart(used, money),), cautions=tuple(_cautions(missing, used)),
        next=tuple(_next(used, missing)),
    )  # fmt: skip


def _per_kilo(costs: list[CostOfBatch]) -> Ratio:
    return ratio_of_totals(np.array([float(one.total) for one in costs]), np.array([one.batch.all_kg for one in costs]))


def _absent(used: list[CostOfBatch]) -> list[str]:
    return [line for line in NEEDED if not any(line in one.lines for one in used)]


def _headline(used: list[CostOfBatch], kilo: Ratio, book: PriceBook) -> str:
    sold, money = book.kilo_sold(), book.money
    totals = by_line(used)
    whole = sum(totals.values())
    absent = _absent(used)
    shares = [f"{name} {number(100 * amount / whole, 0)} %" for name, amount in totals.items()][:3]
    words = f"A kilo cost {span(kilo.value, kilo.low, kilo.high, money.currency, money.shown(1))}"
    if absent:
        return f"{words} in {listed(list(totals))} alone; {listed(absent)} cost more, but no price of it is on record."
    words += f": {listed(shares)}"
    if sold is None:
        return f"{words}."
    left = sum(book.worth(one.batch) or 0.0 for one in used) / sum(one.batch.all_kg for one in used) - kilo.value
    verb = "left" if left >= 0 else "lost"
    price, rest = number(money.shown(sold), 2), number(money.shown(abs(left)), 2)
    return f"{words}. Sold at {price} on average, each kilo {verb} {rest} {money.currency}."


def _standing(used: list[CostOfBatch], missing: Counter[str], going: int) -> Standing:
    absent = _absent(used)
    partly = [name for name, count in missing.items() if count < len(used)]
    if absent:
        return Standing("open", f"no cost of {listed(absent)} is on record, so this is only a part of the cost")
    if len(used) < 3:
        return Standing("open", f"{several(len(used), 'batch', 'batches')} say little about the next one")
    if partly:
        return Standing("leaning", f"for some batches there is no record of {listed(sorted(partly))}")
    behind = f"; {several(going, 'batch', 'batches')} still going are left out" if going else ""
    return Standing(
        "settled", f"materials, spawn and labour of {several(len(used), 'batch', 'batches')} are on record{behind}"
    )


def _figures(used: list[CostOfBatch], kilo: Ratio, book: PriceBook) -> list[Figure]:
    sold, money = book.kilo_sold(), book.money
    units = np.array([float(one.batch.batch.units) for one in used])
    per_unit = ratio_of_totals(np.array([float(one.total) for one in used]), units)
    figures = [
        _figure("cost of a kilo", kilo, money, "all cost over all kilos picked"),
        _figure("cost of a unit made", per_unit, money, "all cost over units made"),
    ]
    if sold is not None:
        how = "all deliveries with an amount, over their weight"
        figures.append(Figure("sold at", money.shown(sold), f"{money.currency}/kg", how=how))
    if sold is not None and not _absent(used):
        figures += _left(used, book)
    return figures


def _left(used: list[CostOfBatch], book: PriceBook) -> list[Figure]:
    """What is left of a kilo and of a shelf-day, at the average price of each mushroom."""
    money = book.money
    worth = np.array([book.worth(one.batch) or 0.0 for one in used])
    kilos = np.array([one.batch.all_kg for one in used])
    costs = np.array([float(one.total) for one in used])
    shelf = np.array([one.batch.shelf_days for one in used])
    found = [_figure("left of a kilo", money_per(worth - costs, kilos), money, "average price less cost of a kilo")]
    if shelf.sum() > 0:
        how = "money left over the days that units stood"
        found.append(_figure("left per 100 shelf-days", money_per_shelf_day(worth, costs, shelf), money, how, 100))
    return found


def _figure(name: str, found: Ratio | Rate, money: Money, how: str, scale: float = 1.0) -> Figure:
    scale *= money.shown(1)
    low, high = (None, None) if np.isnan(found.low) else (found.low * scale, found.high * scale)
    behind = f"; {found.method}" if isinstance(found, Rate) else ""
    return Figure(name, found.value * scale, money.currency, low, high, found.count, how + behind)


def _lines_table(used: list[CostOfBatch], money: Money) -> Table:
    totals = by_line(used)
    whole, kilos = sum(totals.values()), sum(one.batch.all_kg for one in used)
    units = sum(one.batch.batch.units for one in used)
    rows = tuple(
        (name, money.shown(each), 100 * each / whole, money.shown(each / kilos), money.shown(each / units))
        for name, each in totals.items()
    )
    columns = (
        Column("spent on"), Column("in all", money.currency, 2), Column("share", "%", 0),
        Column("a kilo", money.currency, 2), Column("a unit", money.currency, 2),
    )  # fmt: skip
    return Table("lines", "Where the money goes", columns, rows)


def _recipes(used: list[CostOfBatch], money: Money) -> list[Table]:
    names = sorted({one.batch.batch.recipe or "not noted" for one in used})
    if len(names) < 2:
        return []
    groups = {name: [one for one in used if (one.batch.batch.recipe or "not noted") == name] for name in names}
    rows = tuple(_recipe_row(name, some, money) for name, some in groups.items())
    columns = (
        Column("recipe"), Column("batches"), Column("a kilo", money.currency, 2), Column("from", money.currency, 2),
        Column("to", money.currency, 2), Column("a unit", money.currency, 2), Column("per unit made", "kg", 3),
    )  # fmt: skip
    return [Table("recipes", "What a kilo of each recipe cost", columns, rows)]


def _recipe_row(name: str, costs: list[CostOfBatch], money: Money) -> tuple[Cell, ...]:
    kilo = _per_kilo(costs)
    units = sum(one.batch.batch.units for one in costs)
    low, high = (None, None) if np.isnan(kilo.low) else (money.shown(kilo.low), money.shown(kilo.high))
    total, kilos = sum(one.total for one in costs), sum(one.batch.all_kg for one in costs)
    return (name, len(costs), money.shown(kilo.value), low, high, money.shown(total / units), kilos / units)


def _batches(gathered: Gathered, used: list[CostOfBatch], money: Money) -> Table:
    present = [line for line in LINES if any(line in one.lines for one in used)]
    columns = (
        Column("batch", link="batch"), Column("made"), *(Column(line, money.currency, 2) for line in present),
        Column("in all", money.currency, 2), Column("picked", "kg", 2), Column("a kilo", money.currency, 2),
    )  # fmt: skip
    dearest_first = sorted(used, key=lambda one: -one.total / one.batch.all_kg)
    rows = tuple(_batch_row(gathered, one, present, money) for one in dearest_first)
    return Table("batches", "What each batch cost, dearest kilo first", columns, rows)


def _batch_row(gathered: Gathered, one: CostOfBatch, present: list[str], money: Money) -> tuple[Cell, ...]:
    lines = [money.shown(one.lines[line]) if line in one.lines else None for line in present]
    made = gathered.day(one.batch.batch.at).isoformat()
    kilo = money.shown(one.total / one.batch.all_kg)
    return (one.batch.code, made, *lines, money.shown(one.total), one.batch.all_kg, kilo)


def _chart(used: list[CostOfBatch], money: Money) -> Chart:
    kilos = sum(one.batch.all_kg for one in used)
    bars = {name: money.shown(each / kilos) for name, each in by_line(used).items()}
    spec = {
        "data": {"values": [{"spent on": name, "a kilo": round(each, 4)} for name, each in bars.items()]},
        "mark": {"type": "bar"},
        "encoding": {
            "y": {"field": "spent on", "type": "nominal", "sort": None, "title": None},
            "x": {"field": "a kilo", "type": "quantitative", "title": f"{money.currency} a kilo"},
        },
    }
    told = ", ".join(f"{name} {each:.2f} {money.currency}" for name, each in bars.items())
    return Chart("lines", "Where the money of a kilo goes", f"Bars of what a kilo costs: {told}", spec)


def _cautions(missing: Counter[str], used: list[CostOfBatch]) -> list[str]:
    said = []
    if missing:
        some = [f"{name} ({count} of {len(used)})" for name, count in missing.most_common()]
        said.append(f"Not counted, for want of a record: {listed(some, 6)} batches.")
    said.append("Rent, depreciation, insurance and tax are counted only so far as a price of the shelf-day holds them.")
    return said


def _next(costs: list[CostOfBatch], missing: Counter[str]) -> list[str]:
    hints = {
        "labour": "Note the time that making and picking take: pinset note work task=picking minutes=45 batch=CODE",
        "substrate": "Note what a kilo of the recipe costs: note define what=price name=RECIPE amount=0.21 per=kg",
        "spawn": "Note which spawn went into a batch and what its lot cost: receive cost=..., make spawn=LOT:0.7kg",
        "energy": "Note the energy of a load (treat energy_kwh=...) and a price per kWh.",
        "a price for an hour of labour": "Note what an hour is worth: pinset note define what=price name=labour "
        "amount=15 per=hour",
    }
    said = [hints[name] for name in hints if missing.get(name)]
    if costs and not any("shelf" in one.lines for one in costs):
        said.append(
            "Note what a place on the shelf costs a day: define what=price name=shelf amount=0.02 per=shelf-day"
        )
    return said
