"""The terminal's view of an answer."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from pinset.faces import screen
from pinset.questions.answer import Answer
from tests.faces import answers


def shown(answer: Answer, width: int = 80) -> list[str]:
    return screen.text(answer, width).splitlines()


@pytest.mark.parametrize("make", answers.ALL, ids=lambda make: make.__name__)
@pytest.mark.parametrize("width", [60, 80, 100])
def test_no_line_is_wider_than_the_terminal(make: object, width: int) -> None:
    assert callable(make)
    lines = shown(make(), width)
    unbroken = max(map(len, answers.UNSAFE.split()))
    assert max(map(len, lines)) <= width + (unbroken if make is answers.unsafe else 0)


def test_the_sentence_comes_first_and_the_basis_last() -> None:
    text = screen.text(answers.verdict())
    order = ["Bran at 5 %", "Leaning: the notes point this way.", "Straw alone (control)", "What each arm gave",
             "Take care", "To know more", "Stands on"]  # fmt: skip
    places = [text.index(each) for each in order]
    assert places == sorted(places)


def test_figures_show_unit_interval_count_and_how() -> None:
    lines = shown(answers.verdict())
    control = next(line for line in lines if line.startswith("Straw alone (control)  "))
    parts = [part.strip() for part in control.split("  ") if part.strip()]
    assert [parts[1], parts[2], parts[-1]] == ["21.4\xa0%", "18.9 to 23.9", "from 10"]
    assert sum("picked over wet substrate" in line for line in lines) == 1


def test_intervals_that_can_be_compared_are_drawn_on_one_scale() -> None:
    drawn = {
        line[:18].strip(): (line.index("─"), line.index("●"), line.rindex("─"))
        for line in shown(answers.verdict())
        if "─●" in line
    }
    assert len(drawn) == 4
    starts, points, ends = zip(*drawn.values(), strict=True)
    assert min(starts) == drawn["Straw, lime soaked"][0]
    assert max(ends) == drawn["Straw, 10 % bran"][2]
    assert [*map(int, points)] != sorted(points)
    assert all(start < point < end for start, point, end in drawn.values())


def test_a_long_table_is_cut_and_says_so() -> None:
    text = screen.text(answers.long())
    assert f"B{screen.MOST_ROWS:03d}" in text
    assert f"B{screen.MOST_ROWS + 1:03d}" not in text
    assert "and 48 rows more: --json or --page FILE" in text


def test_a_wide_table_keeps_its_first_columns_and_says_what_is_left_out() -> None:
    from pinset.questions.answer import Column, Table

    wide = Table("wide", "Wide", tuple(Column(f"quantity {n}") for n in range(30)), (tuple(range(1000, 1030)),))
    lines = [line for part in screen._table(wide, ".", 80) for line in _printed(part)]
    assert max(map(len, lines)) <= 80
    assert "quantity 0" in " ".join(" ".join(lines).split()) or lines[1].startswith("quantity")
    assert lines[-1].endswith("columns more: --json or --page FILE")


def _printed(part: object) -> list[str]:
    console = Console(file=io.StringIO(), width=80)
    console.print(part)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_a_terminal_without_such_signs_gets_plain_ones() -> None:
    raw = io.BytesIO()
    console = Console(file=io.TextIOWrapper(raw, encoding="ascii", errors="backslashreplace"), width=80)
    screen.show(answers.long(), console)
    console.file.flush()
    text = raw.getvalue().decode("ascii")
    assert "Settled: the notes carry this" in text
    assert "\\u25cf" not in text


def test_the_decimal_mark_is_the_farms() -> None:
    assert "21,4\xa0%  18,9 to 23,9" in screen.text(answers.verdict(), mark=",")


def test_markup_is_shown_as_it_was_typed() -> None:
    from dataclasses import replace

    answer = replace(answers.nothing(), headline="[bold]not bold[/bold] :bug:")
    assert "[bold]not bold[/bold] :bug:" in screen.text(answer)
