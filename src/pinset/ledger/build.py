"""Keeping the ledger in step with the journal: entry by entry as they come, or all of it anew."""

from __future__ import annotations

import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence

from pinset.journal.entry import Entry, seconds
from pinset.journal.keep import find, kept, select_in
from pinset.journal.store import Connection
from pinset.ledger import force
from pinset.ledger.rows import claimed, rows, subjects
from pinset.ledger.tables import INSERT, TABLES, Claim, Dialect, Row, create_sql, statistics, table_name

# Raised whenever a table or the meaning of an entry changes: an older ledger is dropped and made again.
LEDGER_VERSION = 3
CHUNK = 5_000


def is_current(connection: Connection) -> bool:
    """Whether the ledger's tables are there and of this version."""
    return bool(connection.execute("SELECT version FROM ledger_version").fetchone() == (LEDGER_VERSION,))


def is_made(connection: Connection, farm: str) -> bool:
    """Whether a farm's rows were made since the tables were."""
    return connection.execute("SELECT 1 FROM ledger_made WHERE farm = ?", (farm,)).fetchone() is not None


def renew(connection: Connection, dialect: Dialect) -> None:
    """Make the ledger's tables anew, empty. Nothing noted is lost: the journal has it all."""
    for name in [*map(table_name, TABLES), "ledger_made"]:
        connection.execute(f"DROP TABLE IF EXISTS {name}")
    for table in TABLES:
        for statement in create_sql(table, dialect):
            connection.execute(statement)
    if dialect == "sqlite":
        _tell_planner(connection)
    connection.execute("CREATE TABLE ledger_made (farm TEXT PRIMARY KEY)")
    connection.execute("DELETE FROM ledger_version")
    connection.execute("INSERT INTO ledger_version VALUES (?)", (LEDGER_VERSION,))


def _tell_planner(connection: Connection) -> None:
    connection.execute("ANALYZE ledger_version")  # makes SQLite's table of statistics
    connection.executemany(
        "INSERT INTO sqlite_stat1 VALUES (?, ?, ?)", [one for table in TABLES for one in statistics(table)]
    )
    connection.execute("ANALYZE sqlite_schema")


def rebuild(connection: Connection, farm: str, progress: Callable[[int], None] = lambda done: None) -> int:
    """Take a farm's rows away and make them again from its journal; returns how many entries were read."""
    for name in [*map(table_name, TABLES), "ledger_made"]:
        connection.execute(f"DELETE FROM {name} WHERE farm = ?", (farm,))
    connection.execute("INSERT INTO ledger_made VALUES (?)", (farm,))
    return _refill(connection, farm, progress)


def _refill(connection: Connection, farm: str, progress: Callable[[int], None]) -> int:
    standing = in_force(connection, farm)
    batch: list[Row] = []
    done = 0
    for one in kept(connection, farm):
        done += 1
        if one.entry.id in standing:
            batch += rows(one.entry)
        elif one.entry.id in standing.ends:
            batch += _claim_only(one.entry)
        if done % CHUNK == 0:
            _insert(connection, batch)
            batch = []
            progress(done)
    _insert(connection, batch)
    progress(done)
    return done


class Standing(set[str]):
    """The ids in force, and beside them the ends of families, which keep their claim even where another holds it."""

    ends: set[str]


def in_force(connection: Connection, farm: str) -> Standing:
    """The ids of a farm's entries in force."""
    claims = ("make", "receive", "draw", "pack", "mix", "treat")
    marks = ", ".join("?" * len(claims))
    replaced = connection.execute(
        "SELECT id, replaces, noted_at, kind, body FROM entry WHERE farm = ? AND (replaces IS NOT NULL OR id IN"
        " (SELECT replaces FROM entry WHERE farm = ? AND replaces IS NOT NULL))",
        (farm, farm),
    ).fetchall()
    claiming = connection.execute(
        f"SELECT id, replaces, noted_at, kind, body FROM entry WHERE farm = ? AND kind IN ({marks})",
        (farm, *claims),
    ).fetchall()
    noted = {row[0]: _noted(*row) for row in (*replaced, *claiming)}
    standing = Standing(force.in_force(noted.values()))
    standing.ends = {found[0].id for family in force.families(noted.values()) if (found := force.ends(family))}
    others = connection.execute("SELECT id FROM entry WHERE farm = ?", (farm,)).fetchall()
    standing.update(row[0] for row in others if row[0] not in noted)
    return standing


def _noted(entry_id: str, replaces: str | None, noted_at: str, kind: str, body: str) -> force.Noted:
    probe = Entry(entry_id, "", kind, "", noted_at, "", json.loads(body))
    return force.Noted(entry_id, replaces, seconds(noted_at), claimed(probe))


def apply(connection: Connection, farm: str, entries: Sequence[Entry]) -> dict[str, list[str]]:
    """Bring the ledger up to date with entries just kept; returns, for those that wait, what has not arrived yet."""
    fresh: list[Row] = []
    settling = _to_settle(connection, farm, entries)
    for entry in entries:
        if entry.id not in settling:
            fresh += rows(entry)
    _insert(connection, fresh)
    for entry in entries:
        if entry.id in settling:
            _settle(connection, farm, entry)
    return _missing(connection, farm, entries)


def _to_settle(connection: Connection, farm: str, entries: Sequence[Entry]) -> set[str]:
    """The entries that do not simply add their rows: corrections, corrected ones, and codes that are given twice."""
    ids = [entry.id for entry in entries]
    corrected = select_in(connection, "SELECT replaces FROM entry WHERE farm = ? AND replaces IN", farm, ids)
    found = {row[0] for row in corrected} | {entry.id for entry in entries if entry.replaces is not None}
    codes = {entry.id: code for entry in entries if (code := claimed(entry)) is not None}
    taken = select_in(
        connection, "SELECT code FROM claim WHERE farm = ? AND code IN", farm, sorted(set(codes.values()))
    )
    counts = Counter([*codes.values(), *(row[0] for row in taken)])
    return found | {entry_id for entry_id, code in codes.items() if counts[code] > 1}


def _settle(connection: Connection, farm: str, entry: Entry) -> None:
    """The slow road: a correction, a corrected entry that arrives late, or a code given twice."""
    family = _family(connection, farm, entry)
    found = force.ends(_as_noted(one) for one in family.values())
    codes = {code for one in family.values() if (code := claimed(one)) is not None}
    for one in family.values():
        _remove(connection, farm, one.id)
    if found:
        end = family[found[0].id]
        _insert(connection, _claim_only(end) or rows(end))
    for code in sorted(codes):
        _hand_over(connection, farm, code)


def _family(connection: Connection, farm: str, entry: Entry) -> dict[str, Entry]:
    family: dict[str, Entry] = {}
    asked: set[str] = set()
    ask = [entry.id]
    while ask:
        entry_id = ask.pop()
        if entry_id in asked:
            continue
        asked.add(entry_id)
        one = find(connection, farm, entry_id)
        if one is not None:
            family[entry_id] = one.entry
            ask += [one.entry.replaces] if one.entry.replaces else []
        ask += _correctors(connection, farm, entry_id)
    return family


def _correctors(connection: Connection, farm: str, entry_id: str) -> list[str]:
    found = connection.execute("SELECT id FROM entry WHERE farm = ? AND replaces = ?", (farm, entry_id)).fetchall()
    return [row[0] for row in found]


def _as_noted(entry: Entry) -> force.Noted:
    return force.Noted(entry.id, entry.replaces, seconds(entry.noted_at), claimed(entry))


def _claim_only(entry: Entry) -> list[Row]:
    return [row for row in rows(entry) if isinstance(row, Claim)]


def _hand_over(connection: Connection, farm: str, code: str) -> None:
    """Give a code's rows to the earliest noted of those who claim it."""
    claimants = connection.execute(
        "SELECT entry FROM claim WHERE farm = ? AND code = ? ORDER BY noted_at, entry", (farm, code)
    ).fetchall()
    for n, (entry_id,) in enumerate(claimants):
        kept_entry = find(connection, farm, entry_id)
        assert kept_entry is not None, "a claim without its entry"
        _remove(connection, farm, entry_id)
        _insert(connection, rows(kept_entry.entry) if n == 0 else _claim_only(kept_entry.entry))


def _remove(connection: Connection, farm: str, entry_id: str) -> None:
    for table in TABLES:
        connection.execute(f"DELETE FROM {table_name(table)} WHERE farm = ? AND entry = ?", (farm, entry_id))


def _insert(connection: Connection, made: Sequence[Row]) -> None:
    by_table: dict[type[Row], list[Row]] = defaultdict(list)
    for row in made:
        by_table[type(row)].append(row)
    for table, some in by_table.items():
        connection.executemany(INSERT[table], some)


def _missing(connection: Connection, farm: str, entries: Sequence[Entry]) -> dict[str, list[str]]:
    about = {entry.id: [one for one in subjects(entry) if one[0] != "room"] for entry in entries}
    known: set[tuple[str, str]] = set()
    for level in ("unit", "batch"):
        codes = sorted({code for some in about.values() for each, code in some if each == level})
        there = select_in(connection, f"SELECT code FROM {level} WHERE farm = ? AND code IN", farm, codes)
        known |= {(level, row[0]) for row in there}
    missing = {entry_id: [one[1] for one in some if one not in known] for entry_id, some in about.items()}
    return {entry_id: codes for entry_id, codes in missing.items() if codes}


def fingerprint(connection: Connection, farm: str) -> str:
    """One hash over every row of a farm's ledger: equal fingerprints mean equal ledgers."""
    whole = hashlib.sha256()
    for table in TABLES:
        whole.update(table_name(table).encode())
        listed = connection.execute(f"SELECT * FROM {table_name(table)} WHERE farm = ? ORDER BY entry, n", (farm,))
        for row in listed:
            whole.update(repr(tuple(row)).encode())
    return whole.hexdigest()
