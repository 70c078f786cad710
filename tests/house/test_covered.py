"""The gate on coverage fails for a floor that is tested too little, or not measured at all."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from tests.house.files import ROOT

SCRIPT = ROOT / ".ci" / "covered.py"


def measured(path: Path, **branches: int) -> Path:
    """A measurement in which, of the 100 branches of each floor, so many ran."""
    files = {
        f"src/pinset/{floor}/some.py": {
            "summary": {"num_statements": 10, "covered_lines": 10, "num_branches": 100, "covered_branches": ran}
        }
        for floor, ran in branches.items()
    }
    path.write_text(json.dumps({"files": files}), encoding="utf-8")
    return path


def judged(path: Path) -> tuple[int, str]:
    done = subprocess.run([sys.executable, SCRIPT, path], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout


def test_enough_is_enough(tmp_path: Path) -> None:
    code, told = judged(measured(tmp_path / "c.json", journal=95, ledger=100, science=97))
    assert code == 0
    assert "journal: tests run 100.0 % of its lines, 95.0 % of its branches" in told


def test_one_floor_does_not_make_up_for_another(tmp_path: Path) -> None:
    code, told = judged(measured(tmp_path / "c.json", journal=100, ledger=94, science=100, questions=100))
    assert code == 1
    assert [line.split(":")[1] for line in told.splitlines() if line.startswith("TOO LITTLE")] == [" ledger"]


def test_a_floor_that_is_not_measured_is_not_tested(tmp_path: Path) -> None:
    assert judged(measured(tmp_path / "c.json", journal=100, ledger=100))[0] == 1


def test_tests_that_did_not_run_to_their_end_have_no_measurement(tmp_path: Path) -> None:
    code, told = judged(tmp_path / "none.json")
    assert code == 1
    assert "did not run to their end" in told
