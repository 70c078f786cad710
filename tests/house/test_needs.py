"""What a test needs beyond Python: found, skipped with the way to get it, or failed where nothing may be skipped."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import go
from tests import needs

NOWHERE = "a-program-that-no-machine-has"


def test_a_program_that_is_here_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = Path(sys.executable)
    monkeypatch.setenv("PATH", str(here.parent))
    found = needs.program(here.stem)
    assert Path(found).samefile(here)


def test_a_missing_program_skips_with_the_way_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("PINSET_STRICT", raising=False)
    monkeypatch.setattr(go, "how_to_get", lambda part: f"install {part.debian[0]}")
    with pytest.raises(pytest.skip.Exception, match="needs Rscript: install r-base-core"):
        needs.program("Rscript")
    with pytest.raises(pytest.skip.Exception, match=f"needs {NOWHERE}: install {NOWHERE}"):
        needs.program(NOWHERE)


def test_a_missing_program_fails_where_nothing_may_be_skipped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PINSET_STRICT", "1")
    with pytest.raises(pytest.fail.Exception, match=f"needs {NOWHERE}"):
        needs.program(NOWHERE)


def test_an_r_without_a_package_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PINSET_STRICT", raising=False)
    monkeypatch.setattr(needs, "program", lambda name: name)
    monkeypatch.setattr(needs, "r_has", lambda rscript, package: package == "lme4")
    assert needs.r("lme4") == "Rscript"
    with pytest.raises(pytest.skip.Exception, match="needs the R package lmerTest: "):
        needs.r("lme4", "lmerTest")


def test_r_is_asked_for_its_packages() -> None:
    rscript = needs.program("Rscript")
    assert needs.r_has(rscript, "stats")
    assert not needs.r_has(rscript, "no.such.package")
