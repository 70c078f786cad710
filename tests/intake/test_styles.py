"""In whatever hand the notes are written, what they truly say comes back, to the milligram and the day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pinset.intake.desk import tables_in
from pinset.intake.numbers import Mark
from pinset.intake.take import Taking
from tests.intake import messy
from tests.intake.messy import Notes, Style
from tests.intake.road import FARM, taken, told

MARKS: st.SearchStrategy[Mark] = st.sampled_from((".", ","))
ENCODINGS = ("utf-8", "utf-8-sig", "cp1252", "utf-16", "mac_roman", "cp850")


@st.composite
def styles(draw: st.DrawFn) -> Style:
    workbook = draw(st.booleans())
    decimal = draw(MARKS)
    delimiters = (";", "\t", "|") if decimal == "," else (",", ";", "\t", "|")
    return Style(
        language=draw(st.sampled_from(("en", "de", "es", "fr"))),
        workbook=workbook,
        delimiter=draw(st.sampled_from(delimiters)),
        encoding=draw(st.sampled_from(ENCODINGS)),
        decimal=decimal,
        dates=draw(st.sampled_from(("iso", "d/m/y", "m/d/y", "d.m.yy", "words", "real", "mixed"))),
        unit=draw(st.sampled_from(("kg", "g", "lb", "oz"))),
        unit_in_cells=draw(st.booleans()),
        remarks_above=draw(st.integers(0, 3)),
        total=draw(st.booleans()),
        blank_lines=draw(st.booleans()),
        number_cells=draw(st.booleans()),
    )


def said(found: Notes) -> set[tuple[object, ...]]:
    """The truth behind notes, as entries say it."""
    made = {("make", one.day, one.batch, one.units, one.fill_mg, one.arm) for one in found.made}
    picked = {("pick", one.day, one.unit, one.flush, one.mg) for one in found.picked}
    looked = {("check", one.day, one.unit, one.run, ("green",) if one.bad else ()) for one in found.looked}
    return {*made, *picked, *looked}


def heard(taking: Taking) -> set[tuple[object, ...]]:
    """What was taken, in the same terms."""
    fields = {"make": ("batch", "units", "fill_mg", "arm"), "pick": ("flush", "weight_mg"), "check": ("run",)}
    found: set[tuple[object, ...]] = set()
    for entry in taking.entries:
        if entry.kind == "define":
            continue
        unit = tuple(entry.body["units"]) if entry.kind in ("pick", "check") else ()
        signs = (tuple(entry.body.get("signs", ())),) if entry.kind == "check" else ()
        values = tuple(entry.body[name] for name in fields[entry.kind])
        found.add((entry.kind, date.fromisoformat(entry.at[:10]), *unit, *values, *signs))
    return found


@settings(max_examples=100, deadline=None)
@given(style=styles(), seed=st.integers(0, 10_000))
def test_the_truth_comes_back_in_every_style(style: Style, seed: int) -> None:
    found = messy.notes(style, seed)
    with TemporaryDirectory() as folder:
        tables = tables_in(messy.write(found, Path(folder)))
    taking = taken(tables, farm=replace(FARM, decimal_mark=style.decimal))
    assert told(taking) == []
    assert list(taking.asks) == []
    assert heard(taking) == said(found)
    assert sum(1 for _ in taking.entries) == len(found.made) + len(found.picked) + len(found.looked) + 1


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("language", ["de", "es", "fr"])
def test_accents_survive_every_encoding(encoding: str, language: messy.Language, tmp_path: Path) -> None:
    style = Style(language, workbook=False, encoding=encoding)
    found = messy.notes(style, 1)
    columns = [table.columns for table in tables_in(messy.write(found, tmp_path))]
    assert columns == [tuple(lines[2]) for lines in found.sheets.values()]


def test_a_taken_row_is_not_taken_again_from_another_hand(tmp_path: Path) -> None:
    """The same truth written in another style is the same note: ids come from what is said, not from how."""
    first = taken(tables_in(messy.write(messy.notes(Style(dates="d/m/y"), 5), tmp_path)))
    (tmp_path / "other").mkdir()
    other = Style(workbook=False, delimiter=";", dates="words", number_cells=False, remarks_above=3)
    second = taken(tables_in(messy.write(messy.notes(other, 5), tmp_path / "other")))
    ids = [{entry.id for entry in one.entries if entry.kind in ("pick", "check")} for one in (first, second)]
    assert ids[0] == ids[1]
    assert len(ids[0]) == 4 * 3 * 5
