"""Invented notes in many hands: the same truth written as a workbook or as text, in four languages and many habits."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Final, Literal

from openpyxl import Workbook

from pinset.intake.numbers import Mark
from pinset.journal.measures import MILLIGRAMS

Cell = str | int | float | datetime | None
Language = Literal["en", "de", "es", "fr"]
DateStyle = Literal["iso", "d/m/y", "m/d/y", "d.m.yy", "words", "real", "mixed"]

# By language: the sheet and its headings for made, picked, looked at; {unit} stands for the unit of a weight.
HEADINGS: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "en": {
        "Made": ("Batch no", "Made on", "Blocks", "{unit} each", "Trial arm"),
        "Weighed": ("Picked", "Block", "Flush", "Weight ({unit})", "Remarks"),
        "Looked at": ("Date", "Block", "% run", "Signs"),
    },
    "de": {
        "Chargen": ("Charge", "Hergestellt am", "Beutel", "{unit} je Beutel", "Versuchsglied"),
        "Ernte": ("Datum", "Beutel Nr", "Welle", "Gewicht {unit}", "Bemerkungen"),
        "Rundgang": ("Datum", "Beutel Nr", "Durchwachsen %", "Befund"),
    },
    "es": {
        "Lotes": ("Lote", "Hecho el", "Bolsas", "{unit} por bolsa", "Tratamiento"),
        "Cosecha": ("Fecha", "Bolsa", "Oleada", "Peso {unit}", "Observaciones"),
        "Revisión": ("Fecha", "Bolsa", "Colonizado %", "Señales"),
    },
    "fr": {
        "Fabrication": ("Lot", "Fabriqué le", "Sacs", "{unit} par sac", "Modalité"),
        "Récolte": ("Date", "Sac", "Volée", "Poids {unit}", "Remarques"),
        "Contrôle": ("Date", "Sac", "Colonisé %", "Signes"),
    },
}
MONTHS: Final = {
    "en": ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"],
    "de": [
        "Januar",
        "Februar",
        "März",
        "April",
        "Mai",
        "Juni",
        "Juli",
        "August",
        "September",
        "Oktober",
        "November",
        "Dezember",
    ],
    "es": [
        "enero",
        "febrero",
        "marzo",
        "abril",
        "mayo",
        "junio",
        "julio",
        "agosto",
        "septiembre",
        "octubre",
        "noviembre",
        "diciembre",
    ],
    "fr": [
        "janvier",
        "février",
        "mars",
        "avril",
        "mai",
        "juin",
        "juillet",
        "août",
        "septembre",
        "octobre",
        "novembre",
        "décembre",
    ],
}
SIGNS: Final = {"en": "green spots", "de": "Grünschimmel", "es": "moho verde", "fr": "moisissure verte"}
TOTALS: Final = {"en": "TOTAL", "de": "Summe", "es": "Total", "fr": "Somme"}
REMARKS: Final = {"en": "small caps", "de": "kleine Hüte", "es": "sombreros pequeños", "fr": "petits chapeaux"}
CONTROL: Final = "A"


@dataclass(frozen=True, slots=True)
class Style:
    """A hand: how it writes the same truth."""

    language: Language = "en"
    workbook: bool = True
    delimiter: str = ","
    encoding: str = "utf-8"
    decimal: Mark = "."
    dates: DateStyle = "iso"
    unit: Literal["kg", "g", "lb", "oz"] = "kg"
    unit_in_cells: bool = False
    remarks_above: int = 1
    total: bool = True
    blank_lines: bool = True
    number_cells: bool = True


@dataclass(frozen=True, slots=True)
class Made:
    """A batch as it truly was."""

    batch: str
    day: date
    units: int
    fill_mg: int
    arm: str


@dataclass(frozen=True, slots=True)
class Picked:
    """A pick as it truly was, and its row in its sheet."""

    unit: str
    day: date
    flush: int
    mg: int


@dataclass(frozen=True, slots=True)
class Looked:
    """A check as it truly was."""

    unit: str
    day: date
    run: float
    bad: bool


@dataclass(slots=True)
class Notes:
    """Notes in one hand, and the truth behind them."""

    style: Style
    made: list[Made] = field(default_factory=list)
    picked: list[Picked] = field(default_factory=list)
    looked: list[Looked] = field(default_factory=list)
    sheets: dict[str, list[list[Cell]]] = field(default_factory=dict)
    first_row: int = 0
    """The row of the first note in each sheet, counted from 1."""


def notes(style: Style, seed: int, batches: int = 4, units: int = 3) -> Notes:
    """Invented notes of a few batches, in a hand."""
    chance = Random(seed)
    found = Notes(style)
    hand = _Hand(style, chance)
    tables: list[list[list[Cell]]] = [[], [], []]
    for number in range(batches):
        # the 13th to 16th of a month, so that each column shows which number is the day
        day = date(2026, 3 + number, 13 + number % 4)
        fill, fill_mg = hand.weight(chance.randrange(1500, 3500))
        made = Made(f"KB{number + 1:03d}", day, units, fill_mg, "AB"[number % 2])
        found.made.append(made)
        tables[0].append([made.batch, hand.day(day), units, fill, made.arm])
        for unit in range(1, units + 1):
            _unit(found, hand, tables, made, f"{made.batch}-{unit:02d}", chance)
    _lay_out(found, tables)
    return found


def _unit(found: Notes, hand: _Hand, tables: Sequence[list[list[Cell]]], made: Made, code: str, chance: Random) -> None:
    for week, run in ((1, 40), (2, 80), (3, 100)):
        day, bad = made.day + timedelta(days=7 * week), week == 3 and chance.random() < 0.2
        found.looked.append(Looked(code, day, run / 100, bad))
        tables[2].append([hand.day(day), code, run, SIGNS[found.style.language] if bad else None])
    for flush in (1, 2):
        day = made.day + timedelta(days=14 + 14 * flush)
        cell, mg = hand.weight(chance.randrange(90, 480))
        found.picked.append(Picked(code, day, flush, mg))
        remark = REMARKS[found.style.language] if chance.random() < 0.3 else None
        tables[1].append([hand.day(day), code, flush, cell, remark])


class _Hand:
    """Writes days and weights."""

    def __init__(self, style: Style, chance: Random) -> None:
        self.style, self.chance = style, chance

    def day(self, day: date) -> Cell:
        style = self.style.dates
        if style == "mixed":
            style = self.chance.choice(
                ("iso", "d/m/y", "words", "real") if self.style.workbook else ("iso", "d/m/y", "words")
            )
        if style == "real" and self.style.workbook:
            return datetime(day.year, day.month, day.day)
        of = " de " if self.style.language == "es" else ". " if self.style.language == "de" else " "
        month = MONTHS[self.style.language][day.month - 1]
        return {
            "iso": day.isoformat(),
            "real": day.isoformat(),
            "d/m/y": f"{day:%d/%m/%Y}",
            "m/d/y": f"{day.month}/{day.day}/{day.year}",
            "d.m.yy": f"{day:%d.%m.%y}",
            "words": f"{day.day}{of}{month}{of if self.style.language == 'es' else ' '}{day.year}",
        }[style]

    def weight(self, grams: int) -> tuple[Cell, int]:
        """A weight as it is written, and the milligrams that this says exactly."""
        digits = {"kg": 3, "g": 0, "lb": 2, "oz": 1}[self.style.unit]
        factor = MILLIGRAMS[self.style.unit]
        number = round(Decimal(grams * 1000) / factor, digits)
        mg = int((number * factor).to_integral_value())
        text = f"{number:.{digits}f}".replace(".", self.style.decimal)
        if self.style.unit_in_cells:
            return f"{text} {self.style.unit}", mg
        if self.style.workbook and self.style.number_cells:
            return float(number), mg
        return text, mg


def _lay_out(found: Notes, tables: Iterable[list[list[Cell]]]) -> None:
    style = found.style
    unit = "" if style.unit_in_cells else style.unit
    above: list[list[Cell]] = [["invented notes, for a test"] for _ in range(style.remarks_above)]
    found.first_row = style.remarks_above + 2 + style.blank_lines
    for (name, headings), rows in zip(HEADINGS[style.language].items(), tables, strict=True):
        heading: list[Cell] = [" ".join(each.format(unit=unit).replace("()", "").split()) for each in headings]
        if style.unit_in_cells and name in ("Made",):
            heading[3] = "weight each"
        lines = [*above, *([[]] if style.blank_lines else []), heading, *rows]
        if style.total:
            lines += [[], [TOTALS[style.language], None, None, "12345"]]
        found.sheets[name] = lines


def write(found: Notes, folder: Path) -> list[Path]:
    """Write notes into a folder: one workbook, or a text file for each sheet."""
    if found.style.workbook:
        return [write_workbook(folder / "notes.xlsx", found.sheets)]
    return [
        write_text(folder / f"{number}.csv", lines, found.style) for number, lines in enumerate(found.sheets.values())
    ]


def write_workbook(path: Path, sheets: dict[str, list[list[Cell]]]) -> Path:
    """Write sheets as a workbook."""
    book = Workbook(write_only=True)
    for name, lines in sheets.items():
        page = book.create_sheet(name)
        for line in lines:
            page.append(line)
    book.save(path)
    return path


def write_text(path: Path, lines: Iterable[Sequence[Cell]], style: Style) -> Path:
    """Write one sheet as text."""
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=style.delimiter).writerows(lines)
    path.write_bytes(text.getvalue().encode(style.encoding))
    return path
