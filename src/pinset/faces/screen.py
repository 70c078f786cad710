"""An answer as text for a terminal of 80 columns: the sentence first, then what carries it."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Final

from pinset.faces import words
from pinset.questions.answer import Answer, Figure, StandingWord, Table

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.table import Table as Grid

WIDTH: Final = 80
MOST_ROWS: Final = 12
PICTURE: Final = 17
_SHAPES: Final[dict[StandingWord, str]] = {"settled": "●", "leaning": "◐", "open": "○"}


@dataclass(frozen=True, slots=True)
class Signs:
    """The signs a terminal can draw."""

    line: str = "─"
    point: str = "●"
    dash: str = "•"
    plain: bool = False

    def shape(self, standing: StandingWord) -> str:
        """The sign before a standing; its word follows it."""
        return "" if self.plain else f"{_SHAPES[standing]} "


PLAIN: Final = Signs("-", "o", "-", plain=True)


def text(answer: Answer, width: int = WIDTH, mark: str = ".") -> str:
    """The answer as plain text."""
    from rich.console import Console

    console = Console(file=io.StringIO(), width=width, color_system=None, legacy_windows=False)
    show(answer, console, mark)
    assert isinstance(console.file, io.StringIO)
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines()) + "\n"


def show(answer: Answer, console: Console, mark: str = ".") -> None:
    """Print the answer on a terminal."""
    signs = PLAIN if console.options.ascii_only else Signs()
    for part in _parts(answer, signs, mark, console.width):
        console.print(part, soft_wrap=False)


def _parts(answer: Answer, signs: Signs, mark: str, width: int) -> Iterator[RenderableType]:
    from rich.text import Text

    options = f"  ({words.options_said(answer.options)})" if answer.options else ""
    yield Text(words.capital(answer.asks) + options, style="dim")
    yield Text()
    yield Text(answer.headline, style="bold")
    yield Text()
    yield _hanging([(signs.shape(answer.standing.word), words.standing(answer.standing))])
    if answer.figures:
        yield Text()
        yield from _figures(answer.figures, signs, mark, width)
    for table in answer.tables:
        yield from _table(table, mark, width)
    yield from _said("Take care", answer.cautions, signs)
    yield from _said("To know more", answer.next, signs)
    yield from _said("Stands on", words.stands_on(answer.basis), signs, "dim")


def _hanging(lines: Iterable[tuple[str, str]], style: str = "") -> Grid:
    """Lines that hang behind their sign."""
    from rich.table import Table as Grid
    from rich.text import Text

    grid = Grid.grid(padding=(0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for sign, line in lines:
        grid.add_row(Text(sign, style=style), Text(line, style=style))
    return grid


def _said(title: str, lines: Iterable[str], signs: Signs, style: str = "") -> Iterator[RenderableType]:
    from rich.text import Text

    said = [line for line in lines if line]
    if said:
        yield Text()
        yield Text(title, style=f"{style} underline".strip() if not signs.plain else style)
        yield _hanging([(f"{signs.dash} ", line) for line in said], style)


def _figures(figures: tuple[Figure, ...], signs: Signs, mark: str, width: int) -> Iterator[RenderableType]:
    from rich.text import Text

    lines: list[tuple[str, ...]] = []
    hows: list[str] = []
    for (_, how), alike in groupby(figures, key=lambda figure: (figure.unit, figure.how)):
        together = list(alike)
        for figure, picture in zip(together, _pictures(together, signs), strict=True):
            said = (words.value(figure, mark), words.interval(figure, mark), picture, words.from_count(figure))
            lines.append((figure.name, *said))
        hows += [""] * (len(together) - 1) + [how]
    for line, how in zip(_in_columns(lines, width), hows, strict=True):
        yield Text(line)
        if how:
            yield Text(fill(how, width, initial_indent="  ", subsequent_indent="  "), style="dim")


def _in_columns(lines: list[tuple[str, ...]], width: int) -> Iterator[str]:
    """Lines of name, value, interval, picture and count, set in columns; a long name is wrapped."""
    wide = [max(len(line[n]) for line in lines) for n in range(5)]
    room = max(12, min(wide[0], width - sum(each + 2 for each in wide[1:] if each)))
    for name, value, *doubt in lines:
        *above, last = wrap(name, room) or [""]
        behind = "  ".join(f"{text:<{wide[n]}}" for n, text in enumerate(doubt, 2))
        yield "\n".join([*above, f"{last:<{room}}  {value:>{wide[1]}}  {behind}".rstrip()])


def _pictures(figures: list[Figure], signs: Signs) -> list[str]:
    """The figures' intervals on one scale, where there are several to compare."""
    known = [(f.low, f.value, f.high) for f in figures if None not in (f.low, f.value, f.high)]
    if len(known) < 2:
        return [""] * len(figures)
    low, high = min(one[0] for one in known if one[0] is not None), max(one[2] for one in known if one[2] is not None)
    return [_picture(figure, low, high, signs) for figure in figures]


def _picture(figure: Figure, low: float, high: float, signs: Signs) -> str:
    if figure.low is None or figure.value is None or figure.high is None or high <= low:
        return ""
    start, middle, end = (
        round((each - low) / (high - low) * (PICTURE - 1)) for each in (figure.low, figure.value, figure.high)
    )
    drawn = [signs.line if start <= n <= end else " " for n in range(PICTURE)]
    drawn[middle] = signs.point
    return "".join(drawn)


def _table(table: Table, mark: str, width: int) -> Iterator[RenderableType]:
    from rich.table import Table as Grid
    from rich.text import Text

    yield Text()
    yield Text(table.title, style="underline")
    headings = [f"{column.name}\n{column.unit}".rstrip("\n") for column in table.columns]
    cells = [
        [words.cell(content, column, mark) for content, column in zip(row, table.columns, strict=True)]
        for row in table.rows[:MOST_ROWS]
    ]
    numeric = [words.is_number(n, table.rows) for n in range(len(headings))]
    gap, widths = _fitted(headings, cells, numeric, width)
    grid = Grid(box=None, padding=(0, gap, 0, 0), header_style="dim", show_edge=False, pad_edge=False)
    for heading, flush_right, wide in zip(headings, numeric, widths, strict=False):
        grid.add_column(Text(heading), justify="right" if flush_right else "left", width=wide, overflow="fold")
    for row in cells:
        grid.add_row(*(Text(content) for content in row[: len(widths)]))
    yield grid
    left_out = {"rows": len(table.rows) - MOST_ROWS, "columns": len(headings) - len(widths)}
    if hidden := [words.counted(count, what) for what, count in left_out.items() if count > 0]:
        yield Text(f"and {' and '.join(hidden)} more: --json or --page FILE", style="dim")


def _fitted(headings: list[str], cells: list[list[str]], numeric: list[bool], width: int) -> tuple[int, list[int]]:
    """The gap between columns and the width of each: text is wrapped first, then columns are left out from the end."""
    words_in = [max(map(len, heading.split())) for heading in headings]
    widest = [max([word, *(len(row[n]) for row in cells)]) for n, word in enumerate(words_in)]
    narrow = [
        wide if numeric[n] else max([words_in[n], *(len(word) for row in cells for word in row[n].split())])
        for n, wide in enumerate(widest)
    ]
    for gap in (2, 1):
        room = width - gap * (len(headings) - 1) - sum(narrow)
        if room >= 0:
            return gap, _widened(narrow, widest, room)
    shown = len(headings)
    while shown > 1 and sum(narrow[:shown]) + shown - 1 > width:
        shown -= 1
    return 1, narrow[:shown]


def _widened(narrow: list[int], widest: list[int], room: int) -> list[int]:
    """Give the room that is left to the columns that can use it, the first ones first."""
    widths = []
    for least, most in zip(narrow, widest, strict=True):
        more = min(room, most - least)
        widths.append(least + more)
        room -= more
    return widths
