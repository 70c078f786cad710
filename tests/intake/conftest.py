"""A fresh farm for each test that needs one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pinset.farm import Farm


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Farm]:
    with Farm.start(tmp_path / "farm", "Test farm", "EUR", "Europe/Vienna") as started:
        yield started
