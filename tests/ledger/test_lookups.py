"""Whatever is looked up by a code goes by the index of that code: a walk through a whole table would be felt."""

from __future__ import annotations

from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.ledger import build
from pinset.ledger.tables import TABLES, Row, statistics, table_name

LOOKED_UP = [(table, index) for table in TABLES for name, index, _ in statistics(table) if index != name]


@pytest.mark.parametrize(("table", "index"), LOOKED_UP, ids=[index for _, index in LOOKED_UP])
def test_a_look_up_goes_by_its_index(table: type[Row], index: str, tmp_path: Path) -> None:
    name = table_name(table)
    column = index.removeprefix(f"{name}_")
    with Farm.start(tmp_path / "farm", "A farm") as farm, farm.store.read() as connection:
        for condition in ("= ?", "IN (?, ?, ?)"):
            sql = f'EXPLAIN QUERY PLAN SELECT * FROM {name} WHERE farm = ? AND "{column}" {condition}'
            plan = [row[-1] for row in connection.execute(sql, ("f", *"abc"[: condition.count("?")]))]
            assert plan == [f"SEARCH {name} USING INDEX {index} (farm=? AND {column}=?)"]


def test_what_units_gave_is_joined_by_indexes(tmp_path: Path) -> None:
    sql = (
        "EXPLAIN QUERY PLAN SELECT picked.at FROM unit JOIN picked ON picked.farm = unit.farm"
        " AND picked.subject = unit.code WHERE unit.farm = ? AND unit.batch = ?"
    )
    with Farm.start(tmp_path / "farm", "A farm") as farm, farm.store.read() as connection:
        plan = " ".join(row[-1] for row in connection.execute(sql, ("f", "A")))
    assert "unit_batch" in plan and "picked_subject" in plan


def test_a_ledger_made_anew_tells_it_once(tmp_path: Path) -> None:
    with Farm.start(tmp_path / "farm", "A farm") as farm:
        with farm.store.owner() as connection:
            build.renew(connection, "sqlite")
        with farm.store.read() as connection:
            told = connection.execute("SELECT tbl, idx, stat FROM sqlite_stat1 WHERE idx <> ''").fetchall()
    assert sorted(told) == sorted(one for table in TABLES for one in statistics(table))
