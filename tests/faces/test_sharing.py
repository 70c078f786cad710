"""The command that gives a trial away shows the whole file first, and writes only when told so."""

from __future__ import annotations

from pathlib import Path

import pytest

from pinset.faces.cli.sharing import FileIsThere, share
from pinset.farm import Farm
from pinset.questions._sharing import read_shared
from tests.questions.growing import Grown


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Farm.start(tmp_path / "farm", "Hill farm", "EUR", "Europe/Vienna") as farm:
        Grown({"old way": 0.5, "new way": 0.6}).note(farm)
    return tmp_path / "farm"


def test_the_file_is_shown_before_it_is_written(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "given.json"
    share("t", file, farm=folder)
    shown = capsys.readouterr().out
    assert not file.exists() and "nothing else, would be written" in shown
    share("t", file, yes=True, farm=folder)
    content = file.read_text(encoding="utf-8")
    assert shown.startswith(content) and "Hill farm" not in content
    assert read_shared(content).days == 6
    with pytest.raises(FileIsThere, match="left as it was"):
        share("t", file, yes=True, farm=folder)
