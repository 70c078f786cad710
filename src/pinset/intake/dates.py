"""Days as growers write them. A day that can be read in two ways is not guessed: the column decides, or the grower."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Final, Literal

from pinset.intake.problem import CannotRead
from pinset.intake.table import Cell, Unread
from pinset.intake.words import meant, plain, vocabulary

Order = Literal["d/m/y", "m/d/y", "y/m/d"]
ORDERS: Final[tuple[Order, ...]] = ("d/m/y", "m/d/y", "y/m/d")
_NEEDED: Final = "a date, as 2026-03-02"
_SAY_ORDER: Final = 'Say in the map which comes first: date_order = "d/m/y" or date_order = "m/d/y".'

# Days that a spreadsheet counts from the end of 1899 (ECMA-376 part 1, 18.17.4.1); notes lie between 2000 and 2099.
_FIRST_DAY: Final = datetime(1899, 12, 30)
_SERIALS: Final = range(36526, 73051)

_HOUR: Final = r"(\d{1,2})[:.h](\d{2})(?::\d{2}(?:\.\d+)?)?\s*([ap]\.?m\.?)?"
_CLOCK: Final = rf"(?:[T ,]+{_HOUR})?"
_ISO: Final = re.compile(rf"^(\d{{4}})[-/.](\d{{1,2}})[-/.](\d{{1,2}}){_CLOCK}$", re.IGNORECASE)
_BARE_ISO: Final = re.compile(r"^(20\d\d)(\d\d)(\d\d)$")
_NUMBERS: Final = re.compile(
    rf"^(\d{{1,2}})\s?[-/.]\s?(\d{{1,2}})(?:\s?[-/.]\s?(\d{{4}}|\d{{2}}))?\.?{_CLOCK}$", re.IGNORECASE
)
_WORDS: Final = re.compile(r"\d+|[^\W\d_]+")
_NO_NUMBER: Final = re.compile(r"/|[^\W\d_]")
_CLOCK_BEHIND: Final = re.compile(rf"[ ,]+{_HOUR}$", re.IGNORECASE)
_TIME: Final = re.compile(rf"^{_HOUR}$", re.IGNORECASE)


def order_shown(cells: Iterable[Cell]) -> Order | Literal["both"] | None:
    """The order that a column proves: one of its numbers above 12 tells day from month.

    None where nothing in the column tells, "both" where its rows contradict one another.

    >>> order_shown(["02/03/2026", "16/03/2026"]), order_shown(["02/03/2026", "2026-03-02"])
    ('d/m/y', None)
    """
    seen: set[Order] = set()
    for cell in cells:
        found = _NUMBERS.match(cell) if isinstance(cell, str) else None
        if found is None:
            continue
        first, second = int(found[1]), int(found[2])
        if first > 12 >= second:
            seen.add("d/m/y")
        elif second > 12 >= first:
            seen.add("m/d/y")
    return "both" if len(seen) == 2 else next(iter(seen), None)


def needs_order(cells: Iterable[Cell]) -> bool:
    """Whether a column has a date that only the order of day and month can settle.

    >>> needs_order(["2026-03-02", "02 Mar 2026"]), needs_order(["02/03/2026"])
    (False, True)
    """
    for cell in cells:
        found = _NUMBERS.match(cell) if isinstance(cell, str) else None
        if found is not None and int(found[1]) <= 12 and int(found[2]) <= 12 and found[1] != found[2]:
            return True
    return False


def is_day(cell: Cell) -> bool:
    """Whether a cell reads as a day in one order or another.

    >>> is_day("2 de marzo de 2026"), is_day("2 Mar"), is_day(181), is_day("1.5"), is_day("KB001-01")
    (True, True, False, False, False)
    """
    # without its year a day must not be mistaken for a number: "1.5" is none
    year = 2000 if isinstance(cell, str) and _NO_NUMBER.search(cell) else None
    for order in ORDERS[:2]:
        try:
            read_day(cell, order, year)
        except CannotRead:
            continue
        return True
    return False


def read_day(cell: Cell, order: Order | None = None, year: int | None = None) -> date | datetime:
    """The day, or the moment where a time of day is told, that a cell means.

    ``order`` settles dates such as 02/03/2026; without it only those that can be read in one way are. ``year`` is
    meant where none is written. Raises CannotRead; words that are no date never become one.

    >>> read_day("02 Mar 2026"), read_day("02/03/26", "m/d/y"), read_day(46083)
    (datetime.date(2026, 3, 2), datetime.date(2026, 2, 3), datetime.date(2026, 3, 2))
    """
    if isinstance(cell, datetime):
        return cell if cell.time() != time() else cell.date()
    if isinstance(cell, date):
        return cell
    if isinstance(cell, str):
        return _read_text(" ".join(cell.split()), order, year)
    if isinstance(cell, Unread):
        raise CannotRead(_NEEDED, cell.mend, cell.came)
    if isinstance(cell, int | float) and not isinstance(cell, bool) and int(cell) in _SERIALS:
        return read_day(_FIRST_DAY + timedelta(days=int(cell), minutes=round((cell - int(cell)) * 1440)))
    raise CannotRead(_NEEDED)


@lru_cache(maxsize=50_000)
def _read_text(text: str, order: Order | None, year: int | None) -> date | datetime:
    if found := _ISO.match(text):
        return _day(int(found[1]), int(found[2]), int(found[3]), found.groups()[3:])
    if found := _BARE_ISO.match(text):
        return _day(int(found[1]), int(found[2]), int(found[3]))
    if found := _NUMBERS.match(text):
        day, month = _in_order(int(found[1]), int(found[2]), order)
        return _day(_year(found[3], year), month, day, found.groups()[3:])
    return _in_words(text, year)


def _in_order(first: int, second: int, order: Order | None) -> tuple[int, int]:
    """Day and month. An order that the grower or the column set holds for every row: the other one is a slip."""
    if order == "m/d/y":
        return second, first
    if order in ("d/m/y", "y/m/d"):
        return first, second
    if first == second or first > 12:
        return first, second
    if second > 12:
        return second, first
    raise CannotRead("a date that can be read in one way only", _SAY_ORDER)


def _year(written: str | None, meant: int | None) -> int:
    if written is None:
        if meant is None:
            raise CannotRead("a date with its year", "Say the year in the map, as year = 2026.")
        return meant
    return int(written) + (2000 if len(written) == 2 else 0)


def _in_words(text: str, year: int | None) -> date | datetime:
    """Days with the month in words, in any order that the words allow: 2 March 2026, Mar 2nd 2026, 2. März 26."""
    found = _CLOCK_BEHIND.search(text)
    body, clock = (text[: found.start()], found.groups()) if found else (text, None)
    months, numbers = [], []
    for word in _WORDS.findall(body):
        if word.isdigit():
            numbers.append(word)
        elif (month := meant(word, "months")) is not None:
            months.append(int(month))
        elif plain(word) not in _beside_a_date():
            raise CannotRead(_NEEDED)
    days = [number for number in numbers if len(number) <= 2]
    long = [number for number in numbers if len(number) == 4]
    if len(months) != 1 or not days or not 1 <= len(numbers) <= 2 or len(days) + len(long) != len(numbers):
        raise CannotRead(_NEEDED)
    return _day(_year((long or days[1:] or [None])[0], year), months[0], int(days[0]), clock)


@lru_cache(maxsize=1)
def _beside_a_date() -> frozenset[str]:
    """Weekdays, "of", and the endings of counted days."""
    days = vocabulary()["days"]
    return frozenset(plain(word) for word in (*days["weekday"], *days["between"], "st", "nd", "rd", "th", "er", "º"))


def _day(
    year: int, month: int, day: int, clock: tuple[str | None, ...] | None = None
) -> date | datetime:  # fmt: skip
    try:
        if clock is None or clock[0] is None:
            return date(year, month, day)
        return datetime(year, month, day, *_hour(clock))
    except ValueError as fault:
        raise CannotRead("a day that the calendar has") from fault


def _hour(clock: tuple[str | None, ...]) -> tuple[int, int]:
    hour, minute, half = int(clock[0] or 0), int(clock[1] or 0), (clock[2] or "").casefold()[:1]
    return (hour % 12 + 12 * (half == "p") if half else hour), minute


def read_clock(cell: Cell) -> time:
    """A time of day.

    >>> read_clock("2:30 pm"), read_clock("14h05")
    (datetime.time(14, 30), datetime.time(14, 5))
    """
    if isinstance(cell, datetime):
        return cell.time()
    if isinstance(cell, time):
        return cell
    found = _TIME.match(cell) if isinstance(cell, str) else None
    try:
        if found is not None:
            return time(*_hour(found.groups()))
    except ValueError as fault:
        raise CannotRead("a time of day, as 14:30") from fault
    raise CannotRead("a time of day, as 14:30")
