"""The lists: batches, units and lots, a leaf at a time, narrowed by simple fields."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import urlencode

from pinset.faces import words
from pinset.faces.web.record import Record, Sheet
from pinset.faces.web.views import Context, Field, arm, in_time, iso_day, kilos
from pinset.ledger.tables import Batch, Culled, Lot, Picked, Seen, SignSeen, Unit
from pinset.questions._batches import repeats_units
from pinset.questions._words import several
from pinset.questions.answer import Cell, Column, Table


def batches(record: Record, asked: Mapping[str, str]) -> Context:
    """The batches, newest first."""
    columns = {"recipe": "recipe", "strain": "strain", "trial": "trial", "room": "first room"}
    sheet = record.sheet(Batch, *_filters(asked, columns), "at DESC, code DESC", _leaf(asked))
    picked = picked_mg(record, [batch.code for batch in sheet.rows])
    headline = _matching(sheet, "batch", "batches")
    rows = tuple(
        (batch.code, iso_day(record, batch.at), batch.units, kilos(batch.fill_mg),
         batch.recipe, batch.strain, arm(batch.trial, batch.arm), kilos(picked.get(batch.code)))
        for batch in sheet.rows
    )  # fmt: skip
    shown = Table("batches", "Batches", (
        Column("batch", link="batch"), Column("made"), Column("units"), Column("each", "kg", 2), Column("recipe"),
        Column("strain"), Column("trial"), Column("picked", "kg", 2),
    ), rows)  # fmt: skip
    return _list("Batches", "/batches", headline, _fields(record, Batch, columns, asked), shown, sheet, asked)


def units(record: Record, asked: Mapping[str, str]) -> Context:
    """The units, by their code."""
    columns = {"batch": "batch", "arm": "arm"}
    sheet = record.sheet(Unit, *_filters(asked, columns), "code", _leaf(asked))
    headline = _matching(sheet, "unit", "units")
    shown = units_table(record, sheet.rows, "Units")
    return _list("Units", "/units", headline, _fields(record, Unit, columns, asked), shown, sheet, asked)


def lots(record: Record, asked: Mapping[str, str]) -> Context:
    """The lots, newest first."""
    columns = {"what": "kind", "strain": "strain", "supplier": "supplier"}
    sheet = record.sheet(Lot, *_filters(asked, columns), "at DESC, code DESC", _leaf(asked))
    rows = tuple(
        (lot.code, iso_day(record, lot.at), lot.origin, lot.what, lot.item, lot.strain,
         lot.passage, kilos(lot.weight_mg))
        for lot in sheet.rows
    )  # fmt: skip
    shown = Table("lots", "Lots", (
        Column("lot", link="lot"), Column("day"), Column("how"), Column("kind"), Column("item"), Column("strain"),
        Column("passage"), Column("weight", "kg", 2),
    ), rows)  # fmt: skip
    headline = _matching(sheet, "lot", "lots")
    return _list("Lots", "/lots", headline, _fields(record, Lot, columns, asked), shown, sheet, asked)


def _list(name: str, here: str, headline: str, fields: list[Field], table: Table, sheet: Sheet[Any],
          asked: Mapping[str, str]) -> Context:  # fmt: skip
    given = {field.name: field.value for field in fields if field.value}

    def leaf(number: int) -> str:
        return f"{here}?{urlencode(given | {'leaf': str(number)})}"

    return {
        "name": name,
        "here": here,
        "headline": headline,
        "fields": fields,
        "table": table,
        "sheet": sheet,
        "leaf": leaf,
    }


def _filters(asked: Mapping[str, str], columns: Iterable[str]) -> tuple[dict[str, str], str]:
    return {column: asked.get(column, "") for column in columns}, asked.get("code", "").strip()


def _leaf(asked: Mapping[str, str]) -> int:
    text = asked.get("leaf", "")
    return int(text) if text.isdecimal() and len(text) < 8 else 1


def _fields(record: Record, table: type[Any], columns: Mapping[str, str], asked: Mapping[str, str]) -> list[Field]:
    known = [(name, label, tuple(record.choices(table, name))) for name, label in columns.items()]
    return [Field("code", "code begins with", asked.get("code", ""))] + [
        Field(name, label, asked.get(name, ""), choices) for name, label, choices in known if choices
    ]


def _matching(sheet: Sheet[Any], one: str, many: str) -> str:
    everything = several(sheet.everything, one, many)
    if sheet.matching == sheet.everything:
        return f"{everything} on record." if sheet.everything else f"No {one} on record yet."
    return f"{sheet.matching} of {everything} match."


def picked_mg(record: Record, codes: list[str]) -> dict[str, int]:
    """What was picked from each batch: its units' weights, and its own where they do not repeat those of the day."""
    by_day: dict[tuple[str, object], int] = defaultdict(int)
    for code, at, weight in record.picked_from_units(codes):
        by_day[code, words.local(at, record.farm.zone).date()] += weight
    total: dict[str, int] = defaultdict(int)
    for (code, _), weight in by_day.items():
        total[code] += weight
    for pick in (pick for pick in record.ledger.of(Picked, "subject", codes) if pick.level == "batch"):
        units_gave = by_day.get((pick.subject, words.local(pick.at, record.farm.zone).date()), 0)
        if not repeats_units(pick.weight_mg, units_gave):
            total[pick.subject] += pick.weight_mg
    return dict(total)


def units_table(record: Record, rows: list[Unit], title: str) -> Table:
    """Units with what was seen of them and picked from them."""
    codes = [unit.code for unit in rows]
    picked: dict[str, int] = defaultdict(int)
    for pick in record.ledger.of(Picked, "subject", codes):
        picked[pick.subject] += pick.weight_mg
    run = {seen.subject: seen.run for seen in in_time(record.ledger.of(Seen, "subject", codes)) if seen.run is not None}
    signs = {sign.subject: sign.sign for sign in in_time(record.ledger.of(SignSeen, "subject", codes))}
    gone = {cull.subject: cull.reason for cull in record.ledger.of(Culled, "subject", codes)}
    columns = (
        Column("unit", link="unit"), Column("batch", link="batch"), Column("arm"), Column("picked", "kg", 3),
        Column("spawn run", "%", 0), Column("last sign"), Column("thrown out"),
    )  # fmt: skip
    made: list[tuple[Cell, ...]] = [
        (unit.code, unit.batch, unit.arm, kilos(picked.get(unit.code)), _in_percent(run.get(unit.code)),
         signs.get(unit.code), gone.get(unit.code))
        for unit in rows
    ]  # fmt: skip
    return Table("units", title, columns, tuple(made))


def _in_percent(share: float | None) -> float | None:
    return None if share is None else share * 100
