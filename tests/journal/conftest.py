"""A fresh farm for each test, once in a file and once in PostgreSQL: one suite for both stores."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pinset.farm import Farm
from tests.homes import address, cluster, database, other_database

__all__ = ["address", "cluster", "database", "other_database"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "farm"


@pytest.fixture
def farm(folder: Path, address: str | None) -> Iterator[Farm]:
    with Farm.start(folder, "Trial farm", "EUR", "Europe/Vienna", ",", address=address) as started:
        yield started


@pytest.fixture
def in_file(folder: Path) -> Iterator[Farm]:
    """A farm whose record is a SQLite file, for what only a file can suffer or do."""
    with Farm.start(folder, "Trial farm", "EUR", "Europe/Vienna", ",") as started:
        yield started
