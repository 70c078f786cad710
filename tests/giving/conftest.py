"""A small farm with something of every sort on record, once in a file and once in PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.journal.entry import digest
from tests.homes import address, cluster, database, other_database

__all__ = ["address", "cluster", "database", "other_database"]

TRICKY = '=1+1 says "Ana", twice;\r\n-and, on a new line\n\ttab é 🍄'
_SAID: tuple[tuple[str, dict[str, str]], ...] = (
    ("define", {"what": "price", "name": "oyster", "amount": "12,50", "per": "kg"}),
    ("receive", {"lot": "SP1", "what": "spawn", "item": "oyster spawn", "weight": "10kg", "cost": "80"}),
    ("draw", {"lot": "SP2", "parents": "SP1:2kg", "carrier": "grain", "weight": "5kg", "minutes": "30"}),
    ("mix", {"mix": "M1", "parts": "straw:20kg", "water": "30kg", "total": "50kg", "moisture": "62%"}),
    ("treat", {"load": "L1", "method": "pasteurise", "celsius": "72", "held": "90"}),
    ("make", {"batch": "A", "units": "3", "fill": "2kg", "mix": "M1", "load": "L1", "room": "spawn room"}),
    ("move", {"batch": "A", "to": "=room", "shelf": "2"}),
    ("check", {"unit": "A-01", "run": "80%", "signs": "green", "pinning": "yes"}),
    ("pick", {"units": "A-01,A-02", "weight": "0,331kg", "flush": "1"}),
    ("cull", {"unit": "A-03", "reason": "contaminated"}),
    ("clean", {"room": "spawn room", "method": "@lime", "minutes": "20"}),
    ("pack", {"lot": "S1", "product": "oyster", "batches": "A", "weight": "0,3kg"}),
    ("dispatch", {"to": "the market", "weight": "0,3kg", "lot": "S1", "price": "12"}),
    ("work", {"task": "picking", "minutes": "40"}),
    ("count", {"lot": "SP1", "weight": "3kg"}),
    ("note", {"text": TRICKY, "about": "A"}),
)


def fill(farm: Farm) -> None:
    """Note something of every kind, a correction, a clash, and a row set aside."""
    for kind, words in _SAID:
        assert farm.note(kind, words, at="2026-07-01").word == "kept", kind
    first = farm.entry("pick", {"units": ["A-01"], "weight_mg": 1})
    assert [one.word for one in farm.keep([first, replace(first, body={"units": ["A-01"], "weight_mg": 2})])] == [
        "kept", "conflict",
    ]  # fmt: skip
    assert farm.note("pick", {"unit": "A-01", "weight": "0,2kg"}, replaces=first.id, device="phone").word == "kept"
    with farm.store.transaction() as connection:
        values = (digest("row"), "July.xlsx", "Sheet1", 7, "", "question", "", "", "", '{"entries":[]}', "open")
        connection.execute(
            f"INSERT INTO aside VALUES (?, {', '.join('?' * 11)}, ?, ?)",
            (farm.settings.id, *values, datetime.now(UTC).isoformat(), None),
        )


@pytest.fixture
def farm(tmp_path: Path, address: str | None) -> Iterator[Farm]:
    with Farm.start(tmp_path / "farm", "Trial farm", "EUR", "Europe/Vienna", ",", address=address) as started:
        fill(started)
        yield started
