"""What people type, `weight=0.328kg units=KB001-01..03`, turned into the body of an entry."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from typing import Any, get_args, get_origin
from zoneinfo import ZoneInfo

from pinset.journal import measures
from pinset.journal.entry import Fault, NotAnEntry
from pinset.journal.hints import plain_type
from pinset.journal.kinds import KINDS, Part, RecipePart

_ENDINGS = ("_mg", "_minor", "_min")
_RANGE = re.compile(r"^(.*?)(\d+)\.\.(\d+)$")


def spoken(field: str) -> str:
    """The name of a field as people say it: without the unit it is stored in.

    >>> spoken("weight_mg"), spoken("held_min"), spoken("units")
    ('weight', 'held', 'units')
    """
    for ending in _ENDINGS:
        if field.endswith(ending):
            return field.removesuffix(ending)
    return field


def stored(kind: str, name: str) -> str | None:
    """The stored field that a spoken or stored name means, or None.

    >>> stored("pick", "weight"), stored("pick", "unit"), stored("pick", "weather")
    ('weight_mg', 'units', None)
    """
    fields = KINDS[kind].model_fields
    by_name = {spoken(field): field for field in fields} | {field: field for field in fields}
    if name == "unit" and get_origin(plain_type(fields["units"].annotation if "units" in fields else str)) is tuple:
        return "units"
    return by_name.get(name)


def body_said(kind: str, words: Mapping[str, str], digits: int = 2, decimal_mark: str | None = None) -> dict[str, Any]:
    """The body that words say; raises NotAnEntry with every fault found.

    >>> body_said("pick", {"unit": "KB001-01", "weight": "0.328 kg", "flush": "1"})
    {'units': ['KB001-01'], 'weight_mg': 328000, 'flush': 1}
    """
    if kind not in KINDS:
        raise NotAnEntry([Fault("kind", f"one of {', '.join(KINDS)}", repr(kind))])
    body: dict[str, Any] = {}
    faults: list[Fault] = []
    for name, text in words.items():
        field = stored(kind, name)
        if field is None:
            known = ", ".join(spoken(each) for each in KINDS[kind].model_fields)
            faults.append(Fault(name, f"a field of {kind}: {known}", name))
            continue
        try:
            body[field] = _value(kind, field, text, digits, decimal_mark)
        except ValueError as fault:
            faults.append(Fault(name, str(fault), repr(text)))
    if faults:
        raise NotAnEntry(faults)
    return body


def _value(kind: str, field: str, text: str, digits: int, decimal_mark: str | None) -> Any:
    wanted = plain_type(KINDS[kind].model_fields[field].annotation)
    if field.endswith("_mg"):
        return measures.milligrams(text, decimal_mark=decimal_mark)
    if field.endswith("_minor"):
        return measures.minor_units(text, digits, decimal_mark)
    if field.endswith("_min") or field == "minutes":
        return measures.minutes(text, decimal_mark=decimal_mark)
    if field == "celsius":
        return measures.celsius(text, decimal_mark=decimal_mark)
    if get_origin(wanted) is tuple:
        return _several(get_args(wanted)[0], text, decimal_mark)
    return _single(wanted, text, decimal_mark)


def _single(wanted: Any, text: str, decimal_mark: str | None) -> Any:
    if wanted is bool:
        return _yes_or_no(text)
    if wanted is float:
        return measures.share(text, decimal_mark=decimal_mark)
    if wanted is int:
        number, unit = measures.split_number(text, decimal_mark)
        if unit or number != int(number):
            raise ValueError("a whole number without a unit")
        return int(number)
    return text


def _several(item: Any, text: str, decimal_mark: str | None) -> list[Any]:
    pieces = [piece.strip() for piece in text.split(";" if ";" in text else ",") if piece.strip()]
    make: Callable[[str], list[Any]]
    if item is Part:
        make = lambda piece: [_pair(piece, "lot", "weight_mg", measures.milligrams, decimal_mark)]  # noqa: E731
    elif item is RecipePart:
        make = lambda piece: [_pair(piece, "ingredient", "share", measures.share, decimal_mark)]  # noqa: E731
    else:
        make = expanded
    return [value for piece in pieces for value in make(piece)]


def _pair(piece: str, name: str, amount: str, read: Callable[..., Any], decimal_mark: str | None) -> dict[str, Any]:
    label, _, quantity = piece.partition(":")
    pair: dict[str, Any] = {name: label.strip()}
    if quantity.strip():
        pair[amount] = read(quantity, decimal_mark=decimal_mark)
    return pair


def expanded(codes: str) -> list[str]:
    """A range of codes written out.

    >>> expanded("KB001-01..03"), expanded("KB001-07")
    (['KB001-01', 'KB001-02', 'KB001-03'], ['KB001-07'])
    """
    found = _RANGE.match(codes)
    if found is None:
        return [codes]
    first, last = int(found[2]), int(found[3])
    if not first <= last <= first + 9999:
        raise ValueError(f"a range that runs upwards, as {found[1]}01..12")
    return [f"{found[1]}{number:0{len(found[2])}d}" for number in range(first, last + 1)]


def _yes_or_no(text: str) -> bool:
    known = {
        "yes": True,
        "y": True,
        "true": True,
        "1": True,
        "no": False,
        "n": False,
        "false": False,
        "0": False,
    }
    if text.casefold() not in known:
        raise ValueError("yes or no")
    return known[text.casefold()]


def moment_said(text: str, zone: str, now: datetime) -> str:
    """When something happened, with its offset; a date alone stands at noon in the farm's time zone.

    >>> moment_said("2026-03-02", "Europe/Vienna", datetime.now())
    '2026-03-02T12:00:00+01:00'
    """
    if text in ("", "now"):
        return now.astimezone(ZoneInfo(zone)).isoformat(timespec="seconds")
    try:
        if len(text) == 10:
            return noon(date.fromisoformat(text), zone)
        moment = datetime.fromisoformat(text)
    except ValueError as fault:
        raise NotAnEntry([Fault("at", "a date as 2026-03-02 or a time as 2026-03-02T09:30", repr(text))]) from fault
    return (moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))).isoformat(timespec="seconds")


def noon(day: date, zone: str) -> str:
    """Noon of a day in a time zone, with its offset."""
    return datetime.combine(day, time(12), ZoneInfo(zone)).isoformat(timespec="seconds")
