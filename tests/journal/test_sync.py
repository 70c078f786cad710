"""A batch of offers: each is answered by itself, and clocks are measured, never corrected."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from pinset.farm import Farm
from pinset.journal.codes import new_id
from pinset.journal.sync import Batch, Reply, since
from pinset.ledger.tables import Unit

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


def offer(kind: str, body: dict[str, Any], **changes: Any) -> dict[str, Any]:
    moment = "2026-03-02T12:30:00+01:00"
    return {"id": new_id(), "kind": kind, "at": moment, "noted_at": moment, "by": "Ana", "body": body, **changes}


def offered(farm: Farm, *offers: dict[str, Any], sent_at: datetime = NOW, now: datetime = NOW) -> Reply:
    batch = Batch.model_validate({"device": "phone", "client_sent_at": sent_at.isoformat(), "entries": offers})
    return farm.receive(batch, lambda: now)


def words(reply: Reply) -> list[str]:
    return [result.word for result in reply.results]


MAKE = {"batch": "A", "units": 2, "fill_mg": 2_000_000}


def test_each_offer_is_answered_by_itself_and_in_its_order(farm: Farm) -> None:
    make, early = offer("make", MAKE), offer("pick", {"units": ["B-01"], "weight_mg": 5})
    clash = {**make, "body": {**MAKE, "units": 3}}
    wrong, shapeless = offer("pick", {"units": ["A-01"], "weight_mg": -5}), {"id": 7, "colour": "red"}
    reply = offered(farm, make, shapeless, make, wrong, clash, early)
    assert words(reply) == ["kept", "refused", "already kept", "refused", "conflict", "waiting"]
    assert [result.status for result in reply.results] == [200, 422, 200, 422, 409, 202]
    assert reply.epoch == farm.settings.epoch
    fault = reply.results[3].faults[0]
    assert (fault.where, fault.came) == ("weight_mg", "-5") and "greater" in fault.needed
    assert {fault.where for fault in reply.results[1].faults} >= {"id", "kind", "colour"}
    with farm.reader() as ledger:
        assert ledger.count(Unit) == 2


def test_the_clock_of_a_device_is_measured_and_no_time_is_changed(farm: Farm) -> None:
    one = offer("note", {"text": "x"}, noted_at="2026-03-02T11:00:00Z")
    assert offered(farm, one, sent_at=NOW - timedelta(minutes=3, milliseconds=7)).offset_ms == 180_007
    assert offered(farm, one, sent_at=NOW + timedelta(days=400)).offset_ms == -400 * 86_400_000
    found = farm.find(one["id"])
    assert found is not None and found.entry.noted_at == "2026-03-02T11:00:00Z" and found.entry.device == "phone"
    with farm.store.read() as connection:
        rows = connection.execute("SELECT id, seen_at, offset_ms FROM device").fetchall()
    assert rows == [("phone", found.kept_at, 180_007)], "measured with the batch that brought something, and only then"


@pytest.mark.parametrize(("at", "word"), [
    ("2026-03-03T12:00:00Z", "kept"), ("2026-03-03T12:00:01Z", "refused"), ("2026-03-03T13:00:00+01:00", "kept"),
    ("2028-02-29T12:00:00Z", "refused"), ("2024-02-29T12:00:00Z", "kept"), ("2025-03-30T02:30:00+01:00", "kept"),
])  # fmt: skip
def test_a_time_more_than_a_day_ahead_asks_for_confirmation(farm: Farm, at: str, word: str) -> None:
    one = offer("note", {"text": "x"}, at=at)
    result = offered(farm, one).results[0]
    assert (result.word, result.confirm) == (word, word == "refused")
    assert words(offered(farm, {**one, "confirmed": True})) == ["kept" if word == "refused" else "already kept"]


@pytest.mark.parametrize(("changes", "where"), [
    ({"at": "tomorrow"}, "at"), ({"at": "2026-03-02T12:00:00"}, "at"), ({"at": "0001-01-01T00:00:00Z"}, "at"),
    ({"id": "x"}, "id"), ({"by": ""}, "by"), ({"kind": "guess"}, "kind"), ({"version": 2}, "version"),
    ({"device_seq": 2**31}, "device_seq"), ({"device_seq": "1"}, "device_seq"), ({"body": []}, "body"),
    ({"attachments": ["../../x"]}, "attachments.0"), ({"by": "A\0"}, "entry"),
    ({"body": {"text": float("inf")}}, "text"), ({"farm": "another"}, "farm"),
])  # fmt: skip
def test_what_cannot_be_kept_says_where(farm: Farm, changes: dict[str, Any], where: str) -> None:
    good = offer("note", {"text": "x"})
    reply = offered(farm, {**good, **changes, "id": changes.get("id", new_id())}, good)
    assert words(reply) == ["refused", "kept"]
    assert where in [fault.where for fault in reply.results[0].faults]
    assert not reply.results[0].confirm


def test_what_is_new_is_read_by_place_page_by_page(farm: Farm) -> None:
    made = [offer("note", {"text": str(n)}, device_seq=n) for n in range(7)]
    random.Random(1).shuffle(made)
    offered(farm, *made)
    read, place, pages = [], 0, 0
    while (page := since(farm.store, farm.settings, place, 3)).entries:
        read += [(told.id, told.body, told.device_seq) for told in page.entries]
        assert page.more == (len(read) < 7) and page.epoch == farm.settings.epoch
        place, pages = page.next, pages + 1
    assert read == [(one["id"], one["body"], one["device_seq"]) for one in made]
    assert (pages, page.next, page.more) == (3, 7, False)
