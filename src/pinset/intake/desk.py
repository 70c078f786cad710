"""Taking files in at a farm: look at what they would become, then take it."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, Protocol

from pinset.intake import shelf
from pinset.intake.files import read
from pinset.intake.guard import NotNotes, TooLarge
from pinset.intake.known import known_from
from pinset.intake.layout import laid_out
from pinset.intake.map import Map
from pinset.intake.propose import propose
from pinset.intake.table import Table
from pinset.intake.take import Taking, take
from pinset.journal.entry import Entry
from pinset.journal.farms import FarmSettings
from pinset.journal.keep import Outcome
from pinset.journal.store import Store

_AT_ONCE: Final = 5_000  # entries in one transaction: enough to be quick, few enough to lose little in a power cut

Progress = Callable[[int], None]


class StillAsked(ValueError):
    """Something has to be said before these files can be taken."""


class FarmDoor(Protocol):
    """What intake needs of a farm."""

    @property
    def settings(self) -> FarmSettings:
        """The farm's settings."""

    @property
    def store(self) -> Store:
        """The farm's store."""

    def keep(self, entries: Iterable[Entry], /) -> list[Outcome]:
        """Offer entries; each is answered by itself."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a taking: entries kept, of them waiting for what they are about, and rows set aside anew."""

    kept: int
    waiting: int
    aside: int
    not_kept: tuple[Outcome, ...] = ()


@dataclass(frozen=True, slots=True)
class Opened:
    """The tables of some files, and of those that could not be read, why."""

    tables: list[Table]
    refused: tuple[str, ...] = ()


def open_files(paths: Iterable[Path], map: Map | None = None) -> Opened:
    """Open files; one that cannot be read does not stop the others. A map's column names help to find the headings."""
    headings = map.headings if map else frozenset[str]()
    tables: list[Table] = []
    refused: list[str] = []
    for path in paths:
        try:
            tables += [table for grid in read(path) if (table := laid_out(grid, headings)) is not None]
        except (NotNotes, TooLarge, OSError) as fault:
            refused.append(str(fault))
    return Opened(tables, tuple(refused))


def tables_in(paths: Iterable[Path], map: Map | None = None) -> list[Table]:
    """The tables of some files; raises NotNotes where one of them cannot be read."""
    found = open_files(paths, map)
    if found.refused:
        raise NotNotes("\n".join(found.refused))
    return found.tables


def proposed(farm: FarmDoor, tables: Sequence[Table]) -> Map:
    """A map for some tables, guessed with the help of what is on record."""
    with farm.store.read() as connection:
        return propose(tables, known_from(connection, farm.settings), farm.settings.decimal_mark)


def look(
    farm: FarmDoor,
    tables: Sequence[Table],
    map: Map,
    by: str = "grower",
    now: datetime | None = None,
    progress: Progress = lambda done: None,
) -> Taking:
    """What some tables would become. Nothing is written."""
    with farm.store.read() as connection, _collecting_no_garbage():
        known = known_from(connection, farm.settings, shelf.states(connection, farm.settings.id))
        return take(tables, map, farm.settings, known, by, now, progress)


@contextmanager
def _collecting_no_garbage() -> Iterator[None]:
    """Nothing made of rows dies before all are read; looking for garbage among them all the same takes a fifth more."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def take_in(farm: FarmDoor, taking: Taking, progress: Progress = lambda done: None) -> Taken:
    """Take what was looked at: keep the entries, set the rest aside. Raises StillAsked before anything is written.

    Rows are set aside before the others are kept: should the power fail between, taking the file again does the rest.
    """
    if taking.asks:
        raise StillAsked("\n".join(taking.asks))
    with farm.store.transaction() as connection:
        aside = shelf.put(connection, farm.settings.id, taking.asides)
    outcomes = _kept(farm, list(taking.entries), progress)
    good = {outcome.id for outcome in outcomes if outcome.word in ("kept", "already kept", "waiting")}
    with farm.store.transaction() as connection:
        for sheet in taking.sheets:
            for row, entry in sheet.now_sound.items():
                if entry in good:
                    shelf.settle(connection, farm.settings.id, row, "accepted", entry)
    kept, waiting = (sum(outcome.word == word for outcome in outcomes) for word in ("kept", "waiting"))
    return Taken(kept + waiting, waiting, aside, tuple(one for one in outcomes if one.id not in good))


def take_files(
    farm: FarmDoor,
    paths: Sequence[Path],
    map: Map | None = None,
    control: str | None = None,
    by: str = "grower",
    now: datetime | None = None,
) -> tuple[Taking, Taken]:
    """Open files, read them by a map or by a guess, and take them: what `pinset take FILE... --yes` does.

    Raises NotNotes where a file cannot be read, and StillAsked where something has to be said first.
    """
    tables = tables_in(paths, map)
    used = (map or proposed(farm, tables)).with_control(control)
    taking = look(farm, tables, used, by, now)
    return taking, take_in(farm, taking)


def _kept(farm: FarmDoor, entries: Sequence[Entry], progress: Progress) -> list[Outcome]:
    outcomes: list[Outcome] = []
    for start in range(0, len(entries), _AT_ONCE):
        outcomes += farm.keep(entries[start : start + _AT_ONCE])
        progress(len(outcomes))
    return outcomes
