"""What a sheet of each kind can say: its fields by the names people say, and the sort of value each one holds."""

from __future__ import annotations

from functools import cache
from typing import Any, Final, Literal, get_args, get_origin

from pinset.journal.hints import plain_type
from pinset.journal.kinds import KINDS, Part, RecipePart
from pinset.journal.said import spoken

Sort = Literal["day", "clock", "text", "weight", "money", "share", "celsius", "span", "whole", "decimal", "flag",
               "choice", "signs", "codes", "lots", "parts"]  # fmt: skip

# Sheets that define things: their kind in the map, and what they define.
DEFINED: Final = ("price", "recipe", "room", "strain", "ingredient", "person", "product")
SHEET_KINDS: Final = (*[kind for kind in KINDS if kind != "define"], "spawn", *DEFINED)

_EVERYWHERE: Final[dict[str, Sort]] = {"at": "day", "time": "clock", "by": "text", "remarks": "text"}
# What sheets say and no body holds: intake makes it into what a body does.
_ONLY_HERE: Final[dict[str, dict[str, Sort]]] = {
    "make": {"spawn lot": "lots", "spawn weight": "weight", "spawn weight each": "weight"},
    "receive": {"cost per kg": "money"},
    "spawn": {"item": "text", "from": "lots", "cost per kg": "money", "supplier": "text"},
}
_PLAIN_NUMBERS: Final = ("energy_kwh", "difference")


class NoSuchField(LookupError):
    """A sheet of this kind has no field of that name."""


def base_kind(sheet_kind: str) -> str:
    """The kind of entry that a sheet's rows become.

    >>> base_kind("price"), base_kind("spawn"), base_kind("pick")
    ('define', 'draw', 'pick')
    """
    if sheet_kind == "spawn":
        return "draw"
    return "define" if sheet_kind in DEFINED else sheet_kind


@cache
def fields(sheet_kind: str) -> dict[str, Sort]:
    """The fields of a kind of sheet, by the names people say, with the sort of each.

    >>> fields("pick")["weight"], fields("pick")["unit"], fields("make")["spawn lot"], fields("price")["per"]
    ('weight', 'codes', 'lots', 'choice')
    """
    kind = base_kind(sheet_kind)
    model = KINDS[kind].model_fields
    found = dict(_EVERYWHERE)
    levels = getattr(KINDS[kind], "levels", ("room",))
    for name, field in model.items():
        sort = _sort(name, plain_type(field.annotation))
        if sort is not None and (name != "room" or "room" in levels or "units" not in model):
            found["unit" if name == "units" and kind != "make" else spoken(name)] = sort
    return found | _ONLY_HERE.get(sheet_kind, {})


def _sort(name: str, wanted: Any) -> Sort | None:
    by_name: dict[str, Sort] = {"minutes": "span", "celsius": "celsius", "signs": "signs"}
    by_ending: dict[str, Sort] = {"_mg": "weight", "_minor": "money", "_min": "span"}
    by_type: dict[Any, Sort] = {str: "text", int: "whole", float: "share", bool: "flag"}
    if name in by_name:
        return by_name[name]
    if name in _PLAIN_NUMBERS:
        return "decimal"
    ending = next((sort for end, sort in by_ending.items() if name.endswith(end)), None)
    if ending is not None:
        return ending
    if get_origin(wanted) is tuple:
        item = get_args(wanted)[0]
        return "lots" if item is Part else "parts" if item is RecipePart else "codes"
    return "choice" if get_origin(wanted) is Literal else by_type.get(wanted)


@cache
def stored_name(sheet_kind: str, field: str) -> str:
    """The name under which a body holds a field; what only intake knows keeps its own.

    >>> stored_name("pick", "weight"), stored_name("make", "spawn lot"), stored_name("check", "unit")
    ('weight_mg', 'spawn lot', 'units')
    """
    kind = base_kind(sheet_kind)
    if field == "unit" and kind != "make":
        return "units"
    return next((name for name in KINDS[kind].model_fields if spoken(name) == field), field)


@cache
def needed_fields(kind: str) -> tuple[tuple[str, str], ...]:
    """The fields that a body of this kind cannot be without: stored name and the name people say.

    >>> needed_fields("pick"), needed_fields("make")
    ((('weight_mg', 'weight'),), (('batch', 'batch'), ('units', 'units')))
    """
    return tuple((name, spoken(name)) for name, field in KINDS[kind].model_fields.items() if field.is_required())


def sort_of(sheet_kind: str, field: str) -> Sort:
    """The sort of value that a field holds; raises NoSuchField."""
    known = fields(sheet_kind)
    if field not in known:
        raise NoSuchField(f"needed a field of {sheet_kind}: {', '.join(known)}; came {field!r}")
    return known[field]


def choices(sheet_kind: str, field: str) -> tuple[str, ...]:
    """The words that a field with a fixed choice may hold."""
    model = KINDS[base_kind(sheet_kind)].model_fields[stored_name(sheet_kind, field)]
    return tuple(get_args(plain_type(model.annotation)))
