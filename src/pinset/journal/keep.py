"""Keeping entries: each is answered by itself, and 'kept' is said only after the commit."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from pinset.journal.entry import Entry, Fault, NotAnEntry, canonical, checked, digest, link, one_line, utc_text
from pinset.journal.farms import FarmSettings
from pinset.journal.store import Connection, Store

Word = Literal["kept", "already kept", "waiting", "conflict", "refused"]
Apply = Callable[[Connection, Sequence[Entry]], Mapping[str, Sequence[str]]]

_COLUMNS = (
    "id, farm, kind, at, noted_at, noted_by, body, version, device, device_seq, replaces, attachments,"
    " place, kept_at, chain"
)
MOST_MARKS = 500
SOME = 2_000


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one offered entry."""

    id: str
    word: Word
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class Kept:
    """An entry as it stands in the journal, with its place in the farm's chain."""

    entry: Entry
    body_text: str
    place: int
    kept_at: str
    chain: str

    @property
    def words(self) -> str:
        """What is hashed of it: from the stored text itself, so that no changed byte goes unseen."""
        return canonical(self.entry, self.body_text)


def _now() -> datetime:
    return datetime.now(UTC)


def keep(
    store: Store,
    farm: FarmSettings,
    offered: Iterable[Entry],
    apply: Apply,
    clock: Callable[[], datetime] = _now,
) -> list[Outcome]:
    """Keep what can be kept, in one transaction with the rows that `apply` makes of it.

    A repeat of an entry that is on record is 'already kept'; the same id with another body is a 'conflict', shown
    and set beside, never written over; an entry about something that has not arrived yet is kept and 'waiting'.
    """
    offers = list(offered)
    with store.transaction() as connection:
        chain = _Chain(connection, farm, utc_text(clock()))
        known = find_all(connection, farm.id, [entry.id for entry in offers])
        outcomes = [_offer(connection, chain, known, entry) for entry in offers]
        chain.close()
        waiting = apply(connection, chain.fresh)
    return [_waiting(outcome, waiting) for outcome in outcomes] if waiting else outcomes


class _Chain:
    """The farm's chain while a transaction adds to it."""

    def __init__(self, connection: Connection, farm: FarmSettings, kept_at: str) -> None:
        self.connection, self.farm, self.kept_at = connection, farm, kept_at
        self.place, self.head = connection.execute("SELECT entries, head FROM farm WHERE id = ?", (farm.id,)).fetchone()
        self.fresh: list[Entry] = []
        self._rows: list[tuple[Any, ...]] = []

    def add(self, entry: Entry) -> str:
        """Add an entry; returns its canonical words."""
        body_text = entry.body_text
        words = canonical(entry, body_text)
        self.place += 1
        self.head = link(self.head, words, self.kept_at)
        self._rows.append((
            entry.farm, self.place, entry.id, entry.kind, entry.version, entry.at, entry.noted_at, self.kept_at,
            entry.by, entry.device, entry.device_seq, entry.replaces, body_text,
            one_line(entry.attachments) if entry.attachments else "[]", self.head,
        ))  # fmt: skip
        self.fresh.append(entry)
        return words

    def close(self) -> None:
        """Write what was added."""
        if not self.fresh:
            return
        self.connection.executemany(
            "INSERT INTO entry (farm, place, id, kind, version, at, noted_at, kept_at, noted_by, device, device_seq,"
            " replaces, body, attachments, chain) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            self._rows,
        )
        self.connection.execute(
            "UPDATE farm SET entries = ?, head = ? WHERE id = ?", (self.place, self.head, self.farm.id)
        )


def _offer(connection: Connection, chain: _Chain, known: dict[str, str], entry: Entry) -> Outcome:
    try:
        entry = checked(entry)
    except NotAnEntry as fault:
        return Outcome(entry.id, "refused", tuple(fault.faults))
    if entry.farm != chain.farm.id:
        return Outcome(entry.id, "refused", (Fault("farm", f"the farm {chain.farm.id}", entry.farm),))
    if entry.id not in known:
        known[entry.id] = chain.add(entry)
        return Outcome(entry.id, "kept")
    if known[entry.id] == entry.canonical:
        return Outcome(entry.id, "already kept")
    connection.execute(
        "INSERT INTO conflict VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (entry.farm, entry.id, digest(entry.canonical), entry.canonical, chain.kept_at),
    )
    needed = "the same words as were kept under this id"
    mend = "Note it again under a new id, or as a correction of the first."
    return Outcome(entry.id, "conflict", (Fault("body", needed, entry.body_text, mend),))


def _waiting(outcome: Outcome, waiting: Mapping[str, Sequence[str]]) -> Outcome:
    if outcome.word != "kept" or outcome.id not in waiting:
        return outcome
    faults = tuple(
        Fault("about", f"{code} on record", "an entry about it before it has arrived") for code in waiting[outcome.id]
    )
    return Outcome(outcome.id, "waiting", faults)


def find(connection: Connection, farm: str, entry_id: str) -> Kept | None:
    """The entry with this id, or None."""
    row = connection.execute(f"SELECT {_COLUMNS} FROM entry WHERE farm = ? AND id = ?", (farm, entry_id)).fetchone()
    return None if row is None else _kept(row)


def find_all(connection: Connection, farm: str, ids: Sequence[str]) -> dict[str, str]:
    """The canonical words of those entries that are on record, by id."""
    sql = f"SELECT {_COLUMNS} FROM entry WHERE farm = ? AND id IN"
    return {row[0]: _kept(row).words for row in select_in(connection, sql, farm, ids)}


def select_in(connection: Connection, sql: str, farm: str, values: Sequence[str]) -> Iterator[Sequence[Any]]:
    """The rows of a statement that ends in ``IN``, for any number of values."""
    for start in range(0, len(values), MOST_MARKS):
        some = values[start : start + MOST_MARKS]
        yield from connection.execute(f"{sql} ({', '.join('?' * len(some))})", (farm, *some)).fetchall()


def kept(connection: Connection, farm: str, after: int = 0) -> Iterator[Kept]:
    """Every entry of a farm in the order of its chain, from a place on."""
    while some := kept_some(connection, farm, after, SOME):
        yield from some
        after = some[-1].place


def kept_some(connection: Connection, farm: str, after: int, most: int) -> list[Kept]:
    """So many entries of a farm in the order of its chain, from a place on."""
    sql = f"SELECT {_COLUMNS} FROM entry WHERE farm = ? AND place > ? ORDER BY place LIMIT ?"
    return [_kept(row) for row in connection.execute(sql, (farm, after, most)).fetchall()]


def _kept(row: Sequence[Any]) -> Kept:
    entry = Entry(
        id=row[0], farm=row[1], kind=row[2], at=row[3], noted_at=row[4], by=row[5], body=json.loads(row[6]),
        version=row[7], device=row[8], device_seq=row[9], replaces=row[10], attachments=tuple(json.loads(row[11])),
    )  # fmt: skip
    return Kept(entry, row[6], *row[12:])


def chain_faults(connection: Connection, farm: FarmSettings) -> list[Fault]:
    """Where the farm's chain does not hold: a changed, missing or misplaced entry. Empty when all is as it was kept."""
    faults: list[Fault] = []
    head, place = farm.genesis, 0
    for one in kept(connection, farm.id):
        head, place = link(head, one.words, one.kept_at), place + 1
        if one.place != place or one.chain != head:
            faults.append(
                Fault(f"entry {one.place}", "the entry as it was kept", f"another content, id {one.entry.id}")
            )
            head, place = one.chain, one.place
    entries, stored_head = connection.execute("SELECT entries, head FROM farm WHERE id = ?", (farm.id,)).fetchone()
    if (entries, stored_head) != (place, head):
        faults.append(
            Fault("chain", f"{entries} entries ending in {stored_head[:12]}", f"{place} ending in {head[:12]}")
        )
    return faults
