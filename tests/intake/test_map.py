"""A map is read as it was written; what is wrong in it is said with where, what was needed and how to mend it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinset.intake.fields import SHEET_KINDS, fields, sort_of
from pinset.intake.map import UNITS, Map, NotAMap, SheetMap, Target, TrialMap, map_said, read_map, target_said
from pinset.intake.mapfile import map_text

NAMES = st.text(min_size=1, max_size=20)


@st.composite
def sheets(draw: st.DrawFn) -> SheetMap:
    kind = draw(st.sampled_from(SHEET_KINDS))
    columns: dict[str, Target | None] = {}
    for name in draw(st.lists(NAMES, max_size=5, unique=True)):
        field = draw(st.sampled_from(sorted(fields(kind))))
        unit = draw(st.sampled_from(("", *UNITS.get(sort_of(kind, field), ()))))
        columns[name] = draw(st.sampled_from((None, Target(field, unit, flush=draw(st.integers(0, 4))))))
    return SheetMap(
        draw(NAMES), kind, columns,
        always={"by": draw(NAMES.filter(lambda name: name != "?"))} if draw(st.booleans()) else {},
        date_order=draw(st.sampled_from((None, "d/m/y", "m/d/y"))),
        decimal=draw(st.sampled_from((None, ".", ","))),
        year=draw(st.sampled_from((None, 2026))),
    )  # fmt: skip


@given(some=st.lists(sheets(), min_size=1, max_size=3, unique_by=lambda sheet: sheet.name), trial=st.booleans())
def test_what_is_written_reads_back(some: list[SheetMap], trial: bool) -> None:
    before = Map(tuple(some), TrialMap("more bran", "usual", comment='with "marks"\nand lines') if trial else None)
    after = map_said(tomllib.loads(map_text(before, ["notes.xlsx"])))
    assert [(s.name, s.kind, s.columns, s.always, s.date_order, s.decimal, s.year) for s in after.sheets] == [
        (s.name, s.kind, s.columns, s.always, s.date_order, s.decimal, s.year) for s in some
    ]
    assert (after.trial is not None) == trial
    assert list(after.asks()) == []


@pytest.mark.parametrize(
    ("words", "kind", "target"),
    [
        ("weight in kg", "pick", Target("weight", "kg")),
        ("weight in Gramm", "pick", Target("weight", "g")),
        ("celsius in °F", "treat", Target("celsius", "°f")),
        ("at in m/d/y", "pick", Target("at", "m/d/y")),
        ("unit", "pick", Target("unit")),
        ("units", "make", Target("units")),
        ("spawn weight each in g", "make", Target("spawn weight each", "g")),
        ("pick weight in lb of flush 2", "make", Target("weight", "lb", "pick", 2)),
        ("cost per kg", "spawn", Target("cost per kg")),
        ("weight in ?", "pick", Target("weight", "?")),
        ("skip", "pick", None),
    ],
)
def test_targets(words: str, kind: str, target: Target | None) -> None:
    assert target_said(words, kind) == target
    assert target is None or target_said(str(target), kind) == target


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({}, ["sheets", "at least one"]),
        (
            {"sheets": {"A": {"kind": "pick", "columns": {"kg": "wieght in kg"}}}},
            ["column 'kg'", "did you mean 'weight'"],
        ),
        ({"sheets": {"A": {"kind": "pick", "columns": {"kg": "weight in bags"}}}}, ["kg, g, lb, oz", "weight in bags"]),
        ({"sheets": {"A": {"kind": "pick", "columns": {"n": "flush in kg"}}}}, ["no unit"]),
        ({"sheets": {"A": {"kind": "picking"}}}, ["kind", "one of", "'picking'"]),
        ({"sheets": {"A": {"kind": "pick", "colums": {}}}}, ["only", "columns"]),
        ({"sheets": {"A": {"kind": "pick", "date_order": "dmy"}}}, ["date_order", "d/m/y, m/d/y", "'dmy'"]),
        ({"sheets": {"A": {"kind": "pick", "decimal": "comma"}}}, ["decimal", '"." or ","']),
        ({"sheets": {"A": {"kind": "pick", "year": "this"}}}, ["year", "as 2026"]),
        ({"sheets": {"A": {"kind": "pick", "fill_down": ["Day"]}}}, ["fill_down", "'Day'"]),
        ({"sheets": {"A": {"kind": "pick", "always": {"colour": "grey"}}}}, ["always", "'colour'"]),
        ({"sheets": {"A": {"kind": "check", "words": {"odd": "purple"}}}}, ["a sign", "'purple'"]),
        ({"sheets": {"A": {"kind": "pick"}}, "trail": {}}, ["trail", "[sheets.NAME] or [trial]"]),
        ({"sheets": {"A": {"kind": "make"}}, "trial": {"name": "x"}}, ["[trial]", "a name and a control"]),
    ],
)
def test_faults_say_where_what_and_how(said: dict[str, Any], words: list[str]) -> None:
    with pytest.raises(NotAMap) as refused:
        map_said(said, "my.map.toml")
    assert len(refused.value.faults) == 1
    for word in ["my.map.toml", *words]:
        assert word in str(refused.value)


def test_all_faults_are_told_at_once() -> None:
    with pytest.raises(NotAMap) as refused:
        map_said({"sheets": {"A": {"kind": "pick", "columns": {"a": "x", "b": "y"}}, "B": {"kind": "z"}}})
    assert len(refused.value.faults) == 3


def test_a_file_that_is_no_toml_says_its_line(tmp_path: Path) -> None:
    path = tmp_path / "my.map.toml"
    path.write_text('[sheets.A]\nkind = "pick"\nkg each = "fill"\n')
    with pytest.raises(NotAMap, match="line 3") as refused:
        read_map(path)
    assert "in quotes" in str(refused.value)


@pytest.mark.parametrize(
    ("said", "ask"),
    [
        ({"kind": "?"}, "what is this sheet about"),
        ({"kind": "pick", "date_order": "?"}, "the day or the month"),
        ({"kind": "pick", "decimal": "?"}, "before decimals"),
        ({"kind": "pick", "year": "?"}, "which year"),
        ({"kind": "pick", "columns": {"Weight": "weight in ?"}}, 'column "Weight": in which unit'),
        ({"kind": "treat", "always": {"method": "?"}}, 'always "method"'),
        ({"kind": "check", "words": {"odd": "?"}}, 'words "odd"'),
    ],
)
def test_every_question_mark_is_asked(said: dict[str, Any], ask: str) -> None:
    (asked,) = map_said({"sheets": {"A": said}}).asks()
    assert ask in asked
    assert '[sheets."A"]' in asked
