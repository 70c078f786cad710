"""The heading is found below remarks, sums are no notes, and every other row comes through."""

from __future__ import annotations

import pytest

from pinset.intake.layout import laid_out
from pinset.intake.table import Cell, Formula, Grid, Table, Unread


def table(*lines: list[Cell], headings: frozenset[str] = frozenset(), delimiter: str = "") -> Table:
    rows = [(number, line) for number, line in enumerate(lines, 1) if any(cell is not None for cell in line)]
    found = laid_out(Grid("notes.xlsx", "Sheet", rows, delimiter), headings)
    assert found is not None
    return found


HEADING: list[Cell] = ["Picked", "Block", "Flush", "Weight kg"]
NOTE: list[Cell] = ["2026-03-27", "KB001-01", 1, 0.328]


@pytest.mark.parametrize(
    "above",
    [
        [],
        [["weights off the bench scale"], []],
        [["Farm notes 2026"], ["written by", "Ana"], ["scale no. 3, checked in March"], []],
        [["Block", "means a bag of 2.2 kg"], []],
    ],
)
def test_the_heading_is_found_below_remarks(above: list[list[Cell]]) -> None:
    found = table(*above, HEADING, NOTE)
    assert found.columns == tuple(HEADING)
    assert found.header_row == len(above) + 1
    assert [row.cells for row in found.rows] == [tuple(NOTE)]
    assert found.rows[0].number == len(above) + 2
    assert found.remarks == tuple(str(cell) for line in above for cell in line)


def test_a_heading_in_an_unknown_tongue_is_found_by_its_shape() -> None:
    found = table(["muistiinpanoja"], [], ["päivä", "pussi", "paino"], ["2026-03-27", "KB001-01", 0.328])
    assert found.columns == ("päivä", "pussi", "paino")


def test_a_map_knows_its_heading() -> None:
    lines: list[list[Cell]] = [["one", "two"], ["päivä", "pussi"], ["a", "b"]]
    assert table(*lines, headings=frozenset({"Päivä", "PUSSI"})).columns == ("päivä", "pussi")


def test_notes_without_a_heading_are_kept_under_letters() -> None:
    found = table(NOTE, NOTE)
    assert found.columns == ("column A", "column B", "column C", "column D")
    assert len(found.rows) == 2
    assert found.header_row == 0


@pytest.mark.parametrize(
    "line",
    [
        ["TOTAL", None, None, 12.5],
        ["Total kg", None, None, 12.5],
        ["Summe:", None, None, "12,5"],
        [None, None, "Somme", 12.5],
        ["average", None, None, 0.3],
        [None, None, None, Formula("=SUM(D2:D9)", 12.5)],
        [None, None, Formula("=SUBTOTAL(9,C2:C9)", 3), Formula("=AVERAGE(D2:D9)", 0.3)],
    ],
)
def test_sums_are_no_notes_and_are_named_as_skipped(line: list[Cell]) -> None:
    found = table(HEADING, NOTE, [], line)
    assert [row.cells for row in found.rows] == [tuple(NOTE)]
    assert found.skipped == [(4, "a row of sums")]


def test_a_sum_in_a_note_is_a_weight() -> None:
    """Two baskets added up in one cell are one pick, not a row of sums."""
    found = table(HEADING, ["2026-03-27", "KB001-01", 1, Formula("=SUM(0.2,0.128)", 0.328)])
    assert found.rows[0].cells == tuple(NOTE)
    assert found.skipped == []


def test_words_that_only_begin_like_a_sum_are_notes() -> None:
    assert len(table(HEADING, NOTE, ["Totally new day", "KB001-02", 1, 0.2]).rows) == 2


def test_a_heading_written_again_is_skipped() -> None:
    found = table(HEADING, NOTE, HEADING, NOTE)
    assert len(found.rows) == 2
    assert found.skipped == [(3, "the heading again")]


def test_ditto_marks_say_what_stands_above() -> None:
    found = table(HEADING, NOTE, ['"', "KB001-02", "dto.", 0.2], ["〃", "KB001-03", '"', 0.3])
    assert [row.cells[0] for row in found.rows] == ["2026-03-27"] * 3
    assert [row.cells[2] for row in found.rows] == [1] * 3


def test_a_formula_without_its_result_is_told_as_such() -> None:
    found = table(HEADING, ["2026-03-27", "KB001-01", 1, Formula("=D1*2", None)])
    cell = found.rows[0].cells[3]
    assert isinstance(cell, Unread)
    assert "save it" in cell.mend


def test_columns_of_one_name_are_told_apart() -> None:
    found = table(["Date", "kg", "kg", None, "kg"], ["2026-03-27", 1, 2, 3, 4])
    assert found.columns == ("Date", "kg", "kg (2)", "column D", "kg (3)")


def test_a_text_row_with_too_many_cells_is_marked() -> None:
    """A decimal comma without quote marks, in a file parted by commas, moves every cell behind it."""
    lines: list[list[Cell]] = [["2026-03-27", "KB001-01", "1", "0.3"] for _ in range(9)]
    found = table(HEADING, *lines, ["2026-03-27", "KB001-01", "1", "0", "328"], delimiter=",")
    assert [row.spill for row in found.rows] == [False] * 9 + [True]
    assert found.columns == tuple(HEADING)


def test_short_rows_are_filled_up() -> None:
    assert table(HEADING, ["2026-03-27", "KB001-01"]).rows[0].cells == ("2026-03-27", "KB001-01", None, None)


def test_a_heading_alone_is_no_table() -> None:
    assert laid_out(Grid("notes.xlsx", "Sheet", [(1, HEADING)])) is None
    assert laid_out(Grid("notes.xlsx", "Sheet", [(1, HEADING), (3, ["TOTAL"])])) is None
