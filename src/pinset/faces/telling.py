"""Entries told as sentences: what was noted, in the grower's words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from pinset.faces.words import HARD_SPACE, counted, money, percent, weight, with_unit
from pinset.journal.entry import Entry
from pinset.journal.farms import FarmSettings
from pinset.journal.kinds import SIGNS
from pinset.journal.said import spoken
from pinset.questions._words import listed

Body = dict[str, Any]
Tells = Callable[[Body, "Voice"], str]


class Voice:
    """How one farm says weights and money."""

    def __init__(self, farm: FarmSettings) -> None:
        self.farm = farm

    def weight(self, milligrams: int | None, before: str = "", behind: str = "") -> str:
        """A weight between two words; nothing where none was noted."""
        if milligrams is None:
            return ""
        return f"{before}{weight(milligrams, self.farm.decimal_mark)}{behind}"

    def money(self, minor: int | None, before: str = "") -> str:
        """An amount behind a word; nothing where none was noted."""
        if minor is None:
            return ""
        return before + money(minor, self.farm.currency, self.farm.minor_digits, self.farm.decimal_mark)

    def share(self, share: float | None) -> str:
        """A share in per cent; nothing where none was noted."""
        return "" if share is None else percent(share, self.farm.decimal_mark)


def told(entry: Entry, farm: FarmSettings) -> str:
    """An entry as one sentence without its full stop.

    >>> from pinset.journal.farms import settings
    >>> farm = settings("Hill farm", "EUR", "UTC", ".", "2026-03-02T08:00:00Z")
    >>> body = {"units": ["KB001-01"], "weight_mg": 328000, "flush": 1}
    >>> told(Entry("1", farm.id, "pick", "2026-03-27T12:00:00Z", "2026-03-27T12:00:00Z", "Ana", body), farm)
    'Picked 0.328\\xa0kg from KB001-01, flush\\xa01'
    """
    said = _TELLS[entry.kind](entry.body, Voice(farm))
    remarks = entry.body.get("remarks")
    return f"{said}. “{remarks}”" if remarks else said


def fields(entry: Entry, farm: FarmSettings) -> list[tuple[str, str]]:
    """Everything that an entry says, field by field, as people name the fields."""
    voice = Voice(farm)
    return [(spoken(name).replace("_", " "), _field(name, value, voice)) for name, value in entry.body.items()]


def _field(name: str, value: Any, voice: Voice) -> str:
    """A field's value with its unit, by the ending of its name."""
    if name.endswith("_mg"):
        return voice.weight(value)
    if name.endswith("_minor"):
        return voice.money(value)
    if name.endswith("_min") or name == "minutes":
        return with_unit(str(value), "min")
    if isinstance(value, list):
        return ", ".join(_field("", each, voice) for each in value)
    if isinstance(value, dict):
        return " ".join(_field(key, each, voice) for key, each in value.items())
    if isinstance(value, float) and 0 <= value <= 1:
        return voice.share(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _about(body: Body) -> str:
    """What an entry is about: its units, its batch, or its room."""
    return listed(body["units"]) if body.get("units") else str(body.get("batch") or body.get("room"))


def _and(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _define(body: Body, voice: Voice) -> str:
    more = _and(
        body.get("purpose", ""),
        body.get("species", ""),
        voice.money(body.get("amount_minor")) + (f" per {body['per']}" if "per" in body else ""),
        f"arms {listed(body['arms'], 6)}, control {body['control']}" if "arms" in body else "",
        listed([f"{voice.share(part['share'])} {part['ingredient']}" for part in body.get("parts", [])], 6),
    )
    return f"Set down the {body['what']} {body['name']}" + (f": {more}" if more else "")


def _receive(body: Body, voice: Voice) -> str:
    amount = voice.weight(body.get("weight_mg"), behind=" ") or (f"{body['number']} " if "number" in body else "")
    supplier = f" from {body['supplier']}" if "supplier" in body else ""
    return f"Received {amount}{body['item']} as lot {body['lot']}{supplier}{voice.money(body.get('cost_minor'), ', ')}"


def _mix(body: Body, voice: Voice) -> str:
    recipe = f" by the recipe {body['recipe']}" if "recipe" in body else ""
    moist = f"moisture {voice.share(body['moisture'])}" if "moisture" in body else ""
    return _and(f"Mixed {body['mix']}{recipe}", voice.weight(body.get("total_mg")), moist)


def _treat(body: Body, voice: Voice) -> str:
    heat = with_unit(f"{body['celsius']:g}", "°C") if "celsius" in body else ""
    held = f"held {with_unit(str(body['held_min']), 'min')}" if "held_min" in body else ""
    return _and(f"Treated the load {body['load']}: {body['method']}", heat, held)


def _make(body: Body, voice: Voice) -> str:
    units = counted(body["units"], f"{body.get('container', 'unit')}s")
    fill = voice.weight(body.get("fill_mg"), " of ") or voice.weight(body.get("total_mg"), " from ")
    recipe = f"recipe {body['recipe']}" if "recipe" in body else ""
    arm = f"arm {body['arm']} of {body['trial']}" if "arm" in body else ""
    return _and(f"Made batch {body['batch']}: {units}{fill}", recipe, body.get("strain", ""), arm)


def _draw(body: Body, voice: Voice) -> str:
    parents = listed([part["lot"] for part in body["parents"]])
    drawn = voice.weight(body.get("weight_mg"), behind=" ") + str(body["carrier"])
    return f"Drew {drawn} as lot {body['lot']} from {parents}"


def _move(body: Body, voice: Voice) -> str:
    return f"Moved {_about(body)} to {body['to']}" + (f", shelf {body['shelf']}" if "shelf" in body else "")


def _check(body: Body, voice: Voice) -> str:
    run = f"spawn run {voice.share(body['run'])}" if "run" in body else ""
    of = f" ({counted(body['affected'], 'units')})" if "affected" in body else ""
    signs = [SIGNS[sign].split(";")[0] + of for sign in body.get("signs", [])]
    pins = "" if "pinning" not in body else "pins" if body["pinning"] else "no pins yet"
    seen = _and(run, *signs, pins)
    return f"Looked at {_about(body)}" + (f": {seen}" if seen else "")


def _pick(body: Body, voice: Voice) -> str:
    flush = f"flush{HARD_SPACE}{body['flush']}" if "flush" in body else ""
    return _and(f"Picked {voice.weight(body['weight_mg'])} from {_about(body)}", flush, body.get("grade", ""))


def _cull(body: Body, voice: Voice) -> str:
    number = f"{body['number']} of " if "number" in body else ""
    return f"Threw out {number}{_about(body)}: {body['reason']}"


def _clean(body: Body, voice: Voice) -> str:
    return _and(f"Cleaned {body['room']}", body.get("method", ""))


def _pack(body: Body, voice: Voice) -> str:
    whence = listed(body["batches"])
    return f"Packed {voice.weight(body['weight_mg'])} {body['product']} as lot {body['lot']} from {whence}"


def _dispatch(body: Body, voice: Voice) -> str:
    return _and(
        f"Delivered {voice.weight(body['weight_mg'])} to {body['to']}",
        f"lot {body['lot']}" if "lot" in body else "",
        voice.money(body.get("amount_minor")),
        voice.money(body.get("price_minor")) + "/kg" if "price_minor" in body else "",
    )


def _work(body: Body, voice: Voice) -> str:
    on = f" on {body['batch']}" if "batch" in body else ""
    return _and(f"Worked {with_unit(str(body['minutes']), 'min')}{on}: {body['task']}", body.get("person", ""))


def _count(body: Body, voice: Voice) -> str:
    return f"Counted lot {body['lot']}: " + _and(voice.weight(body.get("weight_mg")), str(body.get("number", "")))


def _note(body: Body, voice: Voice) -> str:
    return _and(f"“{body['text']}”", f"about {body['about']}" if "about" in body else "")


_TELLS: Final[dict[str, Tells]] = {
    "define": _define, "receive": _receive, "mix": _mix, "treat": _treat, "make": _make, "draw": _draw,
    "move": _move, "check": _check, "pick": _pick, "cull": _cull, "clean": _clean, "pack": _pack,
    "dispatch": _dispatch, "work": _work, "count": _count, "note": _note,
}  # fmt: skip
