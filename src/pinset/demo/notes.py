"""The invented farm's notes as its people left them: a workbook, a phone's csv, and a csv from before the scale."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from pinset.demo import notebook, trade
from pinset.demo.files import write_csv, write_workbook
from pinset.demo.hand import Hand
from pinset.demo.season import Year, live
from pinset.demo.sheets import Sheet
from pinset.demo.slips import spoil
from pinset.demo.truth import Truth, truth_of

SEED: Final = 3
WORKBOOK: Final = "puddlevane.xlsx"
PHONE: Final = "ines-movil.csv"
BEFORE: Final = "before-the-scale.csv"


def write_notes(folder: Path, seed: int = SEED) -> Truth:
    """Write the notes of a year into a folder, which is made where it is missing; returns the truth behind them.

    The same seed gives the same bytes.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as there:
    ...     truth = write_notes(Path(there))
    ...     sorted(path.name for path in Path(there).iterdir()), truth.batches, len(truth.faults)
    (['before-the-scale.csv', 'ines-movil.csv', 'puddlevane.xlsx'], 51, 9)
    """
    year = live(seed)
    sheets = _sheets(year, seed)
    spoil(sheets, year, seed + 2)
    phone, before = sheets.pop("phone"), sheets.pop("before")
    folder.mkdir(parents=True, exist_ok=True)
    write_workbook(folder / WORKBOOK, sheets.values())
    write_csv(folder / PHONE, phone, ";", "cp1252")
    write_csv(folder / BEFORE, before, ",", "utf-8")
    return truth_of(year, seed, {WORKBOOK: sheets, PHONE: {"": phone}, BEFORE: {"": before}})


def _sheets(year: Year, seed: int) -> dict[str, Sheet]:
    """Every sheet by its name; the two csv files as ``phone`` and ``before``."""
    hand = Hand(seed + 1)
    book = (
        notebook.made(year, hand), notebook.picked(year, hand), notebook.lion_picked(year, hand),
        notebook.room_week(year, hand), notebook.walked(year, hand), notebook.lion_walked(year, hand),
        notebook.moved(year, hand), notebook.thrown_out(year, hand), notebook.spawn(year, hand), notebook.bought(hand),
        notebook.steamed(year, hand, np.random.default_rng(seed + 3)), trade.sold(year, hand), trade.hours(year, hand),
        notebook.mixes(), notebook.prices(), notebook.rooms(),
    )  # fmt: skip
    by_name = {sheet.name: sheet for sheet in book}
    return by_name | {"phone": notebook.phone(year, hand), "before": notebook.before_the_scale(year, hand)}
