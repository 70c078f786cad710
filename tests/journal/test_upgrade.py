"""A record of an older pinset comes up to date whole, however often it is interrupted on the way."""

from __future__ import annotations

import hashlib
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.journal.sqlite import FILE_NAME
from pinset.journal.store import RecordTooOld, migrate
from tests.older import older_record

# Counts the statements of the migration, and ends the process at one of them as a power cut would.
KILLED = """
import os, signal, sqlite3, sys
from pathlib import Path
left = int(sys.argv[2])
connect = sqlite3.connect

def counted(*given, **named):
    connection = connect(*given, **named)
    def count(statement):
        global left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
    connection.set_trace_callback(count)
    return connection

from sqlalchemy.dialects.sqlite import pysqlite
pysqlite.SQLiteDialect_pysqlite.import_dbapi = classmethod(lambda cls: sqlite3)
sqlite3.connect = sqlite3.dbapi2.connect = counted
from pinset.journal.store import migrate
migrate(Path(sys.argv[1]))
"""


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("older") / "farm"
    older_record(folder)
    return folder / FILE_NAME


def _copy(old: Path, folder: Path) -> None:
    folder.mkdir()
    shutil.copy(old, folder / FILE_NAME)


def _is_whole(folder: Path) -> bool:
    with Farm.open(folder) as farm:
        with farm.store.read() as connection:
            clash = connection.execute("SELECT hash, offered FROM conflict").fetchall()
        return farm.verify() == [] and clash == [(hashlib.sha256(b"other words").hexdigest(), "other words")]


def test_an_older_record_is_brought_up_to_date(old: Path, tmp_path: Path) -> None:
    _copy(old, tmp_path / "farm")
    with pytest.raises(RecordTooOld):
        Farm.open(tmp_path / "farm")
    migrate(tmp_path / "farm")
    assert _is_whole(tmp_path / "farm")


@pytest.mark.skipif(sys.platform == "win32", reason="a process is killed by a signal that Windows has not")
def test_an_interrupted_migration_is_taken_up_again_and_loses_nothing(old: Path, tmp_path: Path) -> None:
    killed = 0
    for at in range(2, 30, 3):
        folder = tmp_path / str(at)
        _copy(old, folder)
        ended = subprocess.run([sys.executable, "-c", KILLED, str(folder), str(at)], capture_output=True).returncode
        assert ended in (0, -signal.SIGKILL)
        killed += ended != 0
        migrate(folder)
        assert _is_whole(folder), f"killed at statement {at}"
    assert killed >= 5
