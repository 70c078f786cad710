"""Entries told in words, with their units, as a grower reads them before they are taken."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from pinset.journal.said import spoken

_SUBJECTS: Final = ("batch", "lot", "load", "mix", "units", "room", "name", "to", "task", "text")


def told(at: str, body: Mapping[str, Any], digits: int = 2, currency: str = "") -> str:
    """An entry in one line.

    >>> told("2026-03-27T12:00:00+01:00", {"units": ["KB001-01"], "weight_mg": 328000, "flush": 1})
    '2026-03-27  KB001-01, weight 0.328 kg, flush 1'
    """
    first = [name for name in _SUBJECTS if name in body][:1]
    names = [*first, *(name for name in body if name not in first)]
    pieces = [_piece(name, body[name], digits, currency, name in first) for name in names]
    return f"{day_told(at)}  {', '.join(pieces)}"


def day_told(at: str) -> str:
    """The day of a moment, with its time where it is not the noon that stands for a day alone."""
    if not at:
        return "(no day)"
    moment = datetime.fromisoformat(at)
    return f"{moment:%Y-%m-%d}" if (moment.hour, moment.minute) == (12, 0) else f"{moment:%Y-%m-%d %H:%M}"


def _piece(name: str, value: Any, digits: int, currency: str, alone: bool) -> str:
    words = value_told(name, value, digits, currency)
    return words if alone else f"{spoken(name)} {words}"


def value_told(name: str, value: Any, digits: int = 2, currency: str = "") -> str:
    """The value of a stored field with its unit.

    >>> value_told("weight_mg", 328000), value_told("run", 0.4), value_told("price_minor", 1150, 2, "EUR")
    ('0.328 kg', '40 %', '11.50 EUR')
    """
    if name.endswith("_mg"):
        return weight_told(value)
    if name.endswith("_minor"):
        return f"{value / 10**digits:.{digits}f} {currency}".strip()
    if name.endswith("_min") or name == "minutes":
        return f"{value} min"
    if isinstance(value, float) and name not in ("energy_kwh", "celsius", "difference"):
        return f"{value * 100:.6g} %"
    if isinstance(value, list | tuple):
        return " + ".join(_part(part) for part in value)
    if name == "celsius":
        return f"{value:g} °C"
    return str(value)


def _part(part: Any) -> str:
    if not isinstance(part, Mapping):
        return str(part)
    label, *amounts = part.items()
    return " ".join([str(label[1]), *(value_told(name, value) for name, value in amounts)])


def weight_told(milligrams: float) -> str:
    """A weight in kg, or in g below 1 g of a kilogram's digits.

    >>> weight_told(181000), weight_told(2200000), weight_told(250)
    ('0.181 kg', '2.2 kg', '0.25 g')
    """
    if abs(milligrams) < 1000:
        return f"{milligrams / 1000:g} g"
    return f"{milligrams / 1_000_000:.6f}".rstrip("0").rstrip(".") + " kg"
