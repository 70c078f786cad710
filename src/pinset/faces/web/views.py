"""What every page of the record shares: facts with where they lead to, forms, and entries told day by day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final, NamedTuple
from urllib.parse import quote

from pinset.faces import telling, words
from pinset.faces.web.record import Record
from pinset.journal.entry import seconds
from pinset.journal.keep import Kept
from pinset.ledger.tables import Batch, Unit
from pinset.questions._words import several

Context = dict[str, Any]
LATEST: Final = 12


class NotOnRecord(LookupError):
    """There is nothing of this code on record."""

    def __init__(self, kind: str, code: str, near: Iterable[str]) -> None:
        super().__init__(f"There is no {kind} {code} on record.")
        self.kind, self.near = kind, list(near)


class Fact(NamedTuple):
    """One thing on record, with where it leads to."""

    name: str
    words: str
    link: str = ""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form."""

    name: str
    label: str
    value: str = ""
    choices: tuple[str, ...] = ()
    type: str = "text"
    needed: bool = False


class Note(NamedTuple):
    """One entry as a line: the first word leads to it."""

    id: str
    verb: str
    words: str
    remark: str
    gone: bool


class Day(NamedTuple):
    """What was noted of one day."""

    day: str
    notes: list[Note]


def link(kind: str, code: str) -> str:
    """The address of the page about a batch, a unit, a lot or an entry.

    >>> link("batch", "A/1 b")
    '/batch/A%2F1%20b'
    """
    return f"/{kind}/{quote(code, safe='')}"


def days(record: Record, entries: list[Kept]) -> list[Day]:
    """Entries as lines, those of one day together; one that was corrected since says so."""
    corrected = record.corrections(one.entry.id for one in entries)
    by_day = groupby(entries, key=lambda one: day(record, seconds(one.entry.at)))
    return [Day(name, [_note(record, one, one.entry.id in corrected) for one in some]) for name, some in by_day]


def _note(record: Record, one: Kept, corrected: bool) -> Note:
    verb, _, rest = telling.told(one.entry, record.farm).partition(" ")
    hour = words.hour(one.entry.at, record.farm.zone)
    state = "corrected since" if corrected else "a correction" if one.entry.replaces else ""
    remark = ", ".join(part for part in (hour, one.entry.by, state) if part)
    return Note(one.entry.id, verb, rest, remark, corrected)


def day(record: Record, at: int) -> str:
    """The farm's day of a moment, in words."""
    return words.day(words.local(at, record.farm.zone).date())


def iso_day(record: Record, at: int) -> str:
    """The farm's day of a moment, as it stands in a table."""
    return words.local(at, record.farm.zone).date().isoformat()


def kilos(milligrams: int | None) -> float | None:
    """Milligrams as kg."""
    return None if milligrams is None else milligrams / words.KILOGRAM


def arm(trial: str | None, name: str | None) -> str | None:
    """A trial with the arm of it."""
    return f"{trial}: {name}" if trial and name else trial


def in_time(rows: list[Any]) -> list[Any]:
    """Rows in the order in which they happened."""
    return sorted(rows, key=lambda row: row.at)


def first(record: Record) -> Context:
    """The first page: what is on record, and what was noted last."""
    latest = record.latest(LATEST)
    if not latest:
        headline = f"{record.farm.name} has nothing on record yet. Take in your notes with: pinset take FILE"
        return {"headline": headline, "told": []}
    batches, units = record.ledger.count(Batch), record.ledger.count(Unit)
    newest = day(record, max(seconds(one.entry.noted_at) for one in latest))
    held = f"{several(batches, 'batch', 'batches')} with {several(units, 'unit')} on record"
    return {"headline": f"{held}; the newest note was taken on {newest}.", "told": days(record, latest)}
