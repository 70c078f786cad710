"""A map proposed for files, guessed from headings and contents: a word on each guess, ``?`` where only growers know."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from statistics import median
from typing import Any, Final, Literal

from pinset.intake.cells import number_columns
from pinset.intake.dates import is_day, needs_order, order_shown, read_day
from pinset.intake.fields import DEFINED, choices, sort_of
from pinset.intake.guess import Codes, SheetGuess, guess_sheet
from pinset.intake.known import Known
from pinset.intake.map import ASK, SKIP, Map, SheetMap, Target, TrialMap, with_asks
from pinset.intake.numbers import Mark, marks_shown, marks_unsure, number_and_unit
from pinset.intake.problem import CannotRead
from pinset.intake.table import Cell, Table, Unread
from pinset.intake.words import is_one_of, meant, plain, stems

_BLANK_BELOW: Final = 0.3  # of the cells of a key column, from which on blanks repeat what stands above
_YEAR: Final = re.compile(r"\b(20\d\d)\b")
_FEW_WORDS: Final = 40  # different words in a column of signs that are worth listing


@dataclass(slots=True)
class _Draft:
    """One sheet on its way to its part of the map."""

    table: Table
    guess: SheetGuess | None
    columns: dict[str, Target | None]
    comments: dict[str, str]
    settings: dict[str, Any]


def propose(tables: Sequence[Table], known: Known | None = None, decimal: Mark | None = None) -> Map:
    """A map for some tables.

    ``known`` is what is on record: codes of batches and units tell columns apart. ``decimal`` is the mark that the farm
    writes before decimals.
    """
    known = known or Known()
    codes = Codes(frozenset(known.batches), frozenset(known.units))
    first = [_guessed(table, codes) for table in tables]
    codes = _with_batches(codes, first)
    found = [_guessed(table, codes) for table in tables]
    names = [table.sheet for table in tables]
    order = _order_of([draft for draft in found if draft.guess])
    first_day = _first_day(found)
    sheets = [_sheet(draft, names.count(draft.table.sheet) > 1, order, first_day) for draft in found]
    sheets = _with_marks(tables, sheets, decimal)
    return Map(tuple(map(with_asks, sheets)), _trial(found, known))


def _guessed(table: Table, codes: Codes) -> _Draft:
    guesses = guess_sheet(table, codes)
    draft = _Draft(table, guesses[0] if guesses else None, {}, {}, {})
    if draft.guess is not None:
        for name in table.columns:
            _column(draft, draft.guess, name)
    return draft


def _column(draft: _Draft, guess: SheetGuess, name: str) -> None:
    cells = draft.table.column(name)
    if not cells:
        return
    if name not in guess.columns:
        computed = all(isinstance(cell, Unread) for cell in cells)
        draft.columns[name] = None if computed else Target("remarks")
        draft.comments[f"column {name}"] = "not understood: kept as remarks; write the field it is, or skip"
        return
    target = guess.columns[name].target
    unit, comment = _unit(guess.kind, target, cells)
    draft.columns[name] = replace(target, unit=unit)
    if comment:
        draft.comments[f"column {name}"] = comment


def _unit(kind: str, target: Target, cells: list[Cell]) -> tuple[str, str]:
    """The unit of a column: the heading's; none where the cells have theirs; else asked, with what sizes suggest."""
    sort = sort_of(target.kind or kind, target.field)
    if target.unit or sort not in ("weight", "share", "span"):
        return target.unit, ""
    bare = [number for number, unit in _numbers(cells) if not unit]
    if not bare:
        return "", ""
    if sort == "share":
        return (
            ("%", "")
            if max(bare) > 1
            else ("fraction", "from 0 to 1")
            if any(0 < one < 1 for one in bare)
            else (ASK, "% or fraction?")
        )
    usual = median(bare)
    likely = ("kg" if usual < 20 else "g") if sort == "weight" else ("min" if usual > 12 else "h")
    return ASK, f"the heading names no unit; by the size of the numbers, about {usual:g}, perhaps {likely}"


def _numbers(cells: list[Cell]) -> Iterator[tuple[float, str]]:
    for cell in cells:
        try:
            number, unit = number_and_unit(cell, ".", "")
        except CannotRead:
            continue
        yield float(number), unit


def _with_batches(codes: Codes, drafts: Iterable[_Draft]) -> Codes:
    """The codes known, with those of the sheets of these files that make batches."""
    made = {
        str(cell) for draft in drafts if draft.guess and draft.guess.kind == "make"
        for name, guess in draft.guess.columns.items() if guess.target == Target("batch")
        for cell in draft.table.column(name)
    }  # fmt: skip
    return replace(codes, batches=codes.batches | made)


def _days(draft: _Draft) -> Iterator[list[Cell]]:
    for name, target in draft.columns.items():
        if target is not None and draft.guess and sort_of(target.kind or draft.guess.kind, target.field) == "day":
            yield draft.table.column(name)


def _order_of(drafts: Iterable[_Draft]) -> dict[str, Any]:
    """The order of day and month that each file proves, and, under "", the one that all files together do."""
    proved: dict[str, set[str]] = {"": set()}
    for draft in drafts:
        for cells in _days(draft):
            if (shown := order_shown(cells)) is not None:
                proved.setdefault(draft.table.file, set()).add(shown)
                proved[""].add(shown)
    return {file: next(iter(orders)) for file, orders in proved.items() if len(orders) == 1 and "both" not in orders}


def _first_day(drafts: Iterable[_Draft]) -> str:
    """The earliest day in all of the files, as far as it can be read without doubt."""
    found: list[date] = []
    for draft in drafts:
        for cells in _days(draft):
            order: Any = order_shown(cells)
            for cell in cells:
                try:
                    day = read_day(cell, None if order == "both" else order)
                except CannotRead:
                    continue
                found.append(day.date() if isinstance(day, datetime) else day)
    return min(found).isoformat() if found else ASK


def _sheet(draft: _Draft, ambiguous: bool, order: Mapping[str, Any], first_day: str) -> SheetMap:
    table = draft.table
    name = f"{table.file}: {table.sheet}" if ambiguous else table.sheet
    if draft.guess is None:
        comment = "not understood: say what it is about and which column says what, or leave it"
        return SheetMap(name, SKIP, dict.fromkeys(table.columns), comments={"kind": comment})
    _set_dates(draft, order)
    _set_fill_down(draft)
    _set_always(draft, first_day)
    return SheetMap(name, draft.guess.kind, draft.columns, comments=draft.comments, **draft.settings)


def _set_dates(draft: _Draft, order: Mapping[str, Any]) -> None:
    """The order of day and month where a date of the sheet needs one, and the year where dates have none."""
    cells = [cell for column in _days(draft) for cell in column]
    if needs_order(cells):
        shown = order_shown(cells)
        own = shown if shown != "both" else None
        found = own or order.get(draft.table.file) or order.get("")
        draft.settings["date_order"] = found or ASK
        draft.comments["date_order"] = _why_order(own, found)
    if any(_lacks_year(cell) for cell in cells):
        above = _YEAR.search(" ".join((draft.table.file, draft.table.sheet, *draft.table.remarks)))
        draft.settings["year"] = int(above[1]) if above else ASK
        draft.comments["year"] = "its dates name no year" + ("; this one stands in the file" if above else "")


def _why_order(own: str | None, found: str | None) -> str:
    if own:
        return "shown by a number above 12"
    return (
        "as in the other sheets; nothing here shows it" if found else "nothing shows whether day or month comes first"
    )


def _lacks_year(cell: Cell) -> bool:
    try:
        read_day(cell, "d/m/y")
    except CannotRead as fault:
        return "year" in fault.needed and is_day(cell)
    return False


def _set_fill_down(draft: _Draft) -> None:
    """Columns of keys that are filled in the first row of a group only."""
    down = []
    for name, target in draft.columns.items():
        if target is None or target.field not in ("at", "batch", "room", "lot") or target.kind:
            continue
        place = draft.table.columns.index(name)
        cells = [row.cells[place] for row in draft.table.rows]
        if (
            (target.field == "at" or not _has_finer(draft, target))
            and cells[0] is not None
            and sum(cell is None for cell in cells) > _BLANK_BELOW * len(cells)
        ):
            down.append(name)
    if down:
        draft.settings["fill_down"] = tuple(down)
        draft.comments["fill_down"] = "blank cells here mean what stands above them"


def _has_finer(draft: _Draft, target: Target) -> bool:
    """Whether another column may say what a blank one leaves open: units beside a batch, a batch beside a room."""
    return any(
        other is not None and other != target and other.field in ("unit", "batch") for other in draft.columns.values()
    )


def _set_always(draft: _Draft, first_day: str) -> None:
    """What holds for every row and stands in no column."""
    assert draft.guess is not None, "only guessed sheets come here"
    kind, said = draft.guess.kind, {target.field for target in draft.columns.values() if target and not target.kind}
    always: dict[str, str] = {}
    if "at" not in said:
        always["at"] = first_day if kind in DEFINED else ASK
        draft.comments["at"] = "the first day in these notes" if kind in DEFINED else "no column has a date"
    if kind == "make" and "container" not in said and (container := _container(draft)):
        always["container"] = container
    if kind == "treat" and "method" not in said:
        always["method"] = _method(draft)
    if kind == "cull" and "reason" not in said:
        always["reason"] = ASK
    if always:
        draft.settings["always"] = always
    if words := _words(draft):
        draft.settings["words"] = words


def _container(draft: _Draft) -> str | None:
    names = [name for name, target in draft.columns.items() if target and target.field in ("units", "fill")]
    words = [word for name in names for word in stems(name)]
    return next((found for word in words if (found := meant(word, "choices", "container"))), None)


def _method(draft: _Draft) -> str:
    words = [word for name in (*draft.table.columns, draft.table.sheet, *draft.table.remarks) for word in stems(name)]
    return next((found for word in words if (found := meant(word, "choices", "method"))), ASK)


def _words(draft: _Draft) -> dict[str, str]:
    """The grower's words for signs and choices, each with what it is taken for, or ``?``."""
    assert draft.guess is not None, "only guessed sheets come here"
    found: dict[str, str] = {}
    for name, target in draft.columns.items():
        sort = sort_of(target.kind or draft.guess.kind, target.field) if target else "text"
        if target is None or sort not in ("signs", "choice"):
            continue
        texts = list(dict.fromkeys(str(cell) for cell in draft.table.column(name)))
        for text in texts[:_FEW_WORDS]:
            word = meant(text, "signs") if sort == "signs" else _choice(draft.guess.kind, target, text)
            if word != text and not (word is None and sort == "signs" and _all_signs(text)):
                found[plain(text)] = word or ASK
    return found


def _choice(kind: str, target: Target, text: str) -> str | None:
    return text if text in choices(target.kind or kind, target.field) else meant(text, "choices", target.field)


def _all_signs(text: str) -> bool:
    pieces = [piece for piece in re.split(r"\s*[,;+&/]\s*|\s+(?:and|und|y|et)\s+", text) if piece]
    return all(meant(piece, "signs") is not None for piece in pieces)


def _with_marks(tables: Sequence[Table], sheets: Sequence[SheetMap], farm: Mark | None) -> list[SheetMap]:
    """The decimal mark named where a column alone cannot tell decimals from thousands."""
    proved: dict[str, set[Mark]] = {"": set()}
    for table, sheet in zip(tables, sheets, strict=True):
        shown = marks_shown(_number_cells(table, sheet))
        for place in (table.file, ""):
            proved.setdefault(place, set()).update(shown)
    return [_with_mark(table, sheet, proved, farm) for table, sheet in zip(tables, sheets, strict=True)]


def _number_cells(table: Table, sheet: SheetMap) -> list[Cell]:
    if sheet.kind == SKIP:
        return []
    return [cell for name in number_columns(table, sheet) for cell in table.column(name)]


def _with_mark(table: Table, sheet: SheetMap, proved: Mapping[str, set[Mark]], farm: Mark | None) -> SheetMap:
    cells = _number_cells(table, sheet)
    unsure = marks_unsure(cells)
    if not unsure or marks_shown(cells):
        return sheet
    elsewhere = next((marks for marks in (proved[table.file], proved[""]) if len(marks) == 1), None)
    found: Mark | Literal["?"] = "?"
    if elsewhere:
        found, why = next(iter(elsewhere)), "as other sheets show"
    elif table.delimiter == ";" and unsure == {","}:
        found, why = ",", "as files parted by semicolons have it"
    elif unsure == {farm}:
        found, why = next(iter(unsure)), "as this farm writes"
    else:
        why = "thousands or decimals?"
    return replace(sheet, decimal=found, comments={**sheet.comments, "decimal": why})


def _trial(drafts: Iterable[_Draft], known: Known) -> TrialMap | None:
    """The trial that a column of arms speaks of; its control where the record or a word of the arms says so.

    Its name holds nothing of the file's, so that a renamed file tells of the same trial.
    """
    for draft in drafts:
        for name, target in draft.columns.items():
            if target is not None and target.field == "arm":
                arms = list(dict.fromkeys(str(cell) for cell in draft.table.column(name)))
                return _known_trial(arms, known) or _new_trial(f"{name}, from {_first_day([draft])}", arms)
    return None


def _known_trial(arms: list[str], known: Known) -> TrialMap | None:
    for name, body in known.trials.items():
        trial = json.loads(body)
        if set(arms) & set(trial["arms"]):
            given_to = trial.get("given_to", "batch")
            return TrialMap(name, trial["control"], given_to, comment="as on record")
    return None


def _new_trial(name: str, arms: list[str]) -> TrialMap:
    control = next((arm for arm in arms if is_one_of(arm, "control")), ASK)
    return TrialMap(name, control, comment=f"Arms: {', '.join(arms[:12])}.")
