"""One entry: who noted what, when it happened, and the hash that ties it to its neighbours."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, NamedTuple

from pydantic import ValidationError

from pinset.journal.kinds import KINDS, plain

_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")

# A NUL, which PostgreSQL refuses, as it stands in JSON; and half of a pair of UTF-16, which no file can hold.
_UNWRITABLE = re.compile(r"(?<!\\)(?:\\\\)*\\u0000|[\ud800-\udfff]")


class Fault(NamedTuple):
    """What is wrong with something offered: where, what was needed, what came, how to mend it."""

    where: str
    needed: str
    came: str
    mend: str = ""

    def __str__(self) -> str:
        mend = f" {self.mend}" if self.mend else ""
        return f"{self.where}: needed {self.needed}; came {self.came}.{mend}"


class NotAnEntry(ValueError):
    """What was offered cannot be kept as it is."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class Entry:
    """A dated note, as it was made. Nothing of it is ever changed; a later entry may replace it."""

    id: str
    farm: str
    kind: str
    at: str
    noted_at: str
    by: str
    body: dict[str, Any]
    version: int = 1
    device: str = ""
    device_seq: int = 0
    replaces: str | None = None
    attachments: tuple[str, ...] = field(default=())

    @property
    def body_text(self) -> str:
        """The body as one line of JSON with sorted keys, as it is stored."""
        return one_line(self.body)

    @property
    def canonical(self) -> str:
        """The entry as two lines of JSON, envelope and body: what is hashed, and what a repeat must equal."""
        return canonical(self, self.body_text)


def canonical(entry: Entry, body_text: str) -> str:
    """What is hashed of an entry whose body is stored in these words."""
    envelope = (
        entry.id, entry.farm, entry.kind, entry.version, entry.at, entry.noted_at, entry.by, entry.device,
        entry.device_seq, entry.replaces, entry.attachments,
    )  # fmt: skip
    return f"{one_line(envelope)}\n{body_text}"


one_line: Callable[[Any], str] = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
).encode
"""A value as JSON in one fixed spelling."""


def digest(text: str) -> str:
    """SHA-256 of a text, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()


def link(previous: str, words: str, kept_at: str) -> str:
    """The hash of an entry in its farm's chain: over the hash before it, the entry, and when it was kept."""
    return digest(f"{previous}\n{kept_at}\n{words}")


def checked(entry: Entry) -> Entry:
    """The entry with its body validated and in canonical form; raises NotAnEntry with every fault found."""
    faults = [*_envelope_faults(entry)]
    if entry.kind not in KINDS:
        raise NotAnEntry([*faults, Fault("kind", f"one of {', '.join(KINDS)}", repr(entry.kind))])
    if entry.version > KINDS[entry.kind].version:
        faults.append(Fault("version", str(KINDS[entry.kind].version), str(entry.version), "Bring pinset up to date."))
    try:
        body = KINDS[entry.kind].model_validate(entry.body)
    except ValidationError as fault:
        faults += body_faults(fault)
    if faults:
        raise NotAnEntry(faults)
    said = plain(body)
    return entry if said == entry.body else replace(entry, body=said)


def body_faults(error: ValidationError) -> list[Fault]:
    """The faults of a body in the grower's terms."""
    return [
        Fault(
            ".".join(map(str, one["loc"])) or "entry",
            one["msg"].removeprefix("Value error, "),
            repr(one["input"])[:80],
        )
        for one in error.errors(include_url=False, include_context=False)
    ]


def _envelope_faults(entry: Entry) -> list[Fault]:
    faults = [
        Fault(name, "a date and time with its offset, as 2026-03-02T09:30:00+01:00", repr(text))
        for name, text in (("at", entry.at), ("noted_at", entry.noted_at))
        if not _is_moment(text)
    ]
    for name, text in (("id", entry.id), ("replaces", entry.replaces)):
        if text is not None and not _is_id(text):
            faults.append(Fault(name, "a UUID in lower case", repr(text)))
    if not _is_writable(entry):
        faults.append(Fault("entry", "text and numbers that can be written", "a NUL, half a character or no number"))
    if entry.replaces == entry.id:
        faults.append(Fault("replaces", "the id of another entry", "its own"))
    if not 1 <= len(entry.by) <= 120:
        faults.append(Fault("by", "who noted it, 1 to 120 characters", repr(entry.by)[:80]))
    return faults


def _is_writable(entry: Entry) -> bool:
    try:
        return _UNWRITABLE.search(entry.canonical) is None
    except (ValueError, TypeError):  # infinity, or what JSON does not know
        return False


def _is_moment(text: str) -> bool:
    try:
        moment = datetime.fromisoformat(text)
        return moment.tzinfo is not None and 1900 <= moment.year < 2200
    except ValueError:
        return False


def _is_id(text: str) -> bool:
    return _ID.fullmatch(text) is not None


def seconds(moment: str) -> int:
    """Unix seconds of a moment with its offset.

    >>> seconds("1970-01-02T01:00:00+01:00")
    86400
    """
    return int(datetime.fromisoformat(moment).timestamp())


def utc_text(moment: datetime) -> str:
    """A moment as UTC text to the millisecond.

    >>> utc_text(datetime(2026, 3, 2, 9, 30, tzinfo=UTC))
    '2026-03-02T09:30:00.000Z'
    """
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
