"""Numbers with their units, intervals, days and standings as text, the same in every face.

Thin spaces set thousands apart and a space that does not break stands before a unit. A face that knows the farm's
decimal mark passes it on.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from pinset.questions._words import digits_for, number
from pinset.questions.answer import Basis, Cell, Column, Figure, Standing, StandingWord

HARD_SPACE: Final = "\u00a0"
NOTHING: Final = "–"
GRAM, KILOGRAM = 1_000, 1_000_000

# How far the notes carry an answer, said in full.
STANDINGS: Final[Mapping[StandingWord, str]] = {
    "settled": "Settled: the notes carry this",
    "leaning": "Leaning: the notes point this way",
    "open": "Open: the notes cannot tell yet",
}


def marked(text: str, mark: str) -> str:
    """A number's text with the farm's decimal mark and a true minus sign.

    >>> marked("-1\u202f234.5", ",")
    '−1\u202f234,5'
    """
    return text.replace("-", "−").replace(".", mark)


def with_unit(text: str, unit: str) -> str:
    """A number's text with its unit behind it.

    >>> with_unit("2.5", "kg"), with_unit("7", "")
    ('2.5\\xa0kg', '7')
    """
    return f"{text}{HARD_SPACE}{unit}" if unit else text


def digits(figure: Figure) -> int:
    """Digits after the point that a figure deserves: no finer than its doubt; three or four in all where none is known.

    >>> digits(Figure("yield", 24.9, "%", 22.3, 27.5)), digits(Figure("picked", 132.892, "kg"))
    (1, 1)
    """
    if figure.value is None or figure.value == int(figure.value):
        return 0 if figure.low is None else _digits_of_doubt(figure)
    return digits_for(abs(figure.value) / 300) if figure.low is None else _digits_of_doubt(figure)


def _digits_of_doubt(figure: Figure) -> int:
    return digits_for(((figure.high or 0) - (figure.low or 0)) / 10)


def value(figure: Figure, mark: str = ".") -> str:
    """A figure's number with its unit.

    >>> value(Figure("yield", 24.9, "%", 22.3, 27.5), ",")
    '24,9\\xa0%'
    """
    if figure.value is None:
        return "not known"
    return with_unit(marked(number(figure.value, digits(figure)), mark), figure.unit)


def interval(figure: Figure, mark: str = ".") -> str:
    """A figure's interval; empty where it has none.

    >>> interval(Figure("yield", 24.9, "%", 22.3, 27.5))
    '22.3 to 27.5'
    """
    if figure.low is None and figure.high is None:
        return ""
    places = digits(figure)
    low, high = (None if end is None else marked(number(end, places), mark) for end in (figure.low, figure.high))
    if low is None or high is None:
        return f"at least {low}" if high is None else f"at most {high}"
    return f"{low} to {high}"


def from_count(figure: Figure) -> str:
    """How many things a figure was worked out from; empty where it does not say.

    >>> from_count(Figure("yield", 24.9, "%", count=10))
    'from 10'
    """
    return "" if figure.count is None else f"from {number(figure.count, 0)}"


def cell(content: Cell, column: Column, mark: str = ".") -> str:
    """One cell of a table, without its unit: that stands in the heading.

    >>> cell(3.14159, Column("picked", "kg", 2)), cell(None, Column("picked")), cell(12, Column("units", digits=1))
    ('3.14', '–', '12')
    """
    if content is None:
        return NOTHING
    if isinstance(content, str):
        return content
    return marked(number(content, column.digits if isinstance(content, float) else 0), mark)


def heading(column: Column) -> str:
    """A column's heading with its unit.

    >>> heading(Column("picked", "kg"))
    'picked, kg'
    """
    return f"{column.name}, {column.unit}" if column.unit else column.name


def name_and_more(title: str) -> tuple[str, str]:
    """A title's first part, short enough for a margin, and what it says more.

    >>> name_and_more("Yield: kg picked per unit made; culled units count as zero")
    ('Yield', 'Kg picked per unit made; culled units count as zero.')
    >>> name_and_more("What each batch gave")
    ('What each batch gave', '')
    """
    name, _, more = re.sub("[:;]", "\x1f", title, count=1).partition("\x1f")
    return name, f"{capital(more.strip()).rstrip('.')}." if more.strip() else ""


def is_number(column: int, rows: tuple[tuple[Cell, ...], ...]) -> bool:
    """Whether a column of a table holds numbers, which are set flush right."""
    return any(isinstance(row[column], int | float) for row in rows)


def capital(text: str) -> str:
    """A text with a capital first.

    >>> capital("what did each batch really give?")
    'What did each batch really give?'
    """
    return text[:1].upper() + text[1:]


def standing(how_far: Standing) -> str:
    """How far the notes carry an answer, and why.

    >>> standing(Standing("settled", "every weight belongs to a batch"))
    'Settled: the notes carry this. Every weight belongs to a batch.'
    """
    return f"{STANDINGS[how_far.word]}. {capital(how_far.reason).rstrip('.')}."


def stands_on(basis: Basis) -> list[str]:
    """What an answer stands on: which notes, by which method, from which sources.

    >>> stands_on(Basis({"batches": 40, "units": 1}, "weighed by unit", date(2026, 3, 2), date(2026, 6, 9), "a sum"))
    ['40 batches, 1 unit; weighed by unit; 2 March 2026 to 9 June 2026.', 'A sum.']
    """
    counts = ", ".join(counted(count, name) for name, count in basis.counts.items())
    days = " to ".join(dict.fromkeys(day(one) for one in (basis.since, basis.until) if one is not None))
    notes = "; ".join(part for part in (counts, basis.level.replace("none", ""), days) if part)
    sources = f"Sources: {'; '.join(basis.sources)}" if basis.sources else ""
    return [f"{capital(part).rstrip('.')}." for part in (notes or "No notes", basis.method, sources) if part]


def counted(count: int, many: str) -> str:
    """A count with the noun of its many.

    >>> counted(1, "batches"), counted(2, "batches"), counted(1, "units")
    ('1 batch', '2 batches', '1 unit')
    """
    one = many.removesuffix("es") if many.endswith(("ches", "shes")) else many.removesuffix("s")
    return f"{number(count, 0)} {one if count == 1 else many}"


def day(moment: date) -> str:
    """A day as people say it.

    >>> day(date(2026, 3, 2))
    '2 March 2026'
    """
    return f"{moment.day} {moment:%B %Y}"


def local(at: int | str, zone: str) -> datetime:
    """A moment, as Unix seconds or text with its offset, in a time zone."""
    moment = datetime.fromtimestamp(at, UTC) if isinstance(at, int) else datetime.fromisoformat(at)
    return moment.astimezone(ZoneInfo(zone))


def hour(at: int | str, zone: str) -> str:
    """The hour of a moment. Noon sharp is how a day is kept whose hour was not noted, so it has none.

    >>> hour("2026-03-02T09:30:00+01:00", "Europe/Vienna"), hour("2026-03-02T12:00:00+01:00", "Europe/Vienna")
    ('09:30', '')
    """
    here = local(at, zone)
    return "" if (here.hour, here.minute, here.second) == (12, 0, 0) else f"{here:%H:%M}"


def moment(at: int | str, zone: str) -> str:
    """A moment in a time zone, with its hour where one was noted.

    >>> moment(1772442000, "UTC"), moment("2026-03-02T12:00:00+01:00", "Europe/Vienna")
    ('2 March 2026, 09:00', '2 March 2026')
    """
    return ", ".join(part for part in (day(local(at, zone).date()), hour(at, zone)) if part)


def weight(milligrams: int, mark: str = ".") -> str:
    """A weight in kg to the gram, without zeros that nobody weighed.

    >>> weight(328_000), weight(2_200_000), weight(5_000_000_000)
    ('0.328\\xa0kg', '2.2\\xa0kg', '5\\u202f000\\xa0kg')
    """
    text = number(milligrams / KILOGRAM, 3).rstrip("0").rstrip(".")
    return with_unit(marked(text, mark), "kg")


def money(minor: int, currency: str, minor_digits: int, mark: str = ".") -> str:
    """An amount of money with its currency.

    >>> money(1150, "EUR", 2), money(-40, "EUR", 2)
    ('11.50\\xa0EUR', '−0.40\\xa0EUR')
    """
    return with_unit(marked(number(minor / 10**minor_digits, minor_digits), mark), currency)


def percent(share: float, mark: str = ".") -> str:
    """A share in per cent, without a point where none was meant.

    >>> percent(0.4), percent(0.625)
    ('40\\xa0%', '62.5\\xa0%')
    """
    return with_unit(marked(number(share * 100, 1).removesuffix(".0"), mark), "%")


def options_said(options: Mapping[str, Any]) -> str:
    """The options that an answer was asked with.

    >>> options_said({"trial": "bran", "since": "2026-03-02"})
    'trial bran, since 2026-03-02'
    """
    return ", ".join(f"{name} {given}" for name, given in options.items())
