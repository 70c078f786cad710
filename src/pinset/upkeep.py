"""What a record needs from time to time: a backup each day, and each month proof that a backup comes back."""

from __future__ import annotations

import json
import logging
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from pinset.farm import Farm
from pinset.journal import backup as backing
from pinset.journal.sqlite import SqliteStore

log = logging.getLogger("pinset.upkeep")
STATE: Final = "upkeep.json"  # beside the record
DAILY, WEEK, MONTHLY = timedelta(days=1), timedelta(days=7), timedelta(days=30)
LOOKS_EVERY: Final = 900.0  # seconds between two looks at what is due
_ROOM: Final = 3  # times the backup's size that a trial may need on the disk


@dataclass(frozen=True, slots=True)
class Copied:
    """The newest good backup."""

    path: str
    at: str
    entries: int


@dataclass(frozen=True, slots=True)
class Tried:
    """The newest trial of a restore; ``fault`` is empty where everything came back."""

    path: str
    at: str
    fault: str


@dataclass(frozen=True, slots=True)
class State:
    """What was done last; ``fault`` tells why a backup could not be made since."""

    copied: Copied | None = None
    tried: Tried | None = None
    fault: str = ""


def state(farm: Farm) -> State:
    """What was done last for a farm's record. A backup that is gone from its folder does not count."""
    path = _state_file(farm)
    if path is None or not path.is_file():
        return State()
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        found = State(_read(Copied, told["copied"]), _read(Tried, told["tried"]), str(told["fault"]))
    except (ValueError, TypeError, KeyError, LookupError) as fault:
        log.warning("%s cannot be read and is written anew: %s", path, fault)
        return State()
    if found.copied and Path(found.copied.path).parent.is_dir() and not Path(found.copied.path).is_file():
        return State(None, found.tried, found.fault)
    return found


def _read(sort: Any, told: Any) -> Any:
    if told is None:
        return None
    datetime.fromisoformat(told["at"])
    return sort(**told)


def _state_file(farm: Farm) -> Path | None:
    return farm.store.path.parent / STATE if isinstance(farm.store, SqliteStore) else None


def _write(farm: Farm, now_is: State) -> None:
    path = _state_file(farm)
    assert path is not None, "only a record in a file has upkeep"
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    part.write_text(json.dumps(asdict(now_is), indent=1), encoding="utf-8")
    part.replace(path)


def back_up(farm: Farm, folder: Path | None = None, now: datetime | None = None) -> backing.Backup:
    """Back the record up, beside it or into another folder, and remember that it was done."""
    moment = now or datetime.now(UTC)
    before = state(farm)
    own = _state_file(farm)
    made = backing.back_up(farm.store, folder or (own.parent if own else Path()) / backing.FOLDER, moment)
    _write(farm, State(Copied(str(made.path.resolve()), moment.isoformat(), made.entries), before.tried))
    return made


def try_restore(farm: Farm, now: datetime | None = None) -> Tried:
    """Restore the newest backup into a scratch folder and verify it there, replay and all; remember what came of it."""
    before = state(farm)
    if before.copied is None:
        raise FileNotFoundError("there is no backup to try; make one with: pinset backup")
    tried = Tried(before.copied.path, (now or datetime.now(UTC)).isoformat(), _trial(before.copied, farm.settings.id))
    _write(farm, State(before.copied, tried, before.fault))
    return tried


def _trial(copied: Copied, farm_id: str) -> str:
    """What is wrong with a backup, or nothing."""
    backup = Path(copied.path)
    if not backup.is_file():
        return f"{backup} is not there"
    if shutil.disk_usage(tempfile.gettempdir()).free < _ROOM * backup.stat().st_size:
        return f"there is no room in {tempfile.gettempdir()} to try it"
    try:
        with tempfile.TemporaryDirectory(prefix="pinset-", ignore_cleanup_errors=True) as scratch:
            entries = backing.restore(backup, Path(scratch))
            with Farm.open(Path(scratch), farm_id) as restored:
                faults = restored.verify()
    except backing.BackupNotSound as fault:
        return str(fault)
    if faults:
        return str(faults[0])
    return "" if entries == copied.entries else f"{entries} of its {copied.entries} entries came back"


def due(farm: Farm, now: datetime | None = None) -> list[str]:
    """What should be done now: ``backup`` where entries came since the last day's, ``trial`` once a month."""
    if _state_file(farm) is None:
        return []
    found, moment = state(farm), now or datetime.now(UTC)
    entries = _entries(farm)
    known, backed_up = (found.copied.entries, _age(found.copied.at, moment)) if found.copied else (0, DAILY)
    backup = entries != known and backed_up >= DAILY
    tried = MONTHLY if found.tried is None else _age(found.tried.at, moment)
    trial = (found.copied is not None or backup) and (
        tried >= MONTHLY or bool(found.tried and found.tried.fault and tried >= DAILY)
    )
    return ["backup"] * backup + ["trial"] * trial


def _age(at: str, now: datetime) -> timedelta:
    return now - datetime.fromisoformat(at)


def _entries(farm: Farm) -> int:
    """How many entries the record's file holds, of all its farms."""
    with farm.store.listing() as connection:
        return int(connection.execute("SELECT coalesce(sum(entries), 0) FROM farm").fetchone()[0])


def do_what_is_due(farm: Farm, now: datetime | None = None) -> list[str]:
    """Make the backup and the trial that are due; returns what was done, in words."""
    told = []
    wanted = due(farm, now)
    if "backup" in wanted:
        told.append(_backed_up(farm, now))
    if "trial" in wanted and state(farm).copied is not None:
        try_restore(farm, now)
        told.append(f"A restore was tried: {trial_told(farm)}.")
    return told


def _backed_up(farm: Farm, now: datetime | None) -> str:
    try:
        made = back_up(farm, None, now)
    except (OSError, backing.BackupNotSound) as fault:
        before = state(farm)
        words = f"On {(now or datetime.now(UTC)).date()} no backup could be made: {fault}"
        _write(farm, State(before.copied, before.tried, words))
        return words
    return f"Backed up {made.entries} entries to {made.path}, and checked the copy."


def backup_told(farm: Farm, now: datetime | None = None) -> str:
    """The newest backup in words."""
    found = state(farm)
    if _state_file(farm) is None:
        return "left to PostgreSQL's own tools, as pg_dump"
    if found.copied is None:
        return "none yet; make one with: pinset backup"
    days = _age(found.copied.at, now or datetime.now(UTC)).days
    return f"{found.copied.path}, {days} days old, {found.copied.entries} entries"


def trial_told(farm: Farm) -> str:
    """The newest trial of a restore in words."""
    found = state(farm)
    if found.tried is None:
        return "not tried yet; pinset serve and pinset upkeep do it once a month"
    day, name = datetime.fromisoformat(found.tried.at).date(), Path(found.tried.path).name
    if found.tried.fault:
        return f"on {day} {name} did not come back whole: {found.tried.fault}"
    return f"on {day} {name} came back whole"


def warning(farm: Farm, now: datetime | None = None) -> str:
    """What a grower should know of the backups and do about them, or nothing where all is well."""
    if _state_file(farm) is None:
        return ""
    found, moment = state(farm), now or datetime.now(UTC)
    if found.tried and found.tried.fault:
        return f"A backup was tried: {trial_told(farm)}. Make a new one with: pinset backup"
    if found.copied is None:
        old = _age(farm.settings.made_at, moment) > WEEK and _entries(farm) > 0
        return f"There is no backup of this record. Make one with: pinset backup. {found.fault}".strip() if old else ""
    fresh = _entries(farm) - found.copied.entries
    if _age(found.copied.at, moment) <= WEEK or fresh == 0:
        return ""
    days = _age(found.copied.at, moment).days
    told = f"The newest good backup is {days} days old, and {fresh} entries came since. Make one with: pinset backup"
    return f"{told}. {found.fault}".rstrip(". ")


class Keeper:
    """Looks from time to time whether something is due, and has it done by a process of its own, beside the pages."""

    def __init__(self, farm: Farm, every: float = LOOKS_EVERY) -> None:
        self._farm, self._every = farm, every
        self._ended = threading.Event()
        self._work: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._look, name="upkeep", daemon=True)

    def __enter__(self) -> Keeper:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        if self._work is not None:
            self._work.terminate()
        self._thread.join()

    def _look(self) -> None:
        own = _state_file(self._farm)
        while own is not None and not self._ended.is_set():
            with Farm.open(own.parent, self._farm.settings.id) as farm:
                wanted = due(farm)
            if wanted:
                self._do(own.parent)
            self._ended.wait(self._every)

    def _do(self, folder: Path) -> None:
        words = [sys.executable, "-m", "pinset", "upkeep", "--farm", str(folder)]
        with subprocess.Popen(words, stdout=subprocess.DEVNULL) as self._work:
            code = self._work.wait()
        if code and not self._ended.is_set():
            log.error("upkeep ended with %s", code)
