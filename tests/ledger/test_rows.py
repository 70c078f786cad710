"""Every kind of entry yields the rows it should, and nothing of what was said is lost on the way."""

from __future__ import annotations

from typing import Any, get_args

import pytest

from pinset.journal.entry import Entry
from pinset.journal.kinds import KINDS, plain
from pinset.ledger.read import Reader
from pinset.ledger.rows import rows, subjects
from pinset.ledger.tables import TABLES, Dialect, create_sql, table_name

SAID: list[tuple[str, dict[str, Any], list[str]]] = [
    ("define", {"what": "room", "name": "Inc 1", "places": 400}, ["definition"]),
    ("define", {"what": "price", "name": "labour", "amount_minor": 1400, "per": "hour"}, ["definition", "price"]),
    ("receive", {"lot": "R1", "what": "ingredient", "item": "bran", "cost_minor": 900, "weight_mg": 25_000_000},
     ["lot", "claim"]),
    ("mix", {"mix": "M1", "parts": [{"lot": "R1", "weight_mg": 5}, {"lot": "R2"}], "moisture": 0.63},
     ["mix_made", "link", "link", "claim"]),
    ("treat", {"load": "L1", "method": "sterilise", "held_min": 150, "energy_kwh": 12.5}, ["load", "claim"]),
    ("make", {"batch": "A", "units": 2, "total_mg": 4_400_001, "spawn": [{"lot": "G1", "weight_mg": 7}],
              "room": "Inc 1", "minutes": 40, "trial": "t", "unit_arms": ["x", "y"], "checked_codes": True},
     ["batch", "unit", "unit", "link", "stay", "labour", "claim"]),
    ("draw", {"lot": "G2", "parents": [{"lot": "G1"}, {"lot": "A-01"}], "carrier": "grain", "minutes": 30},
     ["lot", "link", "link", "labour", "claim"]),
    ("move", {"units": ["A-01", "A-02"], "to": "Fruiting 1", "shelf": "3"}, ["stay", "stay"]),
    ("check", {"units": ["A-01", "A-02"], "run": 0.4, "signs": ["green", "mites"], "pinning": True},
     ["seen", "sign_seen", "sign_seen", "seen", "sign_seen", "sign_seen"]),
    ("pick", {"room": "Fruiting 1", "weight_mg": 5, "minutes": 9}, ["picked", "labour"]),
    ("cull", {"batch": "A", "reason": "spent", "number": 2}, ["culled"]),
    ("clean", {"room": "Inc 1", "method": "hot water", "minutes": 15}, ["cleaned", "labour"]),
    ("pack", {"lot": "P1", "product": "punnet", "batches": ["A", "B"], "weight_mg": 9},
     ["lot", "link", "link", "claim"]),
    ("dispatch", {"to": "market", "weight_mg": 2_500_000, "price_minor": 1150}, ["delivery"]),
    ("dispatch", {"to": "market", "weight_mg": 2_500_000, "amount_minor": 2000}, ["delivery"]),
    ("dispatch", {"to": "friends", "weight_mg": 2_500_000}, ["delivery"]),
    ("work", {"task": "picking", "minutes": 90, "person": "Ana"}, ["labour"]),
    ("work", {"task": "picking", "minutes": 90, "batch": "A"}, ["labour"]),
    ("count", {"lot": "R1", "weight_mg": 0}, ["counted"]),
    ("note", {"text": "fan stopped", "about": "Inc 1"}, ["remark"]),
    ("clean", {"room": "Inc 1", "remarks": "mould behind the door"}, ["cleaned", "remark"]),
    ("work", {"task": "x", "minutes": 1, "remarks": "y"}, ["labour", "remark"]),
    ("cull", {"units": ["A-01"], "reason": "broken", "remarks": "fell"}, ["culled", "remark"]),
]  # fmt: skip


def _entry(kind: str, body: dict[str, Any]) -> Entry:
    moment = "2026-03-02T12:00:00+01:00"
    return Entry("e", "f", kind, moment, moment, "Bo", plain(KINDS[kind].model_validate(body)))


@pytest.mark.parametrize(("kind", "body", "tables"), SAID)
def test_each_kind_yields_its_rows(kind: str, body: dict[str, Any], tables: list[str]) -> None:
    made = rows(_entry(kind, body))
    assert sorted(table_name(type(row)) for row in made) == sorted(tables)
    keys = [(type(row), row.entry, row.n) for row in made]
    assert len(set(keys)) == len(keys), "two rows of one table share their number"
    for row in made:
        assert type(row)._fields[0] == "farm" and row.farm == "f"


def test_every_kind_has_an_example_here() -> None:
    assert {kind for kind, _, _ in SAID} == set(KINDS)


def test_amounts_follow_from_price_and_weight() -> None:
    amounts = [rows(_entry("dispatch", body))[0].amount_minor for kind, body, _ in SAID if kind == "dispatch"]  # type: ignore[union-attr]
    assert amounts == [2875, 2000, None]


def test_a_batch_weighed_as_a_whole_has_a_fill_weight_for_each_unit() -> None:
    batch = rows(_entry("make", SAID[5][1]))[0]
    assert batch.fill_mg == 2_200_000  # type: ignore[union-attr]


def test_what_an_entry_is_about() -> None:
    assert subjects(_entry("pick", {"room": "R", "weight_mg": 1})) == [("room", "R")]
    assert subjects(_entry("note", {"text": "x"})) == []


def test_tables_are_strict_and_their_sql_follows_their_fields() -> None:
    for table in TABLES:
        assert "STRICT" in create_sql(table, "sqlite")[0]
        for dialect in get_args(Dialect):
            assert all(f'"{field}"' in create_sql(table, dialect)[0] for field in table._fields)


def test_looking_up_many_codes_takes_several_rounds() -> None:
    class Listening:
        asked = 0

        def execute(self, sql: str, parameters: tuple[str, ...]) -> Listening:
            self.asked += len(parameters) - 1
            return self

        def fetchall(self) -> list[tuple[str, ...]]:
            return []

    listening = Listening()
    reader = Reader(listening, type("F", (), {"id": "f"})())  # type: ignore[arg-type]
    assert reader.of(TABLES[0], "name", map(str, range(1201))) == []
    assert listening.asked == 1201
