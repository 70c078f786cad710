"""Guessing what a sheet is about and what its columns say, from their words and from what stands in them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Final, NamedTuple

from pinset.intake import numbers
from pinset.intake.dates import is_day, read_clock
from pinset.intake.fields import DEFINED, Sort, choices, fields, sort_of
from pinset.intake.map import UNITS, Target
from pinset.intake.problem import CannotRead
from pinset.intake.table import Cell, Table, Unread
from pinset.intake.words import meant, stems, unit_meant, vocabulary

_SAMPLE: Final = 400  # cells of a column that are enough to tell what it holds
_MOST_SAY: Final = 0.6  # of the cells have to read as a field's sort of value
_SAME, _WITHIN, _COMPOUND, _BARE = 10.0, 6.0, 4.0, 7.0  # how far a heading speaks for a field
_OWN_KIND: Final = 1.0  # a word listed for this kind of sheet says more than one that any sheet may have
_KNOWN_CODE: Final = 8.0
_SHEET_NAME: Final = 9.0
_REMARK: Final = 4.0
_UNASSIGNED: Final = 2.5
_LEAST: Final = 3.0
_FLUSH: Final = re.compile(
    r"\b(?:flush|break|welle|oleada|volee|florada|f)\s*([1-9])\b|\b([1-9])(?:st|nd|rd|th|\.|a|e|er)\s+(?:flush|break|welle|oleada|volee)\b"
)


@dataclass(frozen=True, slots=True)
class Codes:
    """Codes that are known to be batches or units, from the record and from other sheets of the same files."""

    batches: frozenset[str] = frozenset()
    units: frozenset[str] = frozenset()


class Guess(NamedTuple):
    """What a column is taken for, and how sure that is."""

    target: Target
    score: float


@dataclass(slots=True)
class SheetGuess:
    """What a sheet is taken for."""

    kind: str
    score: float
    columns: dict[str, Guess] = field(default_factory=dict)


class Heading(NamedTuple):
    """A column's name, taken apart: its words without their unit, the unit, the number of a flush."""

    words: tuple[str, ...]
    unit: str
    flush: int


@lru_cache(maxsize=5_000)
def heading(name: str) -> Heading:
    """A column's name, taken apart.

    >>> heading("Weight (kg)"), heading("Cost per kg").words
    (Heading(words=('weight',), unit='kg', flush=0), ('cost', 'per', 'kg'))
    >>> heading("% run"), heading("Flush 2 kg")
    (Heading(words=('run',), unit='%', flush=0), Heading(words=(), unit='kg', flush=2))
    """
    said = re.sub(r"\s*/\s*(kg|bag|block|unit)\b", r" per \1", name, flags=re.IGNORECASE)
    words, unit, flush = list(stems(said)), "", 0
    if found := _FLUSH.search(" ".join(words)):
        flush = int(found[1] or found[2])
        words = (" ".join(words)[: found.start()] + " ".join(words)[found.end() :]).split()
    for place, word in enumerate(words):
        known = unit_meant(word)
        if known in _units() and (place == 0 or words[place - 1] not in ("per", "je", "por", "par", "pro", "au")):
            unit = unit or known
            words[place] = ""
    kept = tuple(word for word in words if word)
    # "hours" alone is what the column is about and its unit at once
    return Heading(kept or (stems(said) if unit in ("h", "min") else ()), unit, flush)


@cache
def _units() -> frozenset[str]:
    """Units that stand in headings; "t" and "day" are more often something else there."""
    return frozenset(unit for sort in ("weight", "share", "celsius", "span") for unit in UNITS[sort]) - {
        "fraction",
        "t",
        "d",
    }


def guess_sheet(table: Table, codes: Codes) -> list[SheetGuess]:
    """What a sheet may be about, the likeliest first; empty where no kind has all that it needs."""
    samples = {name: table.column(name)[:_SAMPLE] for name in table.columns}
    found = [guess for kind in vocabulary()["needs"] if (guess := _as_kind(kind, table, samples, codes)) is not None]
    return sorted(found, key=lambda guess: -guess.score)


def _as_kind(kind: str, table: Table, samples: Mapping[str, list[Cell]], codes: Codes) -> SheetGuess | None:
    guess = SheetGuess(kind, 0.0, _assigned(kind, samples, codes))
    said = {one.target.field for one in guess.columns.values() if not one.target.kind}
    if not all(any(name in said for name in group) for group in vocabulary()["needs"][kind]):
        return None
    unassigned = sum(bool(cells) and name not in guess.columns for name, cells in samples.items())
    guess.score = sum(one.score for one in guess.columns.values()) - _UNASSIGNED * unassigned + _named(kind, table)
    return guess


def _named(kind: str, table: Table) -> float:
    """What the sheet's own name, and the remarks above its heading, say for a kind."""
    words = [stems(word) for word in vocabulary()["sheets"].get(kind, ())]
    name = stems(table.sheet)
    if any(_within(word, name) for word in words):
        return _SHEET_NAME
    return _REMARK if any(_within(word, stems(remark)) for word in words for remark in table.remarks) else 0.0


def _within(part: Sequence[str], whole: Sequence[str]) -> bool:
    width = len(part)
    return width > 0 and any(tuple(whole[at : at + width]) == tuple(part) for at in range(len(whole) - width + 1))


def _assigned(kind: str, samples: Mapping[str, list[Cell]], codes: Codes) -> dict[str, Guess]:
    """Each column with its best field, each field once (once a flush), the surest pair first."""
    pairs = [
        (guess.score, place, name, guess.target)
        for place, (name, cells) in enumerate(samples.items())
        for guess in _candidates(kind, name, cells, codes)
    ]
    found: dict[str, Guess] = {}
    given: set[tuple[str, str, int]] = set()
    for score, _, name, target in sorted(pairs, key=lambda pair: (-pair[0], pair[1])):
        key = (target.kind, target.field, target.flush)
        if name not in found and (key not in given or target.field == "remarks"):
            found[name] = Guess(target, score)
            given.add(key)
    return found


def _candidates(kind: str, name: str, cells: list[Cell], codes: Codes) -> Iterable[Guess]:
    said = heading(name)
    for target_name, spellings in _spellings(kind).items():
        own_kind, field_name = _split(kind, target_name)
        sort = sort_of(own_kind or kind, field_name)
        score = max(_speaks(said, word) + own for word, own in spellings)
        if said.flush and field_name not in ("weight", "at", "grade"):
            continue
        if score < _LEAST or not _unit_fits(said.unit, sort):
            continue
        score += _contents(own_kind or kind, field_name, sort, cells, codes)
        if score >= _LEAST:
            unit = said.unit if said.unit in UNITS.get(sort, ()) else ""
            yield Guess(Target(field_name, unit, own_kind, said.flush), score)


@cache
def _spellings(kind: str) -> dict[str, list[tuple[str, float]]]:
    """The words for each field of a kind of sheet, each with what its being the kind's own adds."""
    columns = vocabulary()["columns"]
    known = set(fields(kind))
    found: dict[str, list[tuple[str, float]]] = {}
    for group, own in (("any", 0.0), (kind, _OWN_KIND)):
        for name, words in columns.get(group, {}).items():
            if group == kind or name in known:
                found.setdefault(name, []).extend((word, own) for word in words)
    return found


def _split(kind: str, name: str) -> tuple[str, str]:
    if name in fields(kind):
        return "", name
    own_kind, _, field_name = name.partition(" ")
    return own_kind, field_name


@lru_cache(maxsize=50_000)
def _speaks(said: Heading, spelling: str) -> float:
    """How far a heading speaks for a field that goes by this spelling."""
    if spelling == "*":
        return _BARE if not said.words and said.unit else 0.0
    wanted = stems(spelling)
    if said.words == wanted:
        return _SAME
    if _within(wanted, said.words):
        return _WITHIN + len(wanted) - 0.5 * len(said.words)
    if len(wanted) == 1 and len(wanted[0]) >= 5 and any(
        word.endswith(wanted[0]) or word.startswith(wanted[0]) for word in said.words
    ):  # fmt: skip
        return _COMPOUND
    return 0.0


def _unit_fits(unit: str, sort: Sort) -> bool:
    return not unit or unit in UNITS.get(sort, ()) or sort in ("text", "money", "decimal")


def _contents(kind: str, name: str, sort: Sort, cells: list[Cell], codes: Codes) -> float:
    """What stands in a column, for or against a field: enough against it that no heading outweighs it."""
    if not cells:
        return -1.0
    share = sum(_reads(kind, name, sort, cell) for cell in cells) / len(cells)
    if share < _MOST_SAY:
        return -99.0
    bonus = 4.0 if sort in ("day", "choice", "signs", "parts") else 1.0
    if name in ("unit", "batch") and kind not in DEFINED:
        bonus += _code_bonus(name, cells, codes)
    return bonus * share


def _code_bonus(name: str, cells: list[Cell], codes: Codes) -> float:
    texts = {str(cell) for cell in cells}
    batches = sum(text in codes.batches for text in texts) / len(texts)
    units = sum(text in codes.units or _unit_of(text, codes.batches) for text in texts) / len(texts)
    for_it, against = (units, batches) if name == "unit" else (batches, units)
    return _KNOWN_CODE * (for_it - against) if max(for_it, against) > _MOST_SAY else 0.0


def _unit_of(text: str, batches: frozenset[str]) -> bool:
    """Whether a code is that of a batch with a unit's number behind it."""
    head = re.sub(r"[\s/_.-]*\d{1,3}$", "", text)
    return head != text and head in batches


_READ: Final[dict[Sort, Callable[[Cell], object]]] = {
    "weight": lambda cell: numbers.read_weight(_unsigned(cell), "kg", "."),
    "money": lambda cell: numbers.read_money(cell, 2, "."),
    "share": lambda cell: numbers.number_and_unit(cell, ".", ""),
    "celsius": lambda cell: numbers.read_celsius(cell, "°c", "."),
    "span": lambda cell: numbers.read_span(cell, "min", "."),
    "whole": lambda cell: numbers.read_whole(cell, "", "."),
    "decimal": lambda cell: numbers.read_decimal(cell, "", "."),
    "clock": read_clock,
}


def _unsigned(cell: Cell) -> Cell:
    return abs(cell) if isinstance(cell, int | float) else cell


def _reads(kind: str, name: str, sort: Sort, cell: Cell) -> bool:
    if isinstance(cell, Unread):
        return False
    if sort == "day":
        return is_day(cell)
    if sort == "choice":
        return str(cell) in choices(kind, name) or meant(str(cell), "choices", name) is not None
    if sort in ("signs", "flag", "parts"):
        return (
            isinstance(cell, str | bool)
            and not _is_number(cell)
            and (sort != "parts" or any(s.isdigit() for s in str(cell)))
        )
    if sort in ("text", "codes", "lots"):
        return not _is_wordless(cell, name)
    try:
        _READ[sort](cell)
    except CannotRead:
        return False
    return True


def _is_number(cell: Cell) -> bool:
    try:
        numbers.number_and_unit(cell, ".", "")
    except CannotRead:
        return False
    return True


def _is_wordless(cell: Cell, name: str) -> bool:
    """Whether a cell cannot be a name or a code: a day, or a number with decimals; only codes may be whole numbers."""
    if isinstance(cell, str):
        return is_day(cell) or (_is_number(cell) and not cell.strip().isdigit())
    return not (isinstance(cell, int) or (isinstance(cell, float) and cell.is_integer())) or name in (
        "remarks",
        "to",
        "arm",
    )
