"""The map: which column of a sheet says which field of which kind of entry. A small file to read and change."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, Literal

from pinset.intake.dates import ORDERS, Order
from pinset.intake.fields import SHEET_KINDS, Sort, fields, sort_of
from pinset.intake.numbers import Mark
from pinset.intake.table import Table
from pinset.intake.words import plain, unit_meant
from pinset.journal.entry import Fault
from pinset.journal.kinds import SIGNS

ASK: Final = "?"  # stands wherever only the grower can know
SKIP: Final = "skip"
UNITS: Final[dict[Sort, tuple[str, ...]]] = {
    "weight": ("kg", "g", "lb", "oz", "mg", "t"),
    "share": ("%", "fraction"),
    "celsius": ("°c", "°f"),
    "span": ("min", "h", "d"),
    "day": ORDERS,
}
_TARGET: Final = re.compile(r"^(?P<words>.+?)(?: in (?P<unit>\S+))?(?: of flush (?P<flush>\d+))?$")


class NotAMap(ValueError):
    """The map cannot be followed as it is."""

    def __init__(self, file: str, faults: Iterable[Fault]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(f"{file}, {fault}" for fault in self.faults))


@dataclass(frozen=True, slots=True)
class Target:
    """What a column says: a field, its unit, and, where it is not the sheet's own, the kind of entry it belongs to."""

    field: str
    unit: str = ""
    kind: str = ""
    flush: int = 0

    def __str__(self) -> str:
        kind = f"{self.kind} " if self.kind else ""
        unit = f" in {self.unit.replace('°c', '°C').replace('°f', '°F')}" if self.unit else ""
        return f"{kind}{self.field}{unit}" + (f" of flush {self.flush}" if self.flush else "")


@dataclass(frozen=True, slots=True)
class SheetMap:
    """How one sheet is read. ``always`` holds fields that are the same in every row, in words."""

    name: str
    kind: str
    columns: Mapping[str, Target | None] = field(default_factory=dict)
    always: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    fill_down: tuple[str, ...] = ()
    date_order: Order | Literal["?"] | None = None
    decimal: Mark | Literal["?"] | None = None
    year: int | str | None = None
    asks: tuple[str, ...] = ()
    comments: Mapping[str, str] = field(default_factory=dict)

    def target(self, name: str) -> Target | None:
        """What a column says; None where it is skipped or not mentioned. Case and accents of its name do not matter."""
        if name in self.columns:
            return self.columns[name]
        return next((target for column, target in self.columns.items() if plain(column) == plain(name)), None)

    def fits(self, table: Table) -> bool:
        """Whether a table is the sheet that this part of the map is about: by name, or by its columns."""
        if self.name in (table.sheet, f"{table.file}: {table.sheet}"):
            return True
        said = {plain(name) for name, target in self.columns.items() if target is not None}
        return bool(said) and said <= {plain(name) for name in table.columns}


@dataclass(frozen=True, slots=True)
class TrialMap:
    """The trial that a column of arms belongs to."""

    name: str
    control: str
    given_to: str = "batch"
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Map:
    """How the sheets of some files are read."""

    sheets: tuple[SheetMap, ...]
    trial: TrialMap | None = None

    def sheet(self, table: Table) -> SheetMap | None:
        """The part of the map for a table: the one with its name, else the one whose columns it has."""
        named = [one for one in self.sheets if one.name == f"{table.file}: {table.sheet}"]
        named += [one for one in self.sheets if one.name == table.sheet]
        return next(iter([*named, *(one for one in self.sheets if one.fits(table))]), None)

    @property
    def headings(self) -> frozenset[str]:
        """Every column name that the map knows."""
        return frozenset(name for sheet in self.sheets for name in sheet.columns)

    def asks(self) -> list[str]:
        """What only the grower can say, in sentences."""
        asked = [f'[sheets."{sheet.name}"] {ask}' for sheet in self.sheets for ask in sheet.asks]
        if self.trial is not None and self.trial.control == ASK:
            asked.append(
                f"[trial] control: which arm of {self.trial.name!r} is the one to compare with? {self.trial.comment} "
                'Write control = "..." in the map, or add --control NAME'
            )
        return [" ".join(ask.split()) for ask in asked]

    def with_control(self, control: str | None) -> Map:
        """The map with the trial's control named."""
        if control is None or self.trial is None:
            return self
        return replace(self, trial=replace(self.trial, control=control))


def target_said(text: str, kind: str) -> Target | None:
    """The target that a map's words mean; None for a column to skip. Raises ValueError with what was needed.

    >>> target_said("weight in kg", "pick"), target_said("pick weight in lb of flush 2", "make")
    (Target(field='weight', unit='kg', kind='', flush=0), Target(field='weight', unit='lb', kind='pick', flush=2))
    """
    if text.strip() == SKIP:
        return None
    found = _TARGET.match(" ".join(text.split()))
    if found is None:
        raise ValueError("the name of a field, as weight in kg")
    own, name = _kind_and_field(found["words"], kind)
    return Target(name, _unit(found["unit"], sort_of(own or kind, name)), own, int(found["flush"] or 0))


def _kind_and_field(words: str, kind: str) -> tuple[str, str]:
    if words in fields(kind):
        return "", words
    first, _, rest = words.partition(" ")
    if first in SHEET_KINDS and rest in fields(first):
        return first, rest
    known = [*fields(kind), SKIP]
    near = get_close_matches(words, known, 1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise ValueError(f"a field of {kind} ({', '.join(known)}){hint}")


def _unit(text: str | None, sort: Sort) -> str:
    if text is None:
        return ""
    known = UNITS.get(sort, ())
    unit = text if sort == "day" else unit_meant(text)
    if unit not in (*known, ASK):
        raise ValueError(f"a unit of this field: {', '.join(known)}" if known else "no unit: this field has none")
    return unit


def read_map(path: Path) -> Map:
    """The map in a file; raises NotAMap with every fault and how to mend it."""
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        mend = "Names with blanks or marks stand in quotes, and every value too unless it is a number."
        raise NotAMap(path.name, [Fault("the whole", "a TOML file", str(fault), mend)]) from fault
    return map_said(said, path.name)


def map_said(said: Mapping[str, Any], file: str = "map") -> Map:
    """The map that a parsed TOML file means."""
    faults: list[Fault] = []
    for name in said.keys() - {"sheets", "trial"}:
        faults.append(Fault(name, "[sheets.NAME] or [trial]", name, "Remove it, or move it into a sheet."))
    sheets = said.get("sheets", {})
    read = [_sheet_said(str(name), one, faults) for name, one in sheets.items()] if isinstance(sheets, dict) else []
    if not read and not faults:
        faults.append(Fault("sheets", "at least one part [sheets.NAME]", "none"))
    trial = _trial_said(said["trial"], faults) if "trial" in said else None
    if faults:
        raise NotAMap(file, faults)
    return Map(tuple(read), trial)


def _trial_said(said: Any, faults: list[Fault]) -> TrialMap | None:
    known = {"name", "control", "given_to"}
    if not isinstance(said, dict) or not {"name", "control"} <= said.keys() <= known:
        mend = 'As: name = "more bran", control = "usual", given_to = "batch"'
        faults.append(Fault("[trial]", "a name and a control", str(said)[:80], mend))
        return None
    return TrialMap(**{name: str(value) for name, value in said.items()})


def _sheet_said(name: str, said: Any, faults: list[Fault]) -> SheetMap:
    where = f'[sheets."{name}"]'
    known = {"kind", "columns", "always", "words", "fill_down", "date_order", "decimal", "year"}
    if not isinstance(said, dict) or said.keys() - known:
        faults.append(Fault(where, f"only {', '.join(sorted(known))}", str(said)[:80]))
        return SheetMap(name, SKIP)
    kind = said.get("kind", ASK)
    if kind not in (*SHEET_KINDS, SKIP, ASK):
        faults.append(Fault(f"{where} kind", f"one of {', '.join((*SHEET_KINDS, SKIP))}", repr(kind)))
        kind = SKIP
    sheet = SheetMap(
        name, kind, {} if kind in (SKIP, ASK) else _columns_said(where, kind, said.get("columns", {}), faults),
        {str(key): str(value) for key, value in said.get("always", {}).items()},
        {plain(str(key)): str(value) for key, value in said.get("words", {}).items()},
        tuple(said.get("fill_down", ())), said.get("date_order"), said.get("decimal"), said.get("year"),
    )  # fmt: skip
    faults += _settings_faults(where, sheet)
    return with_asks(sheet)


def with_asks(sheet: SheetMap) -> SheetMap:
    """A sheet's map with the sentences that its ``?`` ask."""
    return replace(sheet, asks=tuple(_asks(sheet)))


def _columns_said(where: str, kind: str, said: Any, faults: list[Fault]) -> dict[str, Target | None]:
    found: dict[str, Target | None] = {}
    for name, words in said.items() if isinstance(said, dict) else ():
        try:
            found[name] = target_said(str(words), kind)
        except ValueError as fault:
            faults.append(Fault(f"{where} column {name!r}", str(fault), repr(words)))
    return found


def _settings_faults(where: str, sheet: SheetMap) -> Iterable[Fault]:
    if sheet.date_order not in (*ORDERS, ASK, None):
        yield Fault(f"{where} date_order", f"one of {', '.join(ORDERS)}", repr(sheet.date_order))
    if sheet.decimal not in (".", ",", ASK, None):
        yield Fault(f"{where} decimal", '"." or ","', repr(sheet.decimal))
    if not (sheet.year is None or sheet.year == ASK or isinstance(sheet.year, int)):
        yield Fault(f"{where} year", "a year, as 2026", repr(sheet.year))
    for column in sheet.fill_down:
        if column not in sheet.columns:
            yield Fault(f"{where} fill_down", "columns of this sheet", repr(column))
    if sheet.kind in (SKIP, ASK):
        return
    for name in sheet.always:
        try:
            target_said(name, sheet.kind)
        except ValueError as fault:
            yield Fault(f"{where} always", str(fault), repr(name))
    for name, word in sheet.words.items():
        if sheet.kind == "check" and word not in (*SIGNS, "none", ASK):
            yield Fault(f"{where} words {name!r}", f"a sign ({', '.join(SIGNS)}) or none", repr(word))


def _asks(sheet: SheetMap) -> Iterable[str]:
    """What a "?" in a sheet's map asks."""
    if sheet.kind == ASK:
        yield f'kind: what is this sheet about? One of {", ".join(SHEET_KINDS)}, or "{SKIP}"'
    if sheet.date_order == ASK:
        yield 'date_order: does the day or the month come first? "d/m/y" or "m/d/y"'
    if sheet.decimal == ASK:
        yield 'decimal: which mark stands before decimals? "." or ","'
    if sheet.year == ASK:
        yield "year: of which year are its dates?"
    for name, target in sheet.columns.items():
        if target is not None and target.unit == ASK:
            units = ", ".join(UNITS.get(sort_of(target.kind or sheet.kind, target.field), ()))
            yield f'column "{name}": in which unit is it? One of {units}'
    for group in ("always", "words"):
        for name, word in getattr(sheet, group).items():
            if word == ASK:
                yield f'{group} "{name}": which word holds here?'
