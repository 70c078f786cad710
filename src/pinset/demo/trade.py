"""What was sold, and the hours that went in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from pinset.demo import story
from pinset.demo.hand import Hand
from pinset.demo.season import Year
from pinset.demo.sheets import ROWS_ABOVE, Row, Sheet
from pinset.demo.story import Species

WEDNESDAY, SATURDAY, SUNDAY, MONDAY = 2, 5, 6, 0
# Who buys on which weekday, and what share of the stock. What the inn leaves on Wednesday is eaten at home.
BUYERS: Final = {SATURDAY: ("Saturday market", 0.75), WEDNESDAY: ("Mill inn", 0.9)}
LEAST_SALE: Final = 300  # grams
WEEKEND_PICKER, PICKER = "Inés", "Bram"
CLEANING_MINUTES, MARKET_MINUTES = 33, 45


def sold(year: Year, hand: Hand) -> Sheet:
    """Sales of each kind of mushroom, never more than was picked."""
    rows = [
        Row([hand.day(day), buyer, species, grams / 1000, hand.money(story.PRICE[species])], day, buyer, grams * 1000)
        for day, buyer, species, grams in _sales(year)
    ]
    sheet = Sheet("Sold", "market and kitchen", ("Day", "To", "Mushroom", "kg", "Price per kg"), rows)
    sheet.total = ["TOTAL", None, None, f"=SUM(D{ROWS_ABOVE + 1}:D{ROWS_ABOVE + len(rows)})", None]
    return sheet


def _sales(year: Year) -> Iterator[tuple[date, str, Species, int]]:
    fresh = _picked_by_day(year)
    stock: dict[Species, int] = {story.KING: 0, story.LION: 0}
    for day in _days(fresh):
        buyer, share = BUYERS.get(day.weekday(), ("", 0.0))
        for species in stock:
            grams = int(stock[species] * share) // 100 * 100
            if grams >= LEAST_SALE:
                yield day, buyer, species, grams
                stock[species] -= grams
            if day.weekday() == WEDNESDAY:
                stock[species] = 0
            stock[species] += fresh.get((day, species), 0)


def _picked_by_day(year: Year) -> dict[tuple[date, Species], int]:
    batches = {bag.code: bag.batch for bag in year.bags}
    fresh: dict[tuple[date, Species], int] = defaultdict(int)
    for pick in year.picks():
        fresh[pick.day, batches[pick.bag].species] += pick.grams
    return fresh


def _days(fresh: dict[tuple[date, Species], int]) -> list[date]:
    """Every day from the first picking to a week after the last."""
    days = sorted(day for day, _ in fresh)
    return [days[0] + timedelta(days=n) for n in range((days[-1] - days[0]).days + 8)]


def hours(year: Year, hand: Hand) -> Sheet:
    """Time that no batch can claim: picking, cleaning, the market. Making is noted with each batch."""
    rows = [
        Row([hand.day(day), who, what, hand.minutes(minutes)], day, what) for day, who, what, minutes in worked(year)
    ]
    return Sheet("Hours", "picking, cleaning, market", ("Day", "Who", "What", "Time"), rows)


def worked(year: Year) -> Iterator[tuple[date, str, str, int]]:
    """Who worked at what on which day, and for how many minutes."""
    fresh = _picked_by_day(year)
    for day in _days(fresh):
        grams = sum(fresh.get((day, species), 0) for species in story.PRICE)
        if grams:
            who = WEEKEND_PICKER if day.weekday() in (SATURDAY, SUNDAY) else PICKER
            yield day, who, "picking", 3 * round((4 + story.PICKING_MINUTES * grams / 1000) / 3)
        if day.weekday() == MONDAY:
            yield day, PICKER, "cleaning", CLEANING_MINUTES
        if day.weekday() == SATURDAY:
            yield day, WEEKEND_PICKER, "market", MARKET_MINUTES
