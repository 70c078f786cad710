"""The road from files to entries without a record on disk, for tests of many cases."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from pinset.intake.desk import tables_in
from pinset.intake.known import Known
from pinset.intake.map import Map
from pinset.intake.propose import propose
from pinset.intake.table import Table
from pinset.intake.take import Taking, take
from pinset.journal.farms import FarmSettings

NOW = datetime(2027, 1, 1, tzinfo=UTC)
FARM = FarmSettings(
    "01a212f6-33ee-7640-873d-01b58304b7c9", "Test farm", "EUR", 2, "Europe/Vienna", ".", "2026-01-01T00:00:00.000Z", "e"
)


def taken(
    tables: Iterable[Table], map: Map | None = None, known: Known | None = None, farm: FarmSettings = FARM
) -> Taking:
    """What tables become, read by a map or by a guess; arm A is the control."""
    tables, known = list(tables), known or Known()
    return take(tables, (map or propose(tables, known, farm.decimal_mark)).with_control("A"), farm, known, now=NOW)


def csv_table(folder: Path, text: str, name: str = "notes.csv") -> Table:
    """The one table of a text file."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    (table,) = tables_in([path])
    return table


def told(taking: Taking) -> list[str]:
    """Every problem in words."""
    return [str(aside.problem) for aside in taking.asides]
