"""The speed table: aligned, and a missed target is seen by whoever reads it and by whoever runs it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from bench.row import Row, print_rows
from tests.house.files import ROOT, functions, python_files

GOOD = Row("fit a trial", "2.0 ms", "90 ms", 45.0, ">= 20", True)
LATE = Row("read", "10 s", "1 s", 0.1, ">= 0.5", False)


def test_rows_stand_in_columns_under_their_headings(capsys: pytest.CaptureFixture[str]) -> None:
    assert print_rows([GOOD])
    heading, line = capsys.readouterr().out.splitlines()
    assert [line.index(cell) for cell in ("fit a trial", "2.0 ms", "90 ms", "45", ">= 20", "yes")] == [
        heading.index(name) for name in ("what", "ours", "peer", "ratio", "target", "met")
    ]


def test_a_missed_target_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert not print_rows([GOOD, LATE])
    assert capsys.readouterr().out.splitlines()[-1].endswith("0.1    >= 0.5  NO")


@pytest.mark.parametrize(("row", "exit_code"), [("GOOD", 0), ("LATE", 1)])
def test_a_missed_target_is_a_failed_run(row: str, exit_code: int, tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / "row.py").write_bytes((ROOT / "bench" / "row.py").read_bytes())
    values = tuple({"GOOD": GOOD, "LATE": LATE}[row])
    some = f"from bench.row import Row\ndef rows(): return [Row(*{values!r})]\n"
    (tmp_path / "bench" / "some.py").write_text(some, encoding="utf-8")
    command = [sys.executable, "-m", "bench.row", "some"]
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == exit_code


def test_every_bench_has_rows_to_show() -> None:
    benches = [path for path in python_files("bench") if path.stem not in ("__init__", "row")]
    without = [str(path) for path in benches if "rows" not in {function.name for function in functions(path)}]
    assert benches
    assert without == []
