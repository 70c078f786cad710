"""Settling rows that were set aside: accept one as it is, put it in the place of another, correct it, or drop it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Final

from pinset.intake import shelf
from pinset.intake.bodies import Draft
from pinset.intake.desk import FarmDoor
from pinset.intake.known import known_from
from pinset.intake.plausible import Bench, doubts
from pinset.intake.problem import Problem
from pinset.intake.shelf import Shelved
from pinset.intake.take import entry_of
from pinset.journal.codes import new_id
from pinset.journal.entry import Entry, Fault, NotAnEntry, checked, utc_text
from pinset.journal.keep import Outcome
from pinset.journal.said import body_said, moment_said, spoken, stored
from pinset.ledger.rows import rows as ledger_rows

_LEVELS: Final = ("units", "batch", "room")
_RANGE: Final = re.compile(r"^(\d+)\.\.(\d+)$")


class NotToAccept(ValueError):
    """This row cannot be accepted as it is."""


class SettledBefore(ValueError):
    """This row was settled before."""


class NothingToReplace(ValueError):
    """There is no entry on record whose place this row could take."""


def numbers_said(words: Iterable[str], known: Iterable[Shelved]) -> list[int]:
    """The numbers that words mean: ``3``, ``3..7``, or ``all`` for every open question.

    >>> numbers_said(["3..5", "9"], [])
    [3, 4, 5, 9]
    """
    found: list[int] = []
    for word in words:
        if word == "all":
            found += [one.number for one in known if one.state == "open" and one.problem.sort == "question"]
        elif span := _RANGE.match(word):
            found += range(int(span[1]), int(span[2]) + 1)
        elif word.isdigit():
            found.append(int(word))
        else:
            raise shelf.NoSuchAside(f"needed the number of a row set aside, as 3 or 3..7; came {word!r}")
    return list(dict.fromkeys(found))


def listed(farm: FarmDoor, settled: bool = False) -> list[Shelved]:
    """The rows set aside that are open still; with ``settled``, every row ever set aside."""
    with farm.store.read() as connection:
        return [one for one in shelf.shelved(connection, farm.settings.id) if settled or one.state == "open"]


def find(farm: FarmDoor, number: int) -> Shelved:
    """The row set aside under a number, open still; raises NoSuchAside or SettledBefore."""
    with farm.store.read() as connection:
        found = shelf.find(connection, farm.settings.id, number)
    if found.state != "open":
        raise SettledBefore(f"row {number} was {found.state} before; nothing was changed")
    return found


def accept(farm: FarmDoor, number: int, instead: bool = False) -> list[Outcome]:
    """Keep a doubted row as it is; with ``instead``, in the place of the entry on record that it was held against."""
    found = find(farm, number)
    if found.problem.sort == "fault":
        raise NotToAccept(
            f"row {number} cannot be kept as it is: {found.problem}\n"
            f"Correct it with: pinset aside correct {number} FIELD=VALUE, or drop it"
        )
    replaces = found.offered.get("instead")
    entries = [checked(one) for one in _entries(farm, found.offered)]
    if instead:
        if replaces is None:
            mend = f"accept it with: pinset aside accept {number}"
            raise NothingToReplace(f"row {number} stands against nothing on record; {mend}")
        entries = [_corrected(entries[0], replaces), *entries[1:]]
    return _keep(farm, found, entries, "accepted")


def _corrected(entry: Entry, replaces: str) -> Entry:
    # of two corrections the one noted later is in force: so this is noted now
    return replace(entry, id=new_id(), replaces=replaces, noted_at=utc_text(datetime.now(UTC)))


def _keep(farm: FarmDoor, found: Shelved, entries: list[Entry], state: shelf.State) -> list[Outcome]:
    outcomes = farm.keep(entries)
    if all(one.word in ("kept", "already kept", "waiting") for one in outcomes):
        with farm.store.transaction() as connection:
            shelf.settle(connection, farm.settings.id, found.id, state, entries[0].id)
    return outcomes


def _entries(farm: FarmDoor, offered: Mapping[str, Any]) -> list[Entry]:
    """The entries that a row would become, with the ids that the row itself gives them."""
    return [
        entry_of(farm.settings.id, Draft(one["kind"], one["at"], one["body"], one["by"]), offered["occurrence"])
        for one in offered["entries"]
    ]


def correct(farm: FarmDoor, number: int, words: Mapping[str, str]) -> list[Outcome] | Shelved:
    """Correct fields of a row and keep it; a row that is doubted still stays aside, told anew.

    ``words`` are as in a note: ``{"weight": "181g", "at": "2026-04-17"}``; of a row that becomes several entries,
    ``pick.weight`` names the kind as well. Raises NotAnEntry where the row is no entry yet.
    """
    found = find(farm, number)
    offered = {**found.offered, "entries": [_with_words(farm, one, words) for one in found.offered["entries"]]}
    _each_word_used(found, words)
    if offered["entries"] != found.offered["entries"]:
        offered["occurrence"] = 1
    sound = _sound(_entries(farm, offered))
    offered["entries"] = [{"kind": one.kind, "at": one.at, "by": one.by, "body": one.body} for one in sound]
    entries = _entries(farm, offered)
    doubted = _doubted(farm, found, entries)
    if doubted is None:
        return _keep(farm, found, entries, "corrected")
    problem, offered["instead"] = doubted
    offered["also"] = []
    with farm.store.transaction() as connection:
        shelf.reword(connection, farm.settings.id, found.id, problem, offered)
    return find(farm, number)


def _with_words(farm: FarmDoor, one: Mapping[str, Any], words: Mapping[str, str]) -> dict[str, Any]:
    kind, at, body = one["kind"], one["at"], dict(one["body"])
    settings = farm.settings
    for name, text in words.items():
        own, _, field = name.rpartition(".")
        if own not in ("", kind):
            continue
        if field == "at":
            at = moment_said(text, settings.zone, datetime.now(UTC))
        elif stored(kind, field) is not None:
            body |= body_said(kind, {field: text}, settings.minor_digits, settings.decimal_mark)
            _keep_one_level(kind, body, str(stored(kind, field)))
    return {"kind": kind, "at": at, "by": one["by"], "body": body}


def _keep_one_level(kind: str, body: dict[str, Any], name: str) -> None:
    """A corrected unit, batch or room is the one thing that the note is about."""
    if kind in ("pick", "check", "move", "cull") and name in _LEVELS:
        for level in _LEVELS:
            if level != name:
                body.pop(level, None)


def _each_word_used(found: Shelved, words: Mapping[str, str]) -> None:
    """Raise NotAnEntry for a word that no entry of the row has a field for."""
    known = [one["kind"] for one in found.offered["entries"]]
    for name, text in words.items():
        own, _, field = name.rpartition(".")
        kinds = [kind for kind in known if own in ("", kind)]
        if not kinds:
            raise NotAnEntry([Fault(name, f"a field of {' or '.join(known)}", name)])
        if field != "at" and all(stored(kind, field) is None for kind in kinds):
            body_said(kinds[0], {field: text})


def _sound(entries: Iterable[Entry]) -> list[Entry]:
    try:
        return [checked(entry) for entry in entries]
    except NotAnEntry as fault:
        faults = [one._replace(where=spoken(one.where), needed=_in_words(one)) for one in fault.faults]
        raise NotAnEntry(faults) from fault


def _in_words(fault: Fault) -> str:
    return f"a {spoken(fault.where)}" if fault.needed == "Field required" else fault.needed


def _doubted(farm: FarmDoor, found: Shelved, entries: Iterable[Entry]) -> tuple[Problem, str | None] | None:
    with farm.store.read() as connection:
        known = known_from(connection, farm.settings)
    for entry in entries:
        rows = ledger_rows(entry)
        for doubt in doubts(entry, rows, Bench(known)):
            problem = replace(found.problem, column=spoken(doubt.field), sort="question", needed=doubt.needed,
                              came=doubt.came, mend=doubt.mend)  # fmt: skip
            return problem, doubt.instead
        known.learn(rows)
    return None


def drop(farm: FarmDoor, number: int, because: str = "") -> Shelved:
    """Leave a row out for good; it is not asked about again when its file is taken again."""
    found = find(farm, number)
    offered = {**found.offered, "because": because} if because else found.offered
    with farm.store.transaction() as connection:
        shelf.reword(connection, farm.settings.id, found.id, found.problem, offered)
        shelf.settle(connection, farm.settings.id, found.id, "dropped")
    return found
