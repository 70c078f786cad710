"""Taking offers from devices, and telling them what is new: order, repeats, halves and delays do not matter.

A device gives each entry its id and keeps the entry until it is told 'kept', which is said only once the commit is on
disk. Every reply names the record's epoch. A record that was restored from an older backup has a new one; a device that
sees it offers again what it was told was kept, and reads everything from the first place on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from pinset.journal.entry import Entry, Fault, body_faults, utc_text
from pinset.journal.farms import FarmSettings
from pinset.journal.keep import Apply, Kept, Outcome, Word, keep, kept_some
from pinset.journal.store import Connection, Store

MOST_OFFERS: Final = 500
MOST_TOLD: Final = 500
AHEAD: Final = timedelta(days=1)
STATUS: Final[dict[Word, int]] = {"kept": 200, "already kept": 200, "waiting": 202, "conflict": 409, "refused": 422}
_CONFIRM: Final = "If it is meant so, offer it again with confirmed set to true."
_Count = Annotated[int, Field(ge=0, le=2**31 - 1)]


class Offer(BaseModel):
    """One entry, as a device noted it."""

    model_config = ConfigDict(extra="forbid", strict=True)
    id: str = Field(description="UUIDv7 in lower case, made on the device", max_length=36)
    kind: str = Field(description="what happened, as pick, check, make", max_length=40)
    at: str = Field(description="when it happened, with its offset", max_length=40)
    noted_at: str = Field(description="when the device noted it, by the device's own clock", max_length=40)
    by: str = Field(description="who noted it", min_length=1, max_length=120)
    body: dict[str, Any] = Field(description="what there is to say, by kind")
    version: Annotated[int, Field(ge=1, le=1000)] = 1
    device_seq: _Count = Field(0, description="counts the device's entries, whatever its clock says")
    replaces: str | None = Field(None, description="the id of the entry that this one corrects", max_length=36)
    attachments: list[Annotated[str, Field(pattern="^[0-9a-f]{64}$")]] = Field(default=[], max_length=20)
    confirmed: bool = Field(False, description="a time more than a day ahead is meant so")


class Batch(BaseModel):
    """What a device offers at once. Each entry is read by itself, so that one that is wrong holds up no other."""

    model_config = ConfigDict(extra="forbid")
    device: str = Field(min_length=1, max_length=64)
    client_sent_at: AwareDatetime = Field(description="now, by the device's clock")
    entries: list[dict[str, Any]] = Field(max_length=MOST_OFFERS, description="offers, each as in Offer")


class Wrong(BaseModel):
    """What is wrong with an offer: where, what was needed, what came, how to mend it."""

    where: str
    needed: str
    came: str
    mend: str = ""


class Result(BaseModel):
    """What became of one offer."""

    id: str
    word: Word
    status: int = Field(description="what HTTP would say of it alone: 200, 202, 409 or 422")
    faults: list[Wrong] = []
    confirm: bool = Field(False, description="refused only because its time is more than a day ahead")


class Reply(BaseModel):
    """The answer to a batch: one result for each offer, in the same order."""

    epoch: str = Field(description="new after the record was restored from a backup: then offer everything again")
    offset_ms: int = Field(description="the server's clock less the device's")
    results: list[Result]


class Told(BaseModel):
    """One entry as it stands in the record."""

    place: int
    kept_at: str
    id: str
    kind: str
    version: int
    at: str
    noted_at: str
    by: str
    body: dict[str, Any]
    device: str
    device_seq: int
    replaces: str | None
    attachments: list[str]


class Page(BaseModel):
    """Entries in the order in which they were kept; read on from `next` while there is more."""

    epoch: str
    entries: list[Told]
    next: int = Field(description="the last place told: ask since this place the next time")
    more: bool


def receive(store: Store, farm: FarmSettings, batch: Batch, apply: Apply, clock: Callable[[], datetime]) -> Reply:
    """Keep what a device offers, and answer for each offer by itself.

    The offset of the device's clock is stored beside the entries: it is the server's clock less the device's when the
    batch was sent, the way here included. No time is ever changed by it.
    """
    now = clock()
    offset_ms = round((now - batch.client_sent_at) / timedelta(milliseconds=1))
    read = [_read(farm, batch.device, offered, now) for offered in batch.entries]

    def applies(connection: Connection, fresh: Sequence[Entry]) -> Any:
        if fresh:
            connection.execute(
                "INSERT INTO device VALUES (?, ?, ?, ?) ON CONFLICT (farm, id, seen_at) DO NOTHING",
                (farm.id, batch.device, utc_text(now), offset_ms),
            )
        return apply(connection, fresh)

    outcomes = iter(keep(store, farm, [one for one in read if isinstance(one, Entry)], applies, lambda: now))
    results = [_told(next(outcomes)) if isinstance(one, Entry) else one for one in read]
    with store.read() as connection:
        return Reply(epoch=_epoch(connection, farm.id), offset_ms=offset_ms, results=results)


def _read(farm: FarmSettings, device: str, offered: dict[str, Any], now: datetime) -> Entry | Result:
    """The entry offered, or the result where it cannot be one."""
    try:
        offer = Offer.model_validate(offered)
    except ValidationError as fault:
        return _refused(str(offered.get("id", ""))[:36], body_faults(fault))
    if not offer.confirmed and _is_ahead(offer.at, now):
        ahead = Fault("at", "a time not more than a day ahead", offer.at, _CONFIRM)
        return _refused(offer.id, [ahead], confirm=True)
    said = offer.model_dump(exclude={"confirmed", "attachments"})
    return Entry(**said, farm=farm.id, device=device, attachments=tuple(offer.attachments))


def _is_ahead(at: str, now: datetime) -> bool:
    try:
        return datetime.fromisoformat(at) > now + AHEAD
    except (ValueError, TypeError):  # no moment at all: it is refused as such when it is checked
        return False


def _refused(entry_id: str, faults: Sequence[Fault], confirm: bool = False) -> Result:
    return _told(Outcome(entry_id, "refused", tuple(faults)), confirm)


def _told(outcome: Outcome, confirm: bool = False) -> Result:
    faults = [Wrong(**fault._asdict()) for fault in outcome.faults]
    return Result(id=outcome.id, word=outcome.word, status=STATUS[outcome.word], faults=faults, confirm=confirm)


def since(store: Store, farm: FarmSettings, place: int, most: int = MOST_TOLD) -> Page:
    """What was kept after a place, and how to read on."""
    with store.read() as connection:
        found = kept_some(connection, farm.id, place, most + 1)
        epoch = _epoch(connection, farm.id)
    told = [_entry_told(one) for one in found[:most]]
    return Page(epoch=epoch, entries=told, next=told[-1].place if told else place, more=len(found) > most)


def _entry_told(one: Kept) -> Told:
    said = {name: getattr(one.entry, name) for name in Told.model_fields if name not in ("place", "kept_at")}
    return Told(**{**said, "attachments": list(one.entry.attachments)}, place=one.place, kept_at=one.kept_at)


def _epoch(connection: Connection, farm: str) -> str:
    return str(connection.execute("SELECT epoch FROM farm WHERE id = ?", (farm,)).fetchone()[0])


def now() -> datetime:
    """The clock of this machine."""
    return datetime.now(UTC)
