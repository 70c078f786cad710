"""Tables and a map made into entries; what is faulty or doubted is set aside, row by row, and nothing is lost.

Nothing is written here: the result says what would be taken. `pinset.intake.desk` takes it.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from statistics import median_low
from typing import Any, Final

from pydantic import ValidationError

from pinset.intake.bodies import LONGEST_NAME, Draft, Made, Setting, drafts
from pinset.intake.cells import Reading, readings
from pinset.intake.fields import base_kind
from pinset.intake.known import Known
from pinset.intake.map import ASK, SKIP, Map, SheetMap
from pinset.intake.plausible import Bench, Doubt, doubts
from pinset.intake.problem import Problem, shown
from pinset.intake.table import Cell, Table
from pinset.journal.codes import id_from
from pinset.journal.entry import Entry, body_faults, one_line
from pinset.journal.farms import FarmSettings
from pinset.journal.kinds import KINDS, plain
from pinset.journal.said import spoken
from pinset.ledger.rows import rows as ledger_rows

# What is noted first is taken first, so that what follows finds what it is about.
_ORDER: Final = ("define", "receive", "draw", "mix", "treat", "make", "move", "check", "pick", "cull", "clean", "pack",
                 "dispatch", "work", "count", "note")  # fmt: skip
_STEP: Final = 2_000
_USUAL: Final = ("weight_mg", "fill_mg", "total_mg")


@dataclass(frozen=True, slots=True)
class Aside:
    """A row that is set aside: its first problem, all of them in words, and what it would become."""

    id: str
    problem: Problem
    offered: Mapping[str, Any]
    lies_there: bool = False
    """Whether it was set aside by an earlier taking, and is open still."""


@dataclass(slots=True)
class SheetTaking:
    """What becomes of one sheet. ``again`` counts rows on record already, ``settled`` rows decided on before."""

    table: Table
    sheet: SheetMap
    entries: list[Entry] = field(default_factory=list)
    rows: int = 0
    asides: list[Aside] = field(default_factory=list)
    again: int = 0
    settled: int = 0
    arms: dict[str, str] = field(default_factory=dict)
    """The arms of a trial that its rows name, each with its earliest day."""
    now_sound: dict[str, str] = field(default_factory=dict)
    """Rows set aside earlier that are sound now: the entry by the id of the aside."""

    @property
    def left_out(self) -> list[str]:
        """Columns that the map does not mention."""
        return [name for name in self.table.columns if name not in self.sheet.columns]


@dataclass(frozen=True, slots=True)
class Taking:
    """What becomes of some files: sheet by sheet, the trials they define, and sheets that the map leaves out."""

    sheets: tuple[SheetTaking, ...]
    trials: tuple[Entry, ...] = ()
    left_out: tuple[Table, ...] = ()
    asks: tuple[str, ...] = ()

    @property
    def entries(self) -> Iterator[Entry]:
        """Every entry to keep, what others are about first."""
        yield from self.trials
        for sheet in self.sheets:
            yield from sheet.entries

    @property
    def asides(self) -> list[Aside]:
        """Every row set aside."""
        return [aside for sheet in self.sheets for aside in sheet.asides]

    def count(self, name: str) -> int:
        """The sum over the sheets of one of their counts, as rows or again."""
        return sum(getattr(sheet, name) for sheet in self.sheets)


@dataclass(slots=True)
class _Run:
    """What one taking works with."""

    farm: FarmSettings
    known: Known
    setting: Setting
    bench: Bench
    progress: Callable[[int], None]
    where: dict[str, str] = field(default_factory=dict)
    done: int = 0

    def step(self) -> None:
        self.done += 1
        if self.done % _STEP == 0:
            self.progress(self.done)


def take(
    tables: Iterable[Table],
    map: Map,
    farm: FarmSettings,
    known: Known,
    by: str = "grower",
    now: datetime | None = None,
    progress: Callable[[int], None] = lambda done: None,
) -> Taking:
    """What the rows of some tables become, read by a map and held against what is on record.

    ``known`` grows by what is taken. ``progress`` is told how many rows are done.
    """
    where: dict[str, str] = {}
    bench = Bench(known, now or datetime.now(UTC), {}, where)
    trial = map.trial.name if map.trial else None
    run = _Run(farm, known, Setting(farm.zone, known, trial, by), bench, progress, where)
    mapped, left_out = _mapped(tables, map)
    sheets = tuple(_take_sheet(run, table, sheet) for table, sheet in mapped)
    trials, asks = _trial(run, map, sheets)
    return Taking(sheets, tuple(trials), tuple(left_out), (*map.asks(), *asks))


def _mapped(tables: Iterable[Table], map: Map) -> tuple[list[tuple[Table, SheetMap]], list[Table]]:
    pairs = [(table, map.sheet(table)) for table in tables]
    found = [(table, sheet) for table, sheet in pairs if sheet is not None and sheet.kind not in (SKIP, ASK)]
    found.sort(key=lambda pair: _ORDER.index(base_kind(pair[1].kind)))
    return found, [table for table, sheet in pairs if sheet is None or sheet.kind in (SKIP, ASK)]


@dataclass(slots=True)
class _Offer:
    """One row on its way: as read, as drafted, as entries with their ids."""

    reading: Reading
    made: Made
    entries: list[Entry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    occurrence: int = 1
    instead: str | None = None


def _take_sheet(run: _Run, table: Table, sheet: SheetMap) -> SheetTaking:
    taking = SheetTaking(table, sheet)
    read = readings(table, sheet, run.farm.minor_digits, run.farm.decimal_mark)
    offers = [_offer(run, taking, one) for one in read]
    _give_ids(run, taking, offers)
    ids = [entry.id for offer in offers for entry in offer.entries]
    on_record = run.known.on_record(ids)
    run.bench.usual, taking.arms = _usual(offers), _arms(offers)
    asides = _AsideIds(run.farm.id, table)
    for offer in offers:
        _settle(run, taking, offer, on_record, asides)
        run.step()
    return taking


def _offer(run: _Run, taking: SheetTaking, reading: Reading) -> _Offer:
    """A row's drafts as entries without ids; every fault of its cells and fields as a problem."""
    offer = _Offer(reading, drafts(reading, taking.sheet, run.setting))
    faulty = {fault.column for fault in reading.faults}
    for fault in reading.faults:
        came = fault.fault.came or shown(fault.cell)
        offer.problems.append(_problem(taking, reading, fault.column, fault.fault.needed, came, fault.fault.mend))
    for lack in offer.made.lacks:
        column = _column(taking.sheet, lack.field)
        if column not in faulty:
            offer.problems.append(_problem(taking, reading, column, lack.fault.needed, "nothing", lack.fault.mend))
    if reading.row.spill:
        needed, came = f"{len(taking.table.columns)} cells, as the heading has", "more"
        mend = (
            "A decimal comma without quote marks, in a file that parts its cells by commas? Mend the row in the file."
        )
        offer.problems.insert(0, _problem(taking, reading, "", needed, came, mend))
    if not offer.problems:
        _check(taking, offer)
    return offer


def _check(taking: SheetTaking, offer: _Offer) -> None:
    """Bring the bodies into their canonical form, or say what of them no entry can hold."""
    for draft in offer.made.drafts:
        try:
            draft.body = plain(KINDS[draft.kind].model_validate(draft.body))
        except ValidationError as fault:
            for one in body_faults(fault):
                column = _column(taking.sheet, spoken(one.where.split(".")[0]))
                needed = one.needed.replace("Input should be", "a value").replace("String should", "a text that should")
                offer.problems.append(_problem(taking, offer.reading, column, needed, one.came, one.mend))


def entry_of(farm: str, draft: Draft, occurrence: int = 1) -> Entry:
    """The entry that a draft becomes. Its id is made from what it says: the same row always has the same, a second such
    row of a sheet another.
    """
    entry_id = id_from(farm, draft.kind, draft.at, one_line(draft.body), str(occurrence))
    # a row says when it happened, not when it was written down: the day itself stands for both
    return Entry(entry_id, farm, draft.kind, draft.at, draft.at, draft.by, draft.body)


def _problem(taking: SheetTaking, reading: Reading, column: str, needed: str, came: str, mend: str) -> Problem:
    table = taking.table
    return Problem(table.file, table.sheet, reading.row.number, column, "fault", needed, came, mend)


def _column(sheet: SheetMap, name: str) -> str:
    """The heading of the column that a field comes from; the field itself where no column does."""
    names = {"unit": ("unit", "batch", "room"), "units": ("units", "unit"), "parents": ("from",)}.get(name, (name,))
    for one in names:
        for column, target in sheet.columns.items():
            if target is not None and target.field == one:
                return column
    return name


def _give_ids(run: _Run, taking: SheetTaking, offers: Sequence[_Offer]) -> None:
    """Make entries of the sound rows, and count how often each row stands in the sheet."""
    seen: Counter[str] = Counter()
    for offer in offers:
        if offer.problems:
            continue
        offer.entries = [entry_of(run.farm.id, draft) for draft in offer.made.drafts]
        whole = " ".join(entry.id for entry in offer.entries)
        seen[whole] += 1
        offer.occurrence = seen[whole]
        if offer.occurrence > 1:
            offer.entries = [entry_of(run.farm.id, draft, offer.occurrence) for draft in offer.made.drafts]
        place = f"row {offer.reading.row.number} of {taking.table.sheet}"
        for entry in offer.entries:
            run.where.setdefault(entry.id, place)


def _usual(offers: Iterable[_Offer]) -> dict[str, float]:
    weights: dict[str, list[int]] = {name: [] for name in _USUAL}
    for offer in offers:
        for entry in offer.entries[:1]:
            for name, values in weights.items():
                if entry.body.get(name):
                    values.append(entry.body[name])
    return {name: median_low(values) for name, values in weights.items() if values}


class _AsideIds:
    """Ids of rows set aside, from what stands in their cells: the same row has the same wherever it has moved to."""

    def __init__(self, farm: str, table: Table) -> None:
        self.farm, self.columns = farm, table.columns
        self.seen: Counter[tuple[Cell, ...]] = Counter()

    def count(self, cells: tuple[Cell, ...]) -> None:
        """Count a row, whether it will need its id or not: a second row with the same cells has another."""
        self.seen[cells] += 1

    def of(self, cells: tuple[Cell, ...]) -> str:
        """The id of the row counted last."""
        return id_from(self.farm, "aside", raw(self.columns, cells), str(self.seen[cells]))


def raw(columns: Sequence[str], cells: Sequence[Cell]) -> str:
    """The filled cells of a row as JSON, by their columns."""
    filled = {name: str(cell) for name, cell in zip(columns, cells, strict=True) if cell is not None}
    return json.dumps(filled, ensure_ascii=False, sort_keys=True)


def _settle(run: _Run, taking: SheetTaking, offer: _Offer, on_record: set[str], asides: _AsideIds) -> None:
    """Take a row, set it aside, or leave it as it was settled before."""
    asides.count(offer.reading.row.cells)
    # working out an id costs; a sound row needs it only where rows were set aside before
    aside = asides.of(offer.reading.row.cells) if run.known.asides or offer.problems else ""
    state = run.known.asides.get(aside)
    if state in ("accepted", "corrected", "dropped"):
        taking.settled += 1
        return
    fresh = [entry for entry in offer.entries if entry.id not in on_record]
    if not offer.problems and not fresh:
        taking.again += 1
        return
    if not offer.problems:
        _doubt(run, taking, offer, fresh)
    if offer.problems:
        aside = aside or asides.of(offer.reading.row.cells)
        taking.asides.append(_aside(taking, offer, aside, state == "open"))
        return
    taking.rows += 1
    taking.entries += fresh
    if state == "open":
        taking.now_sound[aside] = fresh[0].id


def _doubt(run: _Run, taking: SheetTaking, offer: _Offer, fresh: Sequence[Entry]) -> None:
    """Hold each entry against the record; what a sound one says is on record for the next."""
    learned = []
    for entry in fresh:
        rows = ledger_rows(entry)
        found = doubts(entry, rows, run.bench)
        if offer.occurrence > 1:
            found = [_same_row(run, entry), *(doubt for doubt in found if doubt.instead is None)]
        if found:
            offer.problems += [_question(taking, offer, doubt) for doubt in found]
            offer.instead = offer.instead or next((doubt.instead for doubt in found if doubt.instead), None)
        else:
            run.known.learn(rows)
            learned += rows
    if offer.problems:
        run.known.forget(learned)


def _same_row(run: _Run, entry: Entry) -> Doubt:
    first = entry_of(run.farm.id, Draft(entry.kind, entry.at, dict(entry.body), entry.by)).id
    mend = "Accept it if it happened twice; drop it if it is written twice."
    return Doubt("", "a row that says something new", f"the same as {run.where.get(first, 'another row')}", mend)


def _question(taking: SheetTaking, offer: _Offer, doubt: Doubt) -> Problem:
    column = _column(taking.sheet, doubt.field) if doubt.field else ""
    table, row = taking.table, offer.reading.row.number
    return Problem(table.file, table.sheet, row, column, "question", doubt.needed, doubt.came, doubt.mend)


def _aside(taking: SheetTaking, offer: _Offer, aside: str, lies_there: bool) -> Aside:
    entries = offer.entries or offer.made.drafts
    offered = {
        "entries": [{"kind": one.kind, "at": one.at, "by": one.by, "body": one.body} for one in entries],
        "raw": json.loads(raw(taking.table.columns, offer.reading.row.cells)),
        "also": [f"{one.column}: needed {one.needed}; came {one.came}" for one in offer.problems[1:]],
        "occurrence": offer.occurrence,
        "instead": offer.instead,
    }
    first = next((one for one in offer.problems if one.sort == "fault"), offer.problems[0])
    return Aside(aside, first, offered, lies_there)


def _trial(run: _Run, map: Map, sheets: Iterable[SheetTaking]) -> tuple[list[Entry], list[str]]:
    """The trial that a column of arms makes, defined as of its first batch, or what has to be said before it can be.

    Nothing where it is on record with these arms. The arms of rows set aside count too: they are arms all the same.
    """
    if map.trial is None or map.trial.control == ASK:
        return [], []
    known = json.loads(run.known.trials.get(map.trial.name, "{}"))
    days: dict[str, str] = {}
    for arm, at in (pair for sheet in sheets for pair in sheet.arms.items()):
        days[arm] = min(at, days.get(arm, at))
    new = [arm for arm in days if arm not in known.get("arms", ())]
    arms = [*known.get("arms", ()), *new]
    if not days or (not new and map.trial.control == known.get("control")):
        return [], []
    if map.trial.control not in arms:
        return [], [f"[trial] control: needed one of the arms {', '.join(arms)}; came {map.trial.control!r}"]
    body = {"what": "trial", "name": map.trial.name, "arms": arms, "control": map.trial.control,
            "given_to": map.trial.given_to}  # fmt: skip
    at = min(days[arm] for arm in new or days)
    draft = Draft("define", at, plain(KINDS["define"].model_validate(body)), run.setting.by)
    return [entry_of(run.farm.id, draft)], []


def _arms(offers: Iterable[_Offer]) -> dict[str, str]:
    """Every arm that the rows of a sheet name, as first seen, with the earliest day of each."""
    days: dict[str, str] = {}
    for draft in (draft for offer in offers for draft in offer.made.drafts):
        arm = draft.body.get("arm", "")
        if "trial" in draft.body and draft.at and 0 < len(arm) <= LONGEST_NAME:
            days[arm] = min(draft.at, days.get(arm, draft.at))
    return days
