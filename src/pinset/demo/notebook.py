"""The sheets of the farm's workbook and its two csv files, as four people wrote them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np

from pinset.demo import story
from pinset.demo.hand import Hand, milligrams_of_pounds, pounds
from pinset.demo.season import Bag, Batch, Pick, Year, carried_on, run_seen, walks
from pinset.demo.sheets import Row, Sheet

WEEKEND = (5, 6)
SPENT_AFTER = timedelta(days=6)
REMARKS = ("small caps", "long stems", "picked late", "two clusters")
PHONE_REMARKS = ("pequeñas", "pies largos", "recogido tarde", "dañadas por el riego")


def load_code(block: int) -> str:
    """The code of a make day's load of the steamer."""
    return f"ST{block:02d}"


def made(year: Year, hand: Hand) -> Sheet:
    """What was made since the scale came."""
    headers = ("Batch", "Day made", "Mushroom", "Mix", "Bags", "Wet kg per bag", "Water %", "Spawn lot", "Spawn kg",
               "Steamer load", "Put in", "Trying", "Minutes")  # fmt: skip
    rows = [
        Row([batch.code, hand.day(batch.day), batch.species, batch.mix, batch.bags,
             hand.kilos(round(1000 * story.WET_KG[batch.species])), hand.percent(batch.moisture), batch.spawn.lot,
             story.SPAWN_KG[batch.species], load_code(batch.block), story.SPAWN_ROOM,
             batch.way.name if batch.way else None, batch.minutes], batch.day, batch.code)
        for batch in year.batches if not batch.coarse
    ]  # fmt: skip
    return Sheet("Made", "bags made, one line a batch", headers, rows)


def before_the_scale(year: Year, hand: Hand) -> Sheet:
    """The first weeks: a batch was a count of bags and one weight at the end, in lb."""
    headers = ("batch", "made on", "mushroom", "mix", "bags", "wet lb each", "water %", "spawn lot", "spawn lb",
               "steamer load", "room", "trying", "minutes", "gone bad", "picked lb", "last picked")  # fmt: skip
    rows = [_coarse_row(year, batch, hand) for batch in year.batches if batch.coarse]
    kept = Sheet("", "before the scale came, whole batches on the hanging scale", headers, rows)
    total = round(sum(float(str(row.cells[14]).removesuffix(" lb")) for row in rows), 1)
    kept.total = ["TOTAL", *[None] * 13, total, None]
    return kept


def _coarse_row(year: Year, batch: Batch, hand: Hand) -> Row:
    bags = year.bags_of(batch)
    picks = [pick for bag in bags for pick in bag.picks]
    last = max(pick.day for pick in picks)
    lb = pounds(sum(pick.grams for pick in picks) / 1000)
    bad = sum(bag.bad_on is not None for bag in bags)
    wet, spawn = (pounds(kilos, 2) for kilos in (story.WET_KG[batch.species], story.SPAWN_KG[batch.species]))
    return Row(
        [batch.code, _written(batch.day), batch.species, batch.mix, batch.bags, wet, hand.percent(batch.moisture),
         batch.spawn.lot, spawn, load_code(batch.block), story.SPAWN_ROOM, batch.way.name if batch.way else None,
         f"{batch.minutes} min", bad, hand.one_of((lb, f"{lb} lb")), _written(last)],
        batch.day, batch.code, milligrams_of_pounds(lb),
    )  # fmt: skip


def _written(day: date) -> str:
    return f"{day.day}/{day.month}/{day.year}"


def picked(year: Year, hand: Hand) -> Sheet:
    """Bag by bag off the bench scale, on working days."""
    rows = [
        Row([hand.day(pick.day), pick.bag, pick.flush, hand.kilos(pick.grams), hand.one_of((None, *REMARKS), 0.93)],
            pick.day, pick.bag, pick.grams * 1000)
        for pick in _by_bag(year) if pick.day.weekday() not in WEEKEND
    ]  # fmt: skip
    sheet = Sheet("Picked", "king oyster off the bench scale", ("Day", "Bag", "Flush", "kg", "Remarks"), rows)
    sheet.total = ["TOTAL", None, None, round(sum(row.mg for row in rows) / 1e6, 3), None]
    return sheet


def phone(year: Year, hand: Hand) -> Sheet:
    """The weekends: a picker who keeps her notes on the phone, in Spanish and in grams."""
    rows = [
        Row([_written(pick.day), pick.bag, pick.flush, hand.grams(pick.grams),
             hand.one_of((None, *PHONE_REMARKS), 0.9)], pick.day, pick.bag, pick.grams * 1000)
        for pick in _by_bag(year) if pick.day.weekday() in WEEKEND
    ]  # fmt: skip
    sheet = Sheet("", "móvil de Inés, fines de semana", ("Fecha", "Bolsa", "Oleada", "Peso g", "Observaciones"), rows)
    sheet.total = ["Total", None, None, sum(row.mg for row in rows) // 1000, None]
    return sheet


def _by_bag(year: Year) -> list[Pick]:
    """The picks that somebody weighed bag by bag."""
    batches = _batch_of(year)
    return [pick for pick in year.picks() if _is_by_bag(batches[pick.bag])]


def _batch_of(year: Year) -> dict[str, Batch]:
    return {bag.code: bag.batch for bag in year.bags}


def _is_by_bag(batch: Batch) -> bool:
    return batch.species == story.KING and not batch.coarse


def _of_lions(year: Year, in_helpers_week: bool) -> Iterator[tuple[Pick, str]]:
    """The picks of lion's mane with their batch, of the helper's week or of all the others."""
    batches, (first, last) = _batch_of(year), story.ROOM_WEEK
    for pick in year.picks():
        batch = batches[pick.bag]
        if batch.species == story.LION and (first <= pick.day <= last) == in_helpers_week:
            yield pick, batch.code


def lion_picked(year: Year, hand: Hand) -> Sheet:
    """Lion's mane is weighed by the batch: its heads from several bags share a crate."""
    crates: dict[tuple[date, str, int], int] = defaultdict(int)
    for pick, batch in _of_lions(year, in_helpers_week=False):
        crates[pick.day, batch, pick.flush] += pick.grams
    rows = [
        Row([hand.day(day), batch, flush, hand.kilos(grams)], day, batch, grams * 1000)
        for (day, batch, flush), grams in sorted(crates.items())
    ]
    return Sheet("Lion's mane", "lion's mane, weighed by the batch", ("Day", "Batch", "Flush", "kg"), rows)


def room_week(year: Year, hand: Hand) -> Sheet:
    """The week when a neighbour helped out and weighed the room's full crates."""
    crates: dict[date, int] = defaultdict(int)
    for pick, _ in _of_lions(year, in_helpers_week=True):
        crates[pick.day] += pick.grams
    rows = [
        Row([hand.day(day), story.LION_ROOM, hand.kilos(round(grams, -1))], day, story.LION_ROOM,
            round(grams, -1) * 1000)
        for day, grams in sorted(crates.items())
    ]  # fmt: skip
    return Sheet("Helper's week", "crates by room and day while we were away", ("Day", "Room", "kg"), rows)


def walked(year: Year, hand: Hand) -> Sheet:
    """Twice a week somebody looks at every bag of king oyster until it is full or goes out."""
    rows = [
        Row([hand.day(day), bag.code, None if sign else hand.percent(run_seen(bag, day)), sign], day, bag.code)
        for bag in year.bags if _is_by_bag(bag.batch) for day, sign in _looks(bag)
    ]  # fmt: skip
    rows.sort(key=lambda row: (row.day, row.about))
    return Sheet("Walks", "how far the bags have run", ("Day", "Bag", "Run %", "Seen"), rows)


def _looks(bag: Bag) -> Iterator[tuple[date, str | None]]:
    for day in walks(bag.batch):
        if bag.bad_on is not None and day >= bag.bad_on:
            yield day, bag.sign
            return
        yield day, None
        if bag.bad_on is None and run_seen(bag, day) == 1:
            return


def lion_walked(year: Year, hand: Hand) -> Sheet:
    """Lion's mane is looked at by the batch: how far the slowest bag has run, how many are bad."""
    rows = [row for batch in year.batches if batch.species == story.LION for row in _lion_looks(year, batch, hand)]
    headers = ("Day", "Batch", "Run %", "Looked at", "Bad", "Seen")
    return Sheet("Lion walks", "the lion's mane batches at a glance", headers, rows)


def _lion_looks(year: Year, batch: Batch, hand: Hand) -> Iterator[Row]:
    bags, before = year.bags_of(batch), batch.day
    for day in walks(batch):
        left = [bag for bag in bags if bag.bad_on is None or bag.bad_on > before]
        bad = [bag for bag in left if bag.bad_on is not None and bag.bad_on <= day]
        run = min(run_seen(bag, day) for bag in bags if bag.bad_on is None)
        seen = [len(bad), bad[0].sign] if bad else [None, None]
        yield Row([hand.day(day), batch.code, hand.percent(run), len(left), *seen], day, batch.code)
        if run == 1:
            return
        before = day


def moved(year: Year, hand: Hand) -> Sheet:
    """Batches carried to a fruiting room."""
    rows = [
        Row([hand.day(day := carried_on(year, batch)), batch.code, batch.room], day, batch.code)
        for batch in year.batches
    ]
    return Sheet("Carried", "out of the spawn room", ("Day", "Batch", "To"), rows)


def thrown_out(year: Year, hand: Hand) -> Sheet:
    """Bags that went bad, and batches when they were spent."""
    rows = [row for batch in year.batches for row in _thrown(year, batch, hand)]
    rows.sort(key=lambda row: (row.day, row.about))
    return Sheet("Thrown out", "what left the house", ("Day", "Bag", "Whole batch", "Why"), rows)


def _thrown(year: Year, batch: Batch, hand: Hand) -> Iterator[Row]:
    bags = year.bags_of(batch)
    for bag in bags if not batch.coarse else ():
        if bag.bad_on is not None:
            day = thrown_on(year, bag)
            yield Row([hand.day(day), bag.code, None, "contaminated"], day, bag.code)
    if any(bag.bad_on is None for bag in bags):
        day, why = spent_on(year, batch), "stalled" if batch.failed else "spent"
        yield Row([hand.day(day), None, batch.code, why], day, batch.code)


def spent_on(year: Year, batch: Batch) -> date:
    """The day on which what was left of a batch went out: some days after its last pick."""
    last = max((pick.day for bag in year.bags_of(batch) for pick in bag.picks), default=batch.day)
    return last + SPENT_AFTER


def thrown_on(year: Year, bag: Bag) -> date:
    """The day on which a bag went out: bad ones on the walk that found them."""
    return spent_on(year, bag.batch) if bag.bad_on is None else list(_looks(bag))[-1][0]


def spawn(year: Year, hand: Hand) -> Sheet:
    """The spawn book."""
    rows = [
        Row([lot.lot, hand.day(lot.day), lot.species, lot.what, ", ".join(lot.parents) or "bought", lot.passage, lot.kg,
             hand.money(lot.cost)], lot.day, lot.lot)
        for lot in year.spawn
    ]  # fmt: skip
    headers = ("Lot", "Day", "Mushroom", "What", "From", "Passage", "kg", "Cost")
    return Sheet("Spawn", "the spawn book; cost is for the whole lot", headers, rows)


def bought(hand: Hand) -> Sheet:
    """Receipts."""
    rows = [
        Row([one.lot, hand.day(one.day), one.item, one.kg, one.number, hand.money(one.paid), story.SUPPLIERS[one.item],
             None if one.water is None else hand.percent(one.water)], one.day, one.lot)
        for one in story.PURCHASES
    ]  # fmt: skip
    headers = ("Lot", "Day", "Item", "kg", "Pieces", "Paid", "Supplier", "Water %")
    return Sheet("Bought", "receipts", headers, rows)


def steamed(year: Year, hand: Hand, chance: np.random.Generator) -> Sheet:
    """The steamer's book."""
    rows = []
    for block, day in enumerate(story.MAKE_DAYS, 1):
        bags = sum(batch.bags for batch in year.batches if batch.block == block)
        used = round(38 + 0.3 * bags + chance.normal(0, 1.5), 1)
        cells = [load_code(block), hand.day(day.day), "pasteurise", hand.one_of((97, "97 °C", "207 F")), "9 h", used]
        rows.append(Row(cells, day.day, load_code(block)))
    return Sheet("Steamer", "loads of the steamer", ("Load", "Day", "How", "°C", "Held", "kWh"), rows)


def mixes() -> Sheet:
    """What goes in each mix, by weight as used."""
    first = story.MAKE_DAYS[0].day
    rows = [
        Row([name, "; ".join(f"{item}: {100 * share:g} %" for item, share in parts.items())], first, name)
        for name, parts in story.MIXES.items()
    ]
    return Sheet("Mixes", "parts by weight as used", ("Mix", "Goes in"), rows)


def prices() -> Sheet:
    """What an hour, a kWh and a place cost, and what a kilo sells for."""
    known: dict[str, tuple[float, str]] = {
        "labour": (story.WAGE, "hour"), "power": (story.POWER, "kWh"), "place on a shelf": (story.PLACE, "shelf-day"),
        "bag": (story.BAG, "each"),
        **{species: (price, "kg") for species, price in story.PRICE.items()},
    }  # fmt: skip
    first = story.MAKE_DAYS[0].day
    rows = [Row([name, amount, per], first, name) for name, (amount, per) in known.items()]
    return Sheet("Prices", "what things cost and sell for", ("What", "Amount", "Per"), rows)


def rooms() -> Sheet:
    """The rooms."""
    first = story.MAKE_DAYS[0].day
    rows = [Row([name, use, places], first, name) for name, (use, places) in story.ROOMS.items()]
    return Sheet("Rooms", "where bags stand", ("Room", "For", "Places"), rows)
