"""Faults that a grower can mend, told as one sentence each."""

from __future__ import annotations

import errno
import sqlite3

from pinset.journal.backup import BackupNotSound, NotOneFile
from pinset.journal.carry import NotCarried
from pinset.journal.entry import NotAnEntry
from pinset.journal.farms import NoSuchFarm
from pinset.journal.store import NeedsPostgres, NoRecordHere, RecordTooNew, RecordTooOld

_SAYS_IT_ALL = (
    NoRecordHere, NoSuchFarm, RecordTooNew, RecordTooOld, BackupNotSound, NotOneFile, NeedsPostgres, NotCarried,
    FileExistsError, FileNotFoundError,
)  # fmt: skip


def told(fault: Exception) -> str | None:
    """The fault in words, or None where it is a fault of the program itself.

    >>> told(NoRecordHere("needed a farm's record in x; found none."))
    "needed a farm's record in x; found none."
    """
    if isinstance(fault, NotAnEntry):
        return "Not kept:\n" + "\n".join(f"  {each}" for each in fault.faults)
    if isinstance(fault, _SAYS_IT_ALL):
        return str(fault)
    if isinstance(fault, sqlite3.OperationalError | OSError) and _is_full(fault):
        return (
            f"The disk is full: {fault}. Nothing of this was kept; what was kept before is intact. "
            "Make room, then note it again."
        )
    if isinstance(fault, sqlite3.OperationalError):
        return f"The record could not be written or read: {fault}. What was kept before is intact."
    if isinstance(fault, sqlite3.DatabaseError):
        return (
            f"The record's file is damaged: {fault}. Leave it as it is, and restore the newest good backup beside it."
        )
    if type(fault).__module__.startswith("psycopg"):
        return f"The database could not be reached or used: {fault}. What was kept before is intact."
    return _of_questions_and_intake(fault)


def _is_full(fault: Exception) -> bool:
    full = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))
    return "full" in str(fault) or getattr(fault, "errno", None) in full


def _of_questions_and_intake(fault: Exception) -> str | None:
    # looked up by name: importing these floors would load what this command did not need
    mendable = ("pinset.questions", "pinset.intake", "pinset.giving", "pinset.faces")
    if type(fault).__module__.startswith(mendable):
        return str(fault)
    return None
