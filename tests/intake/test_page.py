"""The page on the map tells of every kind of sheet, field, setting and limit, and its example is a map."""

from __future__ import annotations

import re
import textwrap
import tomllib
from pathlib import Path

import pytest

from pinset.intake.fields import DEFINED, SHEET_KINDS, fields, needed_fields
from pinset.intake.map import UNITS, map_said
from pinset.reference.limits import limits

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "reference" / "map.md").read_text(encoding="utf-8")
HOW_TO = (DOCS / "how-to" / "take-your-notes.md").read_text(encoding="utf-8")
ROWS = {found[1]: found[0] for found in re.finditer(r"^\| `(\w+)` \|.*$", PAGE, re.MULTILINE)}
EVERYWHERE = {"at", "time", "by", "remarks"}


@pytest.mark.parametrize("kind", SHEET_KINDS)
def test_every_kind_has_a_row_with_its_fields(kind: str) -> None:
    told = set(re.findall(r"`([\w ]+)`", ROWS[kind])) - {kind}
    known = set(fields(kind)) - EVERYWHERE
    assert told <= known | {"batch", "room"}
    if kind not in DEFINED:
        assert known - {kind} <= told


@pytest.mark.parametrize("kind", [kind for kind in SHEET_KINDS if kind not in ("spawn", *DEFINED)])
def test_what_a_row_needs_has_a_star(kind: str) -> None:
    starred = set(re.findall(r"`([\w ]+)`\*", ROWS[kind]))
    assert {name for _, name in needed_fields(kind) if name != "what"} <= starred


def test_the_example_is_a_map_that_asks_nothing() -> None:
    example = textwrap.dedent(PAGE.split("\n\n", 2)[2].split("\n\nA `")[0])
    map = map_said(tomllib.loads(example))
    assert [sheet.name for sheet in map.sheets] == ["Made", "Looked at"]
    assert map.asks() == []


def test_every_setting_and_unit_is_told() -> None:
    for name in ("kind", "date_order", "decimal", "year", "fill_down", "name", "control", "given_to"):
        assert f"| `{name}` |" in PAGE
    for unit in {unit for sort in ("weight", "celsius", "share", "span") for unit in UNITS[sort]}:
        assert f"`{unit.replace('°c', '°C').replace('°f', '°F')}`" in PAGE


def test_limits_are_told_as_they_are() -> None:
    for name, told in (
        ("days_after_making", "400 days"), ("slip_of_thousand", "300 times"), ("yield_of_wet_substrate", "0.7 kg"),
        ("unit_weight", "100 kg"), ("hours_of_work", "24 h"), ("earliest_year", "1990"), ("days_ahead", "one day"),
    ):  # fmt: skip
        assert told in PAGE
        assert f"{limits()[name].value:g}" in told or told == "one day"


def test_every_way_to_settle_a_row_is_told() -> None:
    for word in ("show", "accept", "correct", "instead", "drop"):
        assert f"`pinset aside {word} 3" in HOW_TO
