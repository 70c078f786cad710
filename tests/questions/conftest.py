"""A farm to ask, and short words to note with."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pinset.farm import Farm

Say = Callable[..., None]


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Farm]:
    with Farm.start(tmp_path / "farm", "Trial farm", "EUR", "Europe/Vienna") as started:
        yield started


@pytest.fixture
def say(farm: Farm) -> Say:
    """Note one thing in words and insist that it is kept: ``say("pick", "2026-03-27", batch="A", weight="4kg")``."""

    def note(kind: str, at: str, **words: str) -> None:
        assert farm.note(kind, words, at).word == "kept"

    return note
