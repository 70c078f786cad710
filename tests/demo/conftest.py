from __future__ import annotations

from pathlib import Path

import pytest

from pinset.demo.notes import write_notes
from pinset.demo.season import Year, live
from pinset.demo.truth import Truth
from tests.demo.reading import Page, pages


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("notes")


@pytest.fixture(scope="session")
def truth(folder: Path) -> Truth:
    return write_notes(folder)


@pytest.fixture(scope="session")
def read(folder: Path, truth: Truth) -> dict[tuple[str, str], Page]:
    return pages(folder)


@pytest.fixture(scope="session")
def year(truth: Truth) -> Year:
    return live(truth.seed)
