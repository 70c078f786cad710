"""Numbers with their units as they stand in cells. The decimal mark is as the column shows; "1,5" never becomes 15."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import time, timedelta
from decimal import Decimal
from typing import Final, Literal

from pinset.intake.problem import CannotRead
from pinset.intake.table import Cell, Unread
from pinset.intake.words import meant, unit_meant
from pinset.journal.measures import MILLIGRAMS, MINUTES, AmbiguousNumber, NotANumber, split_number

Mark = Literal[".", ","]
_MARKED: Final = re.compile(r"^[^\d]{0,4}(\d[\d.,]*\d|[.,]\d+)(?!\d)")
_UNSURE: Final = re.compile(r"^[1-9]\d{0,2}([.,])\d{3}$")
_GROUPED: Final = re.compile(r"^\d{1,3}([.,])\d{3}(?:\1\d{3})+$")
_POUNDS_OUNCES: Final = re.compile(
    r"^(.+?)\s*(lbs?|pounds?|#)\.?,?\s*(?:and\s+)?(.+?)\s*(ozs?|ounces?)\.?$", re.IGNORECASE
)
_ODD_BLANKS: Final = re.compile(r"\d[ \u00a0\u202f](?!\d{3}(?!\d))\d|\d{4}[ \u00a0\u202f]\d")
_MONEY: Final = re.compile(r"[$€£¥₹]|\b[A-Z]{3}\b|\bkr\b|\bFr\.?", re.IGNORECASE)
_MOST: Final = Decimal(10) ** 12  # of anything that a farm counts


def marks_shown(cells: Iterable[Cell]) -> set[Mark]:
    """The decimal marks that a column proves: a mark with other than three digits behind it, or behind a nought.

    >>> marks_shown(["0,156", "1,500"]), marks_shown(["1,500"]), marks_shown(["1.234,5"])
    ({','}, set(), {','})
    """
    seen: set[Mark] = set()
    for cell in cells:
        if isinstance(cell, str) and ("," in cell or "." in cell):
            seen |= _proved(cell)
    return seen


def _proved(text: str) -> set[Mark]:
    found = _MARKED.match(text)
    if found is None:
        return set()
    digits = found[1]
    marks: list[Mark] = [mark for mark in (".", ",") if mark in digits]
    if len(marks) == 2:
        return {max(marks, key=digits.rindex)}
    if not marks:
        return set()
    mark = marks[0]
    if digits.count(mark) > 1:
        return {"," if mark == "." else "."} if _GROUPED.match(digits) else set()
    before, _, after = digits.partition(mark)
    return {mark} if len(after) != 3 or before in ("", "0") or len(before) > 3 else set()


def marks_unsure(cells: Iterable[Cell]) -> set[Mark]:
    """The marks of a column that stand before exactly three digits: before decimals or between thousands, who knows.

    >>> marks_unsure(["1,500", "0,156"]), marks_unsure(["1.5"])
    ({','}, set())
    """
    found = (_MARKED.match(cell) for cell in cells if isinstance(cell, str) and ("," in cell or "." in cell))
    unsure = (_UNSURE.match(one[1]) for one in found if one is not None)
    return {"," if one[1] == "," else "." for one in unsure if one is not None}


def number_and_unit(cell: Cell, mark: Mark | None, needed: str) -> tuple[Decimal, str]:
    """The number of a cell and its unit, "" where none is written; raises CannotRead naming what was needed.

    >>> number_and_unit("0,156", ",", "a weight"), number_and_unit("328 gramos", None, "a weight")
    ((Decimal('0.156'), ''), (Decimal('328'), 'g'))
    """
    if isinstance(cell, bool):
        raise CannotRead(needed)
    if isinstance(cell, int | float):
        return _within(Decimal(repr(cell)), needed), ""
    if isinstance(cell, Unread):
        raise CannotRead(needed, cell.mend, cell.came)
    if not isinstance(cell, str) or _ODD_BLANKS.search(cell):
        raise CannotRead(needed)
    try:
        number, unit = split_number(cell, mark)
    except AmbiguousNumber as fault:
        raise CannotRead(
            f"{needed} that can be read in one way only ({fault})", 'Say in the map: decimal = "." or decimal = ","'
        ) from fault
    except NotANumber as fault:
        raise CannotRead(needed) from fault
    return _within(number, needed), unit_meant(unit)


def _within(number: Decimal, needed: str) -> Decimal:
    if not number.is_finite() or abs(number) > _MOST:
        raise CannotRead(f"{needed}, of a size that a farm can have")
    return number


def read_weight(cell: Cell, unit: str, mark: Mark | None) -> int:
    """A weight in whole milligrams; ``unit`` is the column's, "" where it has none.

    >>> read_weight("1 lb 4 oz", "", None), read_weight(0.328, "kg", None)
    (566990, 328000)
    """
    if isinstance(cell, str) and (found := _POUNDS_OUNCES.match(cell)):
        milligrams = _milligrams(found[1], "lb", mark) + _milligrams(found[3], "oz", mark)
    else:
        milligrams = _milligrams(cell, unit, mark)
    return int(milligrams.to_integral_value())


def _milligrams(cell: Cell, unit: str, mark: Mark | None) -> Decimal:
    needed = "a weight" if unit else "a weight with its unit, as 0.328 kg"
    number, said = number_and_unit(cell, mark, needed)
    if number < 0:
        raise CannotRead("a weight of 0 or more", "If only the minus is wrong, correct it; else drop the row.")
    return number * _factor(MILLIGRAMS, said or unit, needed, "kg, g, lb or oz")


def _factor(known: dict[str, Decimal], unit: str, needed: str, units: str) -> Decimal:
    if unit in known:
        return known[unit]
    if not unit:
        raise CannotRead(needed, f"Write its unit in the cell, or say it in the map: ... in {units}.")
    raise CannotRead(f"{needed}, in {units}", came=f"the unit {unit!r}")


def read_span(cell: Cell, unit: str, mark: Mark | None) -> int:
    """A length of time in whole minutes.

    >>> read_span("0,55 h", "", ","), read_span("1:30", "", None), read_span(37, "min", None)
    (33, 90, 37)
    """
    if isinstance(cell, timedelta):
        return round(cell.total_seconds() / 60)
    if isinstance(cell, time):
        return cell.hour * 60 + cell.minute
    if isinstance(cell, str) and (found := re.match(r"^(\d{1,3})\s*[:h]\s*([0-5]\d)\s*(?:min|m)?$", cell)):
        return int(found[1]) * 60 + int(found[2])
    needed = "a length of time" if unit else "a length of time with its unit, as 40 min or 1.5 h"
    number, said = number_and_unit(cell, mark, needed)
    if number < 0:
        raise CannotRead("a length of time of 0 or more")
    return int((number * _factor(MINUTES, said or unit, needed, "min, h or d")).to_integral_value())


def read_share(cell: Cell, unit: str, mark: Mark | None) -> float:
    """A share as a fraction from 0 to 1; ``unit`` is "%" where the column's numbers are percentages.

    >>> read_share("40 %", "", None), read_share(40, "%", None), read_share(0.4, "", None)
    (0.4, 0.4, 0.4)
    """
    number, said = number_and_unit(cell, mark, "a share, as 40 %")
    if said not in ("", "%"):
        raise CannotRead("a share, as 40 %")
    share = number / 100 if (said or unit) == "%" else number
    if not 0 <= share <= 1:
        raise CannotRead("a share from 0 to 100 %", came=f"{float(share * 100):g} %")
    return float(share)


def read_celsius(cell: Cell, unit: str, mark: Mark | None) -> float:
    """A temperature in °C.

    >>> read_celsius("212 F", "", None), read_celsius(97, "°c", None)
    (100.0, 97.0)
    """
    number, said = number_and_unit(cell, mark, "a temperature")
    known = said or unit
    if known == "°f":
        return round(float((number - 32) * 5 / 9), 6)
    if known not in ("", "°c"):
        raise CannotRead("a temperature in °C or °F")
    return float(number)


def read_money(cell: Cell, digits: int, mark: Mark | None) -> int:
    """Money in whole minor units; a currency's sign or letters beside it are let pass.

    >>> read_money("€ 18.50", 2, None), read_money("3,4 EUR", 2, None), read_money(11.5, 2, None)
    (1850, 340, 1150)
    """
    bare = _MONEY.sub("", cell).strip() if isinstance(cell, str) else cell
    number, said = number_and_unit(bare, mark, "an amount of money")
    if said and not said.startswith(("/", "per ")):
        raise CannotRead("an amount of money")
    return int((number * 10**digits).to_integral_value())


def read_whole(cell: Cell, unit: str, mark: Mark | None) -> int:
    """A whole number; the name of a container behind it is let pass.

    >>> read_whole("8 bags", "", None), read_whole(8.0, "", None)
    (8, 8)
    """
    number, said = number_and_unit(cell, mark, "a whole number")
    if number != int(number) or (said and meant(said, "choices", "container") is None):
        raise CannotRead("a whole number")
    if number < 0:
        raise CannotRead("a whole number of 0 or more")
    return int(number)


def read_decimal(cell: Cell, unit: str, mark: Mark | None) -> float:
    """A number with decimals; its own unit behind it is let pass.

    >>> read_decimal("45,9 kWh", "kwh", ",")
    45.9
    """
    number, said = number_and_unit(cell, mark, "a number")
    if said and unit and said != unit:
        raise CannotRead(f"a number in {unit}")
    return float(number)
