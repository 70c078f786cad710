"""Cells of every sort read into what their column is to hold, and entries told back in words."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest

from pinset.intake.cells import reader, readings
from pinset.intake.fields import NoSuchField, sort_of
from pinset.intake.map import Target, map_said
from pinset.intake.problem import CannotRead, shown
from pinset.intake.table import Cell, Unread
from pinset.intake.told import day_told, told, value_told, weight_told
from tests.intake.road import csv_table

WORDS = {"odd fuzz": "other", "all well": "none", "binned": "broken"}

OAK_AND_BRAN = [{"ingredient": "oak", "share": 0.8}, {"ingredient": "bran", "share": 0.2}]
TWO_LOTS = [{"lot": "G1", "weight_mg": 500_000}, {"lot": "G2", "weight_mg": 200_000}]


def read(kind: str, field: str, cell: Cell) -> Any:
    return reader(kind, Target(field), sort_of(kind, field), 2, ".", WORDS)(cell)


@pytest.mark.parametrize(
    ("kind", "field", "cell", "value"),
    [
        ("treat", "load", 1, "1"),
        ("treat", "load", 1.0, "1"),
        ("treat", "load", 1.5, "1.5"),
        ("make", "recipe", datetime(2026, 3, 2), "2026-03-02"),
        ("make", "recipe", True, "yes"),
        ("check", "pinning", "ja", True),
        ("check", "pinning", "x", True),
        ("check", "pinning", "no", False),
        ("check", "pinning", 1, True),
        ("check", "pinning", 0, False),
        ("check", "pinning", False, False),
        ("check", "signs", "green spots", ("green",)),
        ("check", "signs", "wet, sour and Trichoderma", ("wet", "sour", "green")),
        ("check", "signs", "toile d'araignée", ("cobweb",)),
        ("check", "signs", "odd fuzz + mites", ("other", "mites")),
        ("check", "signs", "all well", ()),
        ("check", "signs", "OK", ()),
        ("cull", "reason", "Schimmel", "contaminated"),
        ("cull", "reason", "drawn from", "drawn from"),
        ("cull", "reason", "binned", "broken"),
        ("pick", "unit", "A-01..03", ("A-01", "A-02", "A-03")),
        ("pick", "unit", "A-01, A-07", ("A-01", "A-07")),
        ("pick", "unit", 7, ("7",)),
        ("make", "spawn", "G1: 0.5 kg; G2: 200 g", TWO_LOTS),
        ("make", "spawn lot", "G1 + G2", [{"lot": "G1"}, {"lot": "G2"}]),
        ("recipe", "parts", "oak: 80 %; bran: 20 %", OAK_AND_BRAN),
        ("recipe", "parts", "80% oak, 20% bran", OAK_AND_BRAN),
        ("recipe", "parts", "oak 0.8; bran 0.2", OAK_AND_BRAN),
    ],
)  # fmt: skip
def test_what_cells_say(kind: str, field: str, cell: Cell, value: Any) -> None:
    assert read(kind, field, cell) == value


@pytest.mark.parametrize(
    ("kind", "field", "cell", "needed"),
    [
        ("check", "pinning", "perhaps", "yes or no"),
        ("check", "signs", "purple haze", "a sign"),
        ("check", "signs", "green and purple", "a sign"),
        ("cull", "reason", "because", "one of contaminated"),
        ("pick", "unit", "A-05..03", "runs upwards"),
        ("make", "spawn", "G1: lots", "a weight"),
        ("recipe", "parts", "oak and bran", "ingredients with their shares"),
        ("recipe", "parts", "oak: 80 %; bran: 40 %", "add up to 100 %"),
        ("treat", "load", Unread("a value", "#REF!", "Mend it."), "a value"),
    ],
)
def test_what_cells_cannot_say(kind: str, field: str, cell: Cell, needed: str) -> None:
    with pytest.raises(CannotRead) as refused:
        read(kind, field, cell)
    assert needed in refused.value.needed


def test_an_unknown_word_says_how_to_make_it_known() -> None:
    with pytest.raises(CannotRead) as refused:
        read("check", "signs", "purple haze")
    assert '"purple haze" = "green"' in refused.value.mend


def test_a_field_that_a_kind_has_not() -> None:
    with pytest.raises(NoSuchField, match="needed a field of pick"):
        sort_of("pick", "moisture")


def test_what_holds_for_all_rows_gives_way_to_a_cell(tmp_path: Path) -> None:
    table = csv_table(tmp_path, "Batch,Made on,Bags,Kind\nA1,2026-01-05,4,bucket\nA2,,5,\nA3,-,6,–\n")
    columns = {"Batch": "batch", "Made on": "at", "Bags": "units", "Kind": "container"}
    always = {"container": "bag", "moisture": "62 %", "pick flush": "1"}
    map = map_said({"sheets": {"notes": {
        "kind": "make", "columns": columns, "always": always, "fill_down": ["Made on"],
    }}})  # fmt: skip
    found = [one.said for one in readings(table, map.sheets[0])]
    assert all(list(said) == [("", 0)] for said in found)  # nothing was said of a pick, so there is none
    assert [said["", 0]["container"] for said in found] == ["bucket", "bag", "bag"]
    assert [said["", 0].get("at") for said in found] == [date(2026, 1, 5), date(2026, 1, 5), None]
    assert {said["", 0]["moisture"] for said in found} == {0.62}


def test_values_are_told_with_their_units() -> None:
    assert value_told("fill_mg", 2_200_000) == "2.2 kg"
    assert value_told("minutes", 40) == value_told("held_min", 40) == "40 min"
    assert value_told("celsius", 97.5) == "97.5 °C"
    assert value_told("energy_kwh", 45.9) == "45.9"
    assert value_told("spawn", [{"lot": "G1", "weight_mg": 700_000}, {"lot": "G2"}]) == "G1 0.7 kg + G2"
    assert value_told("units", ("A-01", "A-02")) == "A-01 + A-02"
    assert value_told("cost_minor", 1200, 0, "JPY") == "1200 JPY"
    assert weight_told(0) == "0 g"
    assert told("", {"text": "fan repaired"}) == "(no day)  fan repaired"
    assert day_told("2026-03-02T14:30:00+01:00") == "2026-03-02 14:30"


def test_cells_are_quoted_short() -> None:
    assert shown("x" * 100) == "'" + "x" * 55 + "...'"
    assert shown("") == shown(None) == "nothing"
