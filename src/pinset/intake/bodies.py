"""What a row said, made into the bodies of entries: mostly one, several where a row sums up a whole batch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import lru_cache
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from pinset.intake.cells import OWN, Reading, Strand
from pinset.intake.fields import DEFINED, base_kind, choices, needed_fields, sort_of, stored_name
from pinset.intake.known import Known
from pinset.intake.map import SheetMap
from pinset.intake.problem import CannotRead
from pinset.intake.words import is_one_of, meant, stems
from pinset.journal.codes import unit_code
from pinset.journal.said import noon

Said = dict[str, Any]
LONGEST_NAME: Final = 120  # characters, as the journal has it
_DAY_LEFT_OPEN: Final = "sum for the whole batch; the day of picking was not noted"
_A_VALUE: Final[dict[str, str]] = {
    "weight": "a weight", "money": "an amount of money", "share": "a share, as 40 %", "whole": "a whole number",
    "span": "a length of time", "lots": "the lots it came from", "parts": "ingredients with their shares",
}  # fmt: skip


@dataclass(slots=True)
class Draft:
    """One entry that a row would become. ``at`` is empty where the day could not be told; its id is not settled yet."""

    kind: str
    at: str
    body: Said
    by: str


@dataclass(frozen=True, slots=True)
class Setting:
    """What rows are made into entries with: the farm's time zone, its map's trial, what is on record."""

    zone: str
    known: Known
    trial: str | None = None
    by: str = "grower"


class Lack(NamedTuple):
    """A field of an entry that is needed and did not come, or came so that nothing can be made of it."""

    field: str
    fault: CannotRead


@dataclass(slots=True)
class Made:
    """The drafts of a row, as far as they go, and what they lack."""

    drafts: list[Draft] = field(default_factory=list)
    lacks: list[Lack] = field(default_factory=list)

    def lack(self, name: str, needed: str, mend: str = "") -> None:
        """Note that something needed is not there."""
        self.lacks.append(Lack(name, CannotRead(needed, mend, "nothing")))


def drafts(reading: Reading, sheet: SheetMap, setting: Setting) -> Made:
    """The entries that a row becomes: that of the sheet's own kind first, then those that stand beside it."""
    made = Made()
    own = reading.said.get(OWN, {})
    by_flush = any(not kind and flush for kind, flush in reading.said)
    for strand, said in reading.said.items():
        kind = strand[0] or sheet.kind
        if strand != OWN:
            _draft(kind, _beside(kind, said, own, strand), setting, made)
        elif not by_flush:
            _draft(kind, dict(said), setting, made)
    return made


def _beside(kind: str, said: Said, own: Said, strand: Strand) -> Said:
    """An entry beside the row's own takes over its day, who noted it and what it is about."""
    taken = {name: own[name] for name in ("at", "time", "by", "unit", "batch", "room") if name in own} | said
    if strand[1]:
        taken["flush"] = strand[1]
    if strand[0] == "pick" and "at" not in said and "at" in own:
        taken["remarks"] = "; ".join(filter(None, (said.get("remarks"), _DAY_LEFT_OPEN)))
    return taken


def _draft(kind: str, said: Said, setting: Setting, made: Made) -> None:
    at, by = _moment(said, setting.zone, made), str(said.pop("by", setting.by))[:LONGEST_NAME]
    if kind in ("pick", "check", "move", "cull"):
        _one_level(said, setting.known, made)
    make = _SPECIAL.get(kind)
    entry_kind = make(said, setting, made) if make else base_kind(kind)
    if entry_kind is None:
        return
    body = {stored_name(entry_kind, name): value for name, value in said.items()}
    for name, words in needed_fields(entry_kind):
        if name not in body:
            made.lack(words, _needed(entry_kind, words))
    made.drafts.append(Draft(entry_kind, at, body, by))


def _needed(kind: str, name: str) -> str:
    sort = sort_of("price" if kind == "define" else kind, name)
    return f"one of {', '.join(choices(kind, name))}" if sort == "choice" else _A_VALUE.get(sort, f"the {name}")


def _moment(said: Said, zone: str, made: Made) -> str:
    day, clock = said.pop("at", None), said.pop("time", None)
    if day is None:
        made.lack("at", "a date", 'Write it, or say it for all rows in the map, under always: at = "2026-03-02".')
        return ""
    return _in_zone(datetime.combine(day, clock) if clock is not None else day, zone)


@lru_cache(maxsize=50_000)
def _in_zone(day: date | datetime, zone: str) -> str:
    if isinstance(day, datetime):
        return day.replace(tzinfo=ZoneInfo(zone)).isoformat(timespec="seconds")
    return noon(day, zone)


def _one_level(said: Said, known: Known, made: Made) -> None:
    """Keep the finest level that the row names: units, else the batch, else the room."""
    units, batch = said.pop("unit", None), said.get("batch")
    if units:
        said["units"] = [known.unit_named(_numbered(code, batch), batch) for code in units]
    for finer, coarser in (("units", "batch"), ("units", "room"), ("batch", "room")):
        if finer in said:
            said.pop(coarser, None)
    if not {"units", "batch", "room"} & said.keys():
        made.lack("unit", "a unit, a batch or a room")


def _numbered(code: str, batch: str | None) -> str:
    """A bare number beside a batch is the unit of that number."""
    return unit_code(batch, int(code)) if batch is not None and code.isdigit() and len(code) <= 5 else code


def _make(said: Said, setting: Setting, made: Made) -> str:
    lots, weight = said.pop("spawn lot", None), said.pop("spawn weight", None)
    each = said.pop("spawn weight each", None)
    if each is not None and weight is None and said.get("units"):
        weight = each * said["units"]
    if lots:
        # of several lots nobody noted which gave how much: their weights stay open
        said["spawn"] = [lots[0] | {"weight_mg": weight}] if len(lots) == 1 and weight else lots
    if "arm" in said and setting.trial is not None:
        said.setdefault("trial", setting.trial)
    return "make"


def _check(said: Said, setting: Setting, made: Made) -> str:
    signs = list(said.pop("signs", ()))
    if said.get("affected") == 0:
        del said["affected"]
    if "affected" in said and not signs:
        signs = ["other"]
    if signs:
        said["signs"] = signs
    return "check"


def _cull(said: Said, setting: Setting, made: Made) -> str | None:
    """A batch's count of lost units without a reason is a count of contaminated ones; a count of none is no cull."""
    if said.get("number") == 0:
        return None
    if "number" in said and "batch" in said:
        said.setdefault("reason", "contaminated")
    return "cull"


def _receive(said: Said, setting: Setting, made: Made) -> str:
    _whole_cost(said, made)
    if "item" in said:
        said.setdefault("what", _sort_of_item(said["item"]))
    return "receive"


def _spawn(said: Said, setting: Setting, made: Made) -> str:
    """A lot of the spawn book: drawn from what it names, or bought where it names nothing or says so."""
    _whole_cost(said, made)
    parents, item = said.pop("from", None) or [], str(said.pop("item", ""))
    carrier = said.get("carrier") or carrier_in(item)
    if carrier:
        said["carrier"] = carrier
    if not parents or (len(parents) == 1 and _is_bought(str(parents[0]["lot"]))):
        said |= {"item": item or "spawn", "what": "culture" if _is_culture(item, carrier) else "spawn"}
        return "receive"
    said.pop("supplier", None)
    said["parents"] = parents
    return "draw"


def _is_bought(text: str) -> bool:
    """Whether a parent is none but a word for buying: ``bought``, ``bought from Miller``."""
    words = stems(text)
    return is_one_of(text, "bought") or (bool(words) and is_one_of(words[0], "bought"))


def _is_culture(item: str, carrier: str | None) -> bool:
    return meant(item, "choices", "what") == "culture" or carrier in ("agar", "liquid")


def carrier_in(item: str) -> str | None:
    """The carrier that a name of spawn speaks of.

    >>> carrier_in("rye grain"), carrier_in("culture")
    ('grain', None)
    """
    words = stems(item)
    spans = (words[start:end] for end in range(len(words), 0, -1) for start in range(end))
    return next((found for span in spans if (found := meant(" ".join(span), "choices", "carrier"))), None)


def _sort_of_item(item: str) -> str:
    found = meant(item, "choices", "what")
    return found or next((kind for word in stems(item) if (kind := meant(word, "choices", "what"))), "ingredient")


def _whole_cost(said: Said, made: Made) -> None:
    per_kg = said.pop("cost per kg", None)
    if per_kg is None or "cost" in said:
        return
    if said.get("weight"):
        said["cost"] = round(per_kg * said["weight"] / 1_000_000)
    else:
        made.lack("weight", "a weight, to make the whole cost of a cost per kg")


def _defined(what: str) -> Special:
    def define(said: Said, setting: Setting, made: Made) -> str:
        said["what"] = what
        return "define"

    return define


Special = Callable[[Said, Setting, Made], str | None]
"""What a kind of sheet needs beside reading: changes what was said in place; returns the kind of entry, or None."""

_SPECIAL: Final[dict[str, Special]] = {
    "make": _make, "check": _check, "cull": _cull, "receive": _receive, "spawn": _spawn,
    **{what: _defined(what) for what in DEFINED},
}  # fmt: skip
