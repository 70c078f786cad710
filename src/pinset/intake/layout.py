"""Finding the heading of a sheet below its remarks, and the rows that are notes among sums and empty lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Final

from pinset.intake.table import Cell, Formula, Grid, Row, Skipped, Table, column_letter
from pinset.intake.words import is_one_of, plain, stems, vocabulary
from pinset.intake.workbook import no_result

_SEARCHED: Final = 40  # rows from the top among which the heading is looked for
_LEAST_KNOWN: Final = 2  # words known of a heading that are enough to tell it
_OWN_COLUMN: Final = 0.3  # of the rows with a cell beyond the heading: then it is a column without a name
_SUMS: Final = re.compile(r"^=\s*[A-Z]*\(?(SUM|SUBTOTAL|AVERAGE|SUMME|MITTELWERT|SUMA|SOMME)\(", re.IGNORECASE)
_VALUE: Final = re.compile(r"^[-+]?\d[\d.,'/: -]*\S{0,3}$")

Line = tuple[int, Sequence[Cell]]


def laid_out(grid: Grid, headings: frozenset[str] = frozenset()) -> Table | None:
    """The table in a grid, or None where there are no rows below a heading.

    ``headings`` are column names that a map gives: a row with one of them is taken for the heading before any guess.
    """
    place = _heading(grid.rows, {plain(name) for name in headings})
    above = grid.rows[: max(place, 0)]
    heading = grid.rows[place] if place >= 0 else (0, ())
    rows = grid.rows[place + 1 :]
    columns = _columns(heading[1], rows, keep_spill=bool(grid.delimiter) and place >= 0)
    if not columns or not rows:
        return None
    table = Table(grid.file, grid.sheet, columns, [], heading[0], _remarks(above), [], grid.delimiter)
    _fill(table, rows, heading[1])
    return table if table.rows else None


def _heading(rows: Sequence[Line], wanted: set[str]) -> int:
    """The place of the heading among the rows, or -1 where the data begin at once."""
    top = rows[:_SEARCHED]
    mapped = [sum(plain(cell) in wanted for cell in cells if isinstance(cell, str)) for _, cells in top]
    if max(mapped, default=0) > 0:
        return mapped.index(max(mapped))
    known = [heading_words(cells) for _, cells in top]
    if max(known, default=0) >= _LEAST_KNOWN:
        return known.index(max(known))
    return next((n for n, (_, cells) in enumerate(top) if _looks_like_heading(cells, rows[n + 1 :])), -1)


def heading_words(cells: Sequence[Cell]) -> int:
    """How many cells of a row are known words of headings; a row that holds a value is none."""
    texts = [cell for cell in cells if cell is not None]
    if len(texts) < 2 or any(not isinstance(cell, str) or _VALUE.match(cell) for cell in texts):
        return 0
    return sum(_is_heading_word(str(cell)) for cell in texts)


def _is_heading_word(text: str) -> bool:
    words = stems(text)
    return len(words) <= 5 and any(
        " ".join(words[start:end]) in _heading_words()
        for start in range(len(words)) for end in range(start + 1, len(words) + 1)
    )  # fmt: skip


@cache
def _heading_words() -> frozenset[str]:
    spellings = [word for kind in vocabulary()["columns"].values() for words in kind.values() for word in words]
    return frozenset(" ".join(stems(word)) for word in spellings) | {"kg", "g", "lb", "oz", "%", "°c", "°f"}


def _looks_like_heading(cells: Sequence[Cell], below: Sequence[Line]) -> bool:
    """Text in every cell, as wide as what follows, and something other than text below it."""
    filled = [cell for cell in cells if cell is not None]
    if len(filled) < 2 or any(not isinstance(cell, str) or _VALUE.match(cell) for cell in filled):
        return False
    width = Counter(sum(cell is not None for cell in row) for _, row in below[:_SEARCHED]).most_common(1)
    is_value = any(not isinstance(c, str) or _VALUE.match(c) for _, row in below[:5] for c in row if c is not None)
    return bool(width) and len(filled) >= width[0][0] and is_value


def _columns(heading: Sequence[Cell], rows: Sequence[Line], keep_spill: bool) -> tuple[str, ...]:
    widest = max((len(cells) for _, cells in rows), default=0)
    width = max(len(heading), widest)
    if keep_spill and len(heading) < widest:
        beyond = sum(len(cells) > len(heading) for _, cells in rows)
        width = width if beyond > _OWN_COLUMN * len(rows) else len(heading)
    names: list[str] = []
    for place in range(width):
        cell = heading[place] if place < len(heading) else None
        name = " ".join(str(cell).split()) if cell is not None else f"column {column_letter(place)}"
        again = sum(each == name or each.startswith(f"{name} (") for each in names)
        names.append(f"{name} ({again + 1})" if name in names else name)
    return tuple(names)


def _remarks(rows: Sequence[Line]) -> tuple[str, ...]:
    return tuple(str(cell) for _, cells in rows for cell in cells if isinstance(cell, str))


def _fill(table: Table, rows: Sequence[Line], heading: Sequence[Cell]) -> None:
    width, above = len(table.columns), tuple[Cell, ...]([None] * len(table.columns))
    for number, cells in rows:
        if (why := _no_note(cells, heading)) is not None:
            table.skipped.append(Skipped(number, why))
            continue
        said = tuple(_settled(cells, above, width))
        above = said
        table.rows.append(Row(number, said, any(cell is not None for cell in cells[width:])))


def _no_note(cells: Sequence[Cell], heading: Sequence[Cell]) -> str | None:
    filled = [cell for cell in cells if cell is not None]
    first = filled[0]
    if isinstance(first, str) and _is_total(first):
        return "a row of sums"
    sums = [isinstance(cell, Formula) and _SUMS.match(cell.text) is not None for cell in filled]
    if all(sums):
        return "a row of sums"
    if heading and [*cells] == [*heading]:
        return "the heading again"
    return None


def _is_total(text: str) -> bool:
    words = plain(text).split()
    return bool(words) and len(words) <= 3 and (is_one_of(text, "total") or is_one_of(words[0], "total"))


def _settled(cells: Sequence[Cell], above: tuple[Cell, ...], width: int) -> Iterator[Cell]:
    """A row as wide as the heading; a ditto mark says what stands above it, a formula what it came to."""
    for place in range(width):
        cell = cells[place] if place < len(cells) else None
        if isinstance(cell, Formula):
            yield cell.result if cell.result is not None else no_result(cell)
        elif isinstance(cell, str) and len(cell) <= 5 and above[place] is not None and is_one_of(cell, "ditto"):
            yield above[place]
        else:
            yield cell
