"""What the invented farm's ways truly cost and earn, worked out from its story and its year."""

from __future__ import annotations

from statistics import fmean

from pinset.demo import story
from pinset.demo.notebook import thrown_on
from pinset.demo.season import Bag, Year
from pinset.demo.story import MakeDay, Way
from pinset.demo.trade import worked


def pays(way: Way) -> float:
    """What a bag earns above one of the house way: more kilos sold, less their picking, less its own cost."""
    kilo = story.PRICE[story.KING] - story.PICKING_MINUTES / 60 * story.WAGE
    tried = [(block, day) for block, day in enumerate(story.MAKE_DAYS, 1) if way in day.ways]
    more = fmean(expected_kg(way, day, block) - expected_kg(story.HOUSE, day, block) for block, day in tried)
    return more * kilo - (making_cost(way) - making_cost(story.HOUSE))


def expected_kg(way: Way, day: MakeDay, block: int) -> float:
    """Kilos that a bag made in this way on this day is expected to give, bad bags counted as nothing."""
    lot = next(lot for lot in story.SPAWN if lot.lot == day.spawn)
    bad = story.CONTAMINATED[story.KING] * way.contamination * lot.contamination * day.season.contamination
    if block == story.BAD_LOAD:
        bad = story.BAD_LOAD_CONTAMINATED
    first, second = story.FLUSHES[story.KING]
    dry = story.WET_KG[story.KING] * (1 - story.MOISTURE) * (first + second * story.LATER_FLUSH)
    return dry * story.EFFICIENCY[story.KING] * way.yields * lot.yields * day.season.yields * (1 - bad)


def making_cost(way: Way) -> float:
    """Ingredients and labour of making one bag of king oyster."""
    labour = way.minutes / 60 * story.WAGE / story.BAGS[story.KING]
    return story.WET_KG[story.KING] * _per_kg(way.mix) + labour


def _per_kg(mix: str) -> float:
    return sum(share * _price(item) for item, share in story.MIXES[mix].items())


def _price(item: str) -> float:
    """What a kilo cost on average over all receipts; water is free."""
    lots = [one for one in story.PURCHASES if one.item == item]
    amount = sum(one.kg or 0 for one in lots)
    return sum(one.paid for one in lots) / amount if amount else 0.0


def spent(year: Year, kwh: float) -> dict[str, float]:
    """What the year cost by kind: labour, ingredients and bags used, spawn, power, places."""
    minutes = sum(batch.minutes for batch in year.batches) + sum(each[3] for each in worked(year))
    mixed = sum(batch.bags * story.WET_KG[batch.species] * _per_kg(batch.mix) for batch in year.batches)
    return {
        "labour": minutes / 60 * story.WAGE,
        "ingredients": mixed + len(year.bags) * story.BAG,
        "spawn": sum(lot.cost for lot in story.SPAWN),
        "power": kwh * story.POWER,
        "places": sum(_days_on_shelf(year, bag) for bag in year.bags) * story.PLACE,
    }


def _days_on_shelf(year: Year, bag: Bag) -> int:
    return (thrown_on(year, bag) - bag.batch.day).days
