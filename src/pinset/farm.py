"""One farm's record as one thing: keep a note, read the ledger, ask a question."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self
from zoneinfo import ZoneInfo

from pinset.journal import said
from pinset.journal.carry import NotCarried, bring, settings_for_new_home
from pinset.journal.codes import new_id
from pinset.journal.entry import Entry, Fault, utc_text
from pinset.journal.farms import FarmSettings, add_farm, find_farm, settings
from pinset.journal.keep import Kept, Outcome, chain_faults, find, keep
from pinset.journal.store import Connection, Store, create, has_record, home, open_store, point
from pinset.ledger import build
from pinset.ledger.read import Reader

if TYPE_CHECKING:
    from pinset.journal.sync import Batch, Reply
    from pinset.questions.answer import Answer


class Farm:
    """A farm's record, open. Close it, or use it in a ``with`` block."""

    def __init__(self, store: Store, farm: FarmSettings) -> None:
        self.store, self.settings = store, farm

    @classmethod
    def start(
        cls,
        folder: Path,
        name: str,
        currency: str = "EUR",
        zone: str = "UTC",
        decimal_mark: Literal[".", ","] = ".",
        now: datetime | None = None,
        address: str | None = None,
    ) -> Self:
        """Make a new record in a folder, or in the PostgreSQL database at an address: the folder then points there."""
        farm = settings(name, currency, zone, decimal_mark, utc_text(now or datetime.now(UTC)))
        return cls.settle(farm, folder, address, lambda connection: add_farm(connection, farm))

    @classmethod
    def settle(cls, farm: FarmSettings, folder: Path, address: str | None, bring: Callable[[Connection], None]) -> Self:
        """Give a farm a new home, and bring there what it has, in one transaction."""
        if has_record(folder):
            raise FileExistsError(f"{folder} has a record already; nothing was changed")
        settled = cls(create(address or folder).of(farm.id), farm)
        try:
            settled._renew()
            with settled.store.transaction() as connection:
                bring(connection)
        except BaseException:
            settled.store.abandon()
            raise
        if address:
            point(folder, address, farm.id)
        return settled

    @classmethod
    def open(cls, folder: Path, name: str | None = None) -> Self:
        """Open the record in a folder; a ledger of an older make is made again first."""
        there = home(folder)
        store = open_store(there.where)
        try:
            with store.listing() as connection:
                farm = find_farm(connection, name or there.farm)
        except BaseException:
            store.close()
            raise
        opened = cls(store.of(farm.id), farm)
        opened._renew()
        return opened

    def _renew(self) -> None:
        """Make the ledger again where it is of an older make."""
        with self.store.read() as connection:
            current = build.is_current(connection)
            made = current and build.is_made(connection, self.settings.id)
        if not current:
            with self.store.owner() as connection:
                if not build.is_current(connection):  # another process may have been quicker
                    build.renew(connection, self.store.dialect)
        if not made:
            self.rebuild()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the record."""
        self.store.close()

    def note(
        self,
        kind: str,
        words: Mapping[str, str],
        at: str = "",
        by: str = "grower",
        replaces: str | None = None,
        device: str = "",
    ) -> Outcome:
        """Note one thing in words, as on the command line: ``note("pick", {"unit": "A-01", "weight": "0.3kg"})``."""
        body = said.body_said(kind, words, self.settings.minor_digits, self.settings.decimal_mark)
        return self.keep([self.entry(kind, body, at, by, replaces, device)])[0]

    def entry(
        self,
        kind: str,
        body: dict[str, Any],
        at: str = "",
        by: str = "grower",
        replaces: str | None = None,
        device: str = "",
    ) -> Entry:
        """A new entry of this farm, not kept yet."""
        now = datetime.now(UTC)
        moment = said.moment_said(at, self.settings.zone, now)
        return Entry(
            new_id(),
            self.settings.id,
            kind,
            moment,
            utc_text(now),
            by,
            body,
            device=device,
            replaces=replaces,
        )

    def signs_drawn_from(self, kind: str, words: Mapping[str, str]) -> list[str]:
        """What speaks against a note that draws spawn, as "A-02: green on 2026-03-09"; empty for any other note."""
        if kind != "draw":
            return []
        from pinset.questions._fitness import signs_on

        body = said.body_said(kind, words, self.settings.minor_digits, self.settings.decimal_mark)
        with self.reader() as ledger:
            signs = signs_on(ledger, [part["lot"] for part in body.get("parents", [])])
        days = [datetime.fromtimestamp(sign.at, ZoneInfo(self.settings.zone)).date() for sign in signs]
        return [f"{sign.subject}: {sign.sign} on {day}" for sign, day in zip(signs, days, strict=True)]

    def keep(self, entries: Iterable[Entry]) -> list[Outcome]:
        """Offer entries; each is answered by itself, once the disk has it."""
        return keep(self.store, self.settings, entries, self._apply)

    def receive(self, batch: Batch, clock: Callable[[], datetime] | None = None) -> Reply:
        """Keep what a device offers, and answer for each offer by itself."""
        from pinset.journal import sync  # its models take longer to build than a note on this machine may

        return sync.receive(self.store, self.settings, batch, self._apply, clock or sync.now)

    def _apply(self, connection: Connection, fresh: Sequence[Entry]) -> Mapping[str, Sequence[str]]:
        return build.apply(connection, self.settings.id, fresh)

    def find(self, entry_id: str) -> Kept | None:
        """The kept entry with this id, or None."""
        with self.store.read() as connection:
            return find(connection, self.settings.id, entry_id)

    def count(self) -> int:
        """How many entries are kept."""
        with self.store.read() as connection:
            found = connection.execute("SELECT entries FROM farm WHERE id = ?", (self.settings.id,)).fetchone()
        return int(found[0])

    @contextmanager
    def reader(self) -> Iterator[Reader]:
        """The ledger, unchanging while the block lasts."""
        with self.store.read() as connection:
            yield Reader(connection, self.settings)

    def rebuild(self, progress: Callable[[int], None] = lambda done: None) -> int:
        """Make the ledger again from the journal; returns how many entries were read."""
        with self.store.transaction() as connection:
            return build.rebuild(connection, self.settings.id, progress)

    def verify(self) -> list[Fault]:
        """Every way in which the record is not as it was kept; empty when all holds."""
        faults = [Fault("file", "a sound file", words) for words in self.store.damage()]
        with self.store.read() as connection:
            faults += chain_faults(connection, self.settings)
            before = build.fingerprint(connection, self.settings.id)
        # entries that are not as they were kept need not make sense, and cannot be replayed
        return faults or self._replay_faults(before)

    def _replay_faults(self, before: str) -> list[Fault]:
        """A full replay in a transaction that is taken back must give the ledger that stands."""
        after = ""
        try:
            with self.store.transaction() as connection:
                build.rebuild(connection, self.settings.id)
                after = build.fingerprint(connection, self.settings.id)
                raise _TakeBack
        except _TakeBack:
            pass
        if before == after:
            return []
        mend = "Make it again with: pinset rebuild"
        return [Fault("ledger", f"the rows of a full replay, {after[:12]}", f"other rows, {before[:12]}", mend)]

    def ask(self, question: str, **options: Any) -> Answer:
        """Ask one of the questions: ``farm.ask("yields")``."""
        from pinset.questions.catalogue import find_question

        with self.reader() as ledger:
            return find_question(question).answer(ledger, **options)


def carried(old: Farm, folder: Path, address: str | None = None) -> Farm:
    """A farm's record in a new home, entry for entry; the old one stays as it is.

    Raises NotCarried where the chain does not hold, or where the ledger made in the new home is another.
    """
    farm = settings_for_new_home(old.settings)
    with old.store.read() as source:
        before = build.fingerprint(source, farm.id)

        def brings(target: Connection) -> None:
            bring(source, target, farm)
            build.rebuild(target, farm.id)
            if build.fingerprint(target, farm.id) != before:
                raise NotCarried(f"{NotCarried.__doc__} The ledger is another; try: pinset rebuild")

        return Farm.settle(farm, folder, address, brings)


class _TakeBack(Exception):
    """Ends a transaction whose work is not to be kept."""
