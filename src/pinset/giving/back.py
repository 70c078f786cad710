"""Taking a package back: the same record in a new home, checked against its own hashes before it counts."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final
from zoneinfo import ZoneInfo

from pinset.farm import Farm
from pinset.giving.exact import ENTRIES, EXACT, FARM, insert_sql
from pinset.giving.guard import MOST_DESCRIBED, MOST_TEXT, NotAPackage, PackageTooLarge, check_parts
from pinset.giving.package import DESCRIPTION, path_of
from pinset.giving.schema import Field, Table
from pinset.journal.carry import settings_for_new_home
from pinset.journal.entry import Entry, NotAnEntry, checked
from pinset.journal.farms import FarmSettings, add_farm
from pinset.journal.keep import SOME, chain_faults
from pinset.journal.store import Connection, has_record
from pinset.ledger import build

_BROKEN: Final = (
    zipfile.BadZipFile, zlib.error, csv.Error, EOFError, UnicodeError, NotImplementedError, RecursionError,
)  # fmt: skip
_LARGEST: Final = 2**53
Values = tuple[Any, ...]


def start_from(path: Path, folder: Path, address: str | None = None) -> Farm:
    """A new record, of everything that a package holds, in a folder or a database.

    Raises NotAPackage or PackageTooLarge where the package is not whole and sound; nothing of it is then kept.
    """
    if has_record(folder):
        raise FileExistsError(f"{folder} has a record already; nothing was changed")
    with _opened(path) as package:
        return package.settle(folder, address)


@contextmanager
def _opened(path: Path) -> Iterator[_Package]:
    limit = csv.field_size_limit(MOST_TEXT)
    try:
        with zipfile.ZipFile(path) as archive:
            check_parts(archive)
            yield _Package(archive)
    except _BROKEN as fault:
        raise NotAPackage(f"{path.name}: needed a whole package; came a damaged file ({fault}). {_NOTHING}") from fault
    except (NotAPackage, PackageTooLarge) as fault:
        raise type(fault)(f"{path.name}: {fault}") from fault
    finally:
        csv.field_size_limit(limit)


class _Package:
    """A package, open."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive
        self._described = self._description()
        self._hashes = {one.get("path"): one.get("hash") for one in self._described["resources"]}
        self.farm, self.entries, self.head = self._settings()

    def _description(self) -> dict[str, Any]:
        names = self._archive.namelist()
        if DESCRIPTION not in names or self._archive.getinfo(DESCRIPTION).file_size > MOST_DESCRIBED:
            raise _not(f"a package with its {DESCRIPTION}", "a file without it, or with a very large one")
        try:
            described = json.loads(self._archive.read(DESCRIPTION))
        except ValueError as fault:
            raise _not(f"JSON in {DESCRIPTION}", str(fault)) from fault
        parts = described.get("resources") if isinstance(described, dict) else None
        if not isinstance(parts, list) or not all(isinstance(one, dict) for one in parts):
            raise _not(f"a list of resources in {DESCRIPTION}", "none")
        return dict(described)

    def _settings(self) -> tuple[FarmSettings, int, str]:
        rows = list(self.rows(FARM))
        if len(rows) != 1:
            raise _not("the settings of one farm", f"those of {len(rows)}")
        *told, entries, head = rows[0]
        farm = FarmSettings(*told)
        if not 0 <= farm.minor_digits <= 4 or farm.decimal_mark not in (".", ",") or not _is_zone(farm.zone):
            raise _not("settings that a farm can have", repr(farm))
        return farm, entries, head

    def rows(self, table: Table) -> Iterator[Values]:
        """The rows of an exact table, each value of its type."""
        path = path_of(table)
        if path not in self._archive.namelist():
            raise _not(f"a package that pinset made, with its {path}", "a package without it")
        with self._archive.open(path) as raw:
            hashed = _Hashed(raw)
            lines = csv.reader(io.TextIOWrapper(io.BufferedReader(hashed), "utf-8", newline=""), strict=True)
            if tuple(next(lines, ())) != table.columns:
                raise _not(f"the columns {', '.join(table.columns)} in {path}", "others")
            for number, words in enumerate(lines, 2):
                if len(words) != len(table.fields):
                    raise _not(f"{len(table.fields)} values in {path}, row {number}", str(len(words)))
                yield tuple(_value(*one, path, number) for one in zip(table.fields, words, strict=True))
        if self._hashes.get(path) != f"sha256:{hashed.hash.hexdigest()}":
            raise _not(f"{path} as {DESCRIPTION} has it", "another content")

    def settle(self, folder: Path, address: str | None) -> Farm:
        """Give the farm its new home."""
        farm = settings_for_new_home(self.farm)
        return Farm.settle(farm, folder, address, lambda target: self._bring(target, farm))

    def _bring(self, target: Connection, farm: FarmSettings) -> None:
        add_farm(target, farm)
        target.execute("UPDATE farm SET entries = ?, head = ? WHERE id = ?", (self.entries, self.head, farm.id))
        for table in EXACT[1:]:
            for some in _by(SOME, self._own(table)):
                with _each_once(table):
                    target.executemany(insert_sql(table), some)
        faults = chain_faults(target, farm)
        if faults:
            raise _not("a chain of entries that holds", str(faults[0]))
        build.rebuild(target, farm.id)
        told = self._described.get("ledger")
        now = {"version": build.LEDGER_VERSION, "fingerprint": build.fingerprint(target, farm.id)}
        if isinstance(told, dict) and told.get("version") == now["version"] and told != now:
            raise _not("the ledger that was given", "another one")

    def _own(self, table: Table) -> Iterator[Values]:
        for row in self.rows(table):
            if row[0] != self.farm.id:
                raise _not(f"the rows of {self.farm.name} alone", f"one of the farm {row[0]!r} in {path_of(table)}")
            if table is ENTRIES:
                _check_entry(dict(zip(table.columns, row, strict=True)))
            yield row


_NOTHING: Final = NotAPackage.__doc__ or ""


def _not(needed: str, came: str) -> NotAPackage:
    return NotAPackage(f"needed {needed}; came {came}. {_NOTHING}")


@contextmanager
def _each_once(table: Table) -> Iterator[None]:
    """Tell a doubled key in the grower's terms; every database names that fault alike."""
    try:
        yield
    except Exception as fault:
        if "IntegrityError" not in {each.__name__ for each in type(fault).__mro__}:
            raise
        raise _not(f"each row once in {path_of(table)}", str(fault)) from fault


def _is_zone(name: str) -> bool:
    try:
        return bool(ZoneInfo(name).key)
    except (LookupError, ValueError, OSError):
        return False


def _value(field: Field, words: str, path: str, number: int) -> str | int | None:
    if field.type == "integer":
        digits = words.removeprefix("-")
        if not (digits.isascii() and digits.isdigit()) or len(digits) > 16 or int(digits) > _LARGEST:
            raise _not(f"a whole number in {path}, row {number}, {field.name}", repr(words[:80]))
        return int(words)
    return None if field.nullable and not words else words


def _check_entry(told: dict[str, Any]) -> None:
    try:
        entry = Entry(
            told["id"], told["farm"], told["kind"], told["at"], told["noted_at"], told["noted_by"],
            json.loads(told["body"]), told["version"], told["device"], told["device_seq"], told["replaces"],
            tuple(json.loads(told["attachments"])),
        )  # fmt: skip
        checked(entry)
    except (NotAnEntry, ValueError, TypeError) as fault:
        raise _not(f"an entry in {path_of(ENTRIES)}, place {told['place']}", str(fault)) from fault


def _by(most: int, rows: Iterable[Values]) -> Iterator[list[Values]]:
    some: list[Values] = []
    for row in rows:
        some.append(row)
        if len(some) == most:
            yield some
            some = []
    yield some


class _Hashed(io.RawIOBase):
    """Reads on, and knows the hash of what was read."""

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw, self.hash = raw, hashlib.sha256()

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Read the next bytes."""
        data = self._raw.read(len(buffer))
        buffer[: len(data)] = data
        self.hash.update(data)
        return len(data)
