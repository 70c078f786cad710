"""Numbers with their units, as people write them, turned into the exact whole numbers that are stored."""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from typing import Final

# Milligrams in one unit. The pound is exactly 0.45359237 kg (International Yard and Pound Agreement, 1959).
MILLIGRAMS: Final[dict[str, Decimal]] = {
    "mg": Decimal(1),
    "g": Decimal(1_000),
    "kg": Decimal(1_000_000),
    "t": Decimal(1_000_000_000),
    "lb": Decimal("453592.37"),
    "oz": Decimal("28349.523125"),
}
MINUTES: Final[dict[str, Decimal]] = {"min": Decimal(1), "h": Decimal(60), "d": Decimal(1440)}

_SPELLINGS: Final[dict[str, str]] = {
    "gr": "g", "gram": "g", "grams": "g", "gramme": "g", "grammes": "g", "gm": "g", "gms": "g",
    "kgs": "kg", "kilo": "kg", "kilos": "kg", "kilogram": "kg", "kilograms": "kg",
    "lbs": "lb", "pound": "lb", "pounds": "lb", "#": "lb", "ounce": "oz", "ounces": "oz", "ozs": "oz",
    "tonne": "t", "tonnes": "t", "m": "min", "mins": "min", "minute": "min", "minutes": "min",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d",
    "c": "°c", "degc": "°c", "ºc": "°c", "celsius": "°c", "f": "°f", "degf": "°f", "ºf": "°f",
    "percent": "%", "pct": "%", "per cent": "%",
}  # fmt: skip
_NUMBER: Final = re.compile(r"^\s*([-+−]?[\d.,'’ \u00a0\u202f]*\d)\s*(.*?)\s*$")
_GROUPED: Final = re.compile(r"^\d{1,3}(?:([.,' ])\d{3})(?:\1\d{3})*$")


class NotANumber(ValueError):
    """The text does not read as one number with at most one unit."""


class AmbiguousNumber(ValueError):
    """The text can be read as two different numbers; say which decimal mark is used."""


class UnknownUnit(ValueError):
    """The unit is not one that this quantity can be given in."""


def unit_name(text: str) -> str:
    """The one spelling kept for a unit.

    >>> unit_name("Lbs."), unit_name("KG"), unit_name("°C")
    ('lb', 'kg', '°c')
    """
    plain = text.strip().rstrip(".").casefold()
    return _SPELLINGS.get(plain, plain)


def split_number(text: str, decimal_mark: str | None = None) -> tuple[Decimal, str]:
    """The number and the unit of a text such as ``"2.2 kg"``, ``"0,156"`` or ``"5 %"``.

    ``decimal_mark`` is ``"."`` or ``","`` where the writer's habit is known. Without it a single mark before
    exactly three digits (``"1,500"``) has two readings and is refused; ``"1,5"`` never becomes 15.

    >>> split_number("0,156"), split_number("1.234,5 g"), split_number("2.2kg")
    ((Decimal('0.156'), ''), (Decimal('1234.5'), 'g'), (Decimal('2.2'), 'kg'))
    """
    found = _NUMBER.match(text)
    if found is None:
        raise NotANumber(f"{text!r} does not read as a number")
    digits = found[1].replace("−", "-").replace("’", "'").replace("\u00a0", " ").replace("\u202f", " ")
    sign = Decimal(-1) if digits.startswith("-") else Decimal(1)
    return sign * _magnitude(digits.lstrip("+-").strip(), decimal_mark, text), unit_name(found[2])


def _magnitude(digits: str, decimal_mark: str | None, text: str) -> Decimal:
    digits = digits.replace("'", "").replace(" ", "")
    marks = [mark for mark in ".," if mark in digits]
    if not marks:
        return _decimal(digits, text)
    if len(marks) == 2:
        return _decimal(_drop_groups(digits, max(marks, key=digits.rindex), text), text)
    mark = marks[0]
    grouped = _GROUPED.match(digits) is not None and not digits.startswith("0")
    if digits.count(mark) > 1 or (grouped and decimal_mark not in (None, mark)):
        return _decimal(_drop_groups(digits, "." if mark == "," else ",", text), text)
    if grouped and decimal_mark is None and mark == ",":
        raise AmbiguousNumber(f"{text!r} may be {digits.replace(mark, '')} or {digits.replace(mark, '.')}")
    return _decimal(digits.replace(mark, "."), text)


def _drop_groups(digits: str, decimal_mark: str, text: str) -> str:
    whole, _, fraction = digits.partition(decimal_mark)
    if not _GROUPED.match(whole) or (not fraction.isdigit() and fraction):
        raise NotANumber(f"{text!r} has its thousands marks in odd places")
    return re.sub(r"[.,]", "", whole) + (f".{fraction}" if fraction else "")


def _decimal(digits: str, text: str) -> Decimal:
    try:
        return Decimal(digits)
    except InvalidOperation as fault:
        raise NotANumber(f"{text!r} does not read as a number") from fault


def milligrams(text: str, unit: str = "kg", decimal_mark: str | None = None) -> int:
    """A weight in whole milligrams; ``unit`` is the one meant where the text names none.

    >>> milligrams("0.328 kg"), milligrams("181", unit="g"), milligrams("5 lb")
    (328000, 181000, 2267962)
    """
    return _whole(text, unit, MILLIGRAMS, "a weight", decimal_mark)


def minutes(text: str, unit: str = "min", decimal_mark: str | None = None) -> int:
    """A length of time in whole minutes.

    >>> minutes("1.5 h"), minutes("20")
    (90, 20)
    """
    return _whole(text, unit, MINUTES, "a time span", decimal_mark)


def minor_units(text: str, digits: int = 2, decimal_mark: str | None = None) -> int:
    """Money in whole minor units (cents for two digits); a currency sign or code beside it is let pass.

    >>> minor_units("11.50"), minor_units("€ 3,4"), minor_units("1200", digits=0)
    (1150, 340, 1200)
    """
    amount, _ = split_number(re.sub(r"[A-Za-z$€£¥₹]", "", text), decimal_mark)
    return int((amount * 10**digits).to_integral_value())


def share(text: str, unit: str = "", decimal_mark: str | None = None) -> float:
    """A share as a fraction; ``"40 %"`` is 0.4, and so is ``"40"`` where ``unit`` is ``"%"``.

    >>> share("40 %"), share("0.4"), share("40", unit="%")
    (0.4, 0.4, 0.4)
    """
    number, said = split_number(text, decimal_mark)
    known = said or unit_name(unit)
    if known not in ("", "%"):
        raise UnknownUnit(f"a share is given in % or as a fraction, not in {said!r}")
    return float(number / 100 if known == "%" else number)


def celsius(text: str, unit: str = "°C", decimal_mark: str | None = None) -> float:
    """A temperature in °C.

    >>> celsius("212 F"), celsius("21,5 °C")
    (100.0, 21.5)
    """
    number, said = split_number(text, decimal_mark)
    known = said or unit_name(unit)
    if known == "°f":
        return round(float((number - 32) * 5 / 9), 6)
    if known != "°c":
        raise UnknownUnit(f"a temperature is given in °C or °F, not in {said!r}")
    return float(number)


def _whole(text: str, unit: str, table: dict[str, Decimal], what: str, decimal_mark: str | None) -> int:
    number, said = split_number(text, decimal_mark)
    known = said or unit_name(unit)
    if known not in table:
        raise UnknownUnit(f"{what} is given in {', '.join(table)}, not in {said!r}")
    return int((number * table[known]).to_integral_value())
