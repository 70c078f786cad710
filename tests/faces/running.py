"""Running `pinset` in a test, as a person would."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Run:
    """Run `pinset WORDS...` in a folder of its own: exit code, what it printed, what it complained of."""
    from pinset.__main__ import main

    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PINSET_FARM", raising=False)

    def command(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["pinset", *words])
        code = 0
        try:
            main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 1
        out, complaint = capfd.readouterr()
        return code, out, complaint

    return command
