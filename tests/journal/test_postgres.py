"""What PostgreSQL adds: several farms in one database, several writers, and rows that only their farm can see."""

from __future__ import annotations

import stat
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import psycopg
import pytest

from pinset.farm import Farm
from pinset.journal.entry import Entry
from pinset.journal.keep import chain_faults, kept, kept_some
from pinset.journal.postgres import PostgresStore, marked
from pinset.journal.sqlite import SqliteStore
from pinset.journal.store import POINTER, NoRecordHere, Store, open_store
from pinset.ledger.tables import Batch

LOGINS = {"superuser": "", "ordinary": "grower"}


@pytest.fixture(params=LOGINS)
def login(request: pytest.FixtureRequest, database: str) -> str:
    """A database's address, for a superuser and for an ordinary login that owns its tables."""
    user = LOGINS[request.param]
    if not user:
        return database
    with psycopg.connect(database, autocommit=True) as connection:
        if not connection.execute("SELECT 1 FROM pg_roles WHERE rolname = 'grower'").fetchone():
            connection.execute("CREATE ROLE grower LOGIN NOSUPERUSER")
        connection.execute("GRANT CREATE, USAGE ON SCHEMA public TO grower")
    return database.replace("postgres@", f"{user}@")


@pytest.fixture
def two(login: str, tmp_path: Path) -> Iterator[tuple[Farm, Farm]]:
    with ExitStack() as stack:
        hill, lake = (
            stack.enter_context(Farm.start(tmp_path / name, name, address=login)) for name in ("hill", "lake")
        )
        for farm in (hill, lake):
            farm.note("make", {"batch": "A", "units": "2", "fill": "2kg"})
            farm.note("pick", {"unit": "A-01", "weight": "0.3kg"})
        yield hill, lake


def _tables_with_a_farm(store: Store) -> list[str]:
    with store.owner() as connection:
        found = connection.execute(
            "SELECT table_name FROM information_schema.columns WHERE table_schema = 'public' AND column_name = 'farm'"
        ).fetchall()
    return ["farm", *(str(row[0]) for row in found)]


def test_a_query_without_the_farm_returns_nothing_from_any_table(two: tuple[Farm, Farm], login: str) -> None:
    nobody = PostgresStore(login)
    tables = _tables_with_a_farm(nobody)
    assert len(tables) > 20
    with nobody.read() as connection:
        found = {table: connection.execute(f"SELECT count(*) FROM {table}").fetchone() for table in tables}
    assert set(found.values()) == {(0,)}
    nobody.close()


def test_each_farm_sees_its_own_rows_though_the_query_names_no_farm(two: tuple[Farm, Farm]) -> None:
    for farm in two:
        with farm.store.read() as connection:
            for table in ("entry", "batch", "picked"):
                found = connection.execute(f"SELECT DISTINCT farm FROM {table}").fetchall()
                assert found == [(farm.settings.id,)]
        assert farm.verify() == []


def test_a_farm_writes_into_no_other(two: tuple[Farm, Farm]) -> None:
    hill, lake = two
    with hill.store.transaction() as connection:
        assert connection.execute("UPDATE entry SET body = ?", ("{}",)).rowcount == 2
        assert connection.execute("DELETE FROM unit WHERE farm = ?", (lake.settings.id,)).rowcount == 0
    with pytest.raises(psycopg.errors.InsufficientPrivilege), hill.store.transaction() as connection:
        connection.execute("INSERT INTO ledger_made VALUES (?)", (lake.settings.id + "x",))
    assert lake.verify() == []
    assert hill.verify() != []


def test_every_table_with_a_farm_is_under_forced_row_level_security(two: tuple[Farm, Farm]) -> None:
    store = two[0].store
    with store.owner() as connection:
        sql = "SELECT relname FROM pg_class WHERE relrowsecurity AND relforcerowsecurity"
        held = connection.execute(sql).fetchall()
    assert {row[0] for row in held} == set(_tables_with_a_farm(store))


def test_the_list_of_farms_shows_farms_and_nothing_else(two: tuple[Farm, Farm], login: str) -> None:
    store = PostgresStore(login)
    with store.listing() as connection:
        assert connection.execute("SELECT name FROM farm ORDER BY name").fetchall() == [("hill",), ("lake",)]
        assert connection.execute("SELECT count(*) FROM entry").fetchone() == (0,)
    with store.read() as connection:
        assert connection.execute("SELECT count(*) FROM farm").fetchone() == (0,)
    store.close()


def test_a_rebuild_of_one_farm_leaves_the_others_rows(two: tuple[Farm, Farm]) -> None:
    hill, lake = two
    assert hill.rebuild() == 2
    with lake.reader() as ledger:
        assert ledger.count(Batch) == 1


def test_many_writers_make_one_chain_and_a_reader_by_place_misses_nothing(database: str, tmp_path: Path) -> None:
    seen: list[str] = []
    done = threading.Event()
    with Farm.start(tmp_path / "farm", "Trial farm", address=database) as farm:
        entries = [farm.entry("note", {"text": str(n)}) for n in range(120)]

        def writes(some: list[Entry]) -> None:
            with Farm.open(tmp_path / "farm") as own:
                for entry in some:
                    own.keep([entry])

        def reads() -> None:
            place, last = 0, False
            while not last:
                last = done.is_set()
                with farm.store.read() as connection:
                    fresh = kept_some(connection, farm.settings.id, place, 7)
                    while fresh:
                        seen.extend(one.entry.id for one in fresh)
                        place = fresh[-1].place
                        fresh = kept_some(connection, farm.settings.id, place, 7)

        with ThreadPoolExecutor(5) as pool:
            reading = pool.submit(reads)
            list(pool.map(writes, [entries[n::4] for n in range(4)]))
            done.set()
            reading.result()
        with farm.store.read() as connection:
            assert chain_faults(connection, farm.settings) == []
            assert seen == [one.entry.id for one in kept(connection, farm.settings.id)]
    assert sorted(seen) == sorted(entry.id for entry in entries)


def test_a_connection_that_the_server_let_go_is_made_again(database: str, tmp_path: Path) -> None:
    with Farm.start(tmp_path / "farm", "Trial farm", address=database) as farm:
        with psycopg.connect(database, autocommit=True) as other:
            other.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'pinset'")
        entry = farm.entry("note", {"text": "after the restart"})
        with pytest.raises(psycopg.OperationalError):
            farm.keep([entry])
        assert farm.keep([entry])[0].word == "kept"


def test_a_folder_points_to_its_database_and_only_its_owner_reads_the_address(database: str, tmp_path: Path) -> None:
    Farm.start(tmp_path / "farm", "Trial farm", address=database).close()
    mode = (tmp_path / "farm" / POINTER).stat().st_mode
    assert stat.S_IMODE(mode) & 0o077 == 0
    with Farm.open(tmp_path / "farm") as farm:
        assert farm.store.version.startswith("PostgreSQL 1")
        assert "@" not in farm.store.place and farm.store.size() > 0 and farm.store.damage() == []


def test_a_database_without_a_journal_says_so(database: str, tmp_path: Path) -> None:
    with pytest.raises(NoRecordHere, match="found none"):
        open_store(database)


def test_both_stores_keep_the_promises_of_one(database: str, tmp_path: Path) -> None:
    assert marked("a = ? AND b = ?") == "a = %s AND b = %s"
    public = {name for name in vars(Store) if not name.startswith("_")}
    for kind in (SqliteStore, PostgresStore):
        assert public <= set(dir(kind))
