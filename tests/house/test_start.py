"""A command that needs no numbers starts at once: it leaves the slow parts, which take seconds to import, alone."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SLOW = ("numpy", "scipy", "openpyxl", "typst", "vl_convert", "starlette", "uvicorn")
START = """
import json, sys
from pinset.__main__ import main
try:
    main()
except SystemExit as ended:
    code = ended.code
else:
    code = 0
print(json.dumps([code or 0, [name for name in {slow} if name in sys.modules]]))
"""


def started(folder: Path, *words: str) -> tuple[int, list[str]]:
    """The exit code of a pinset command, and the slow parts that it imported."""
    command = [sys.executable, "-c", START.format(slow=SLOW), *words]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True)
    code, slow = json.loads(done.stdout.splitlines()[-1])
    return code, slow


@pytest.mark.parametrize("words", [["--help"], ["note", "--help"], ["start", "--help"]])
def test_help_starts_without_the_slow_parts(words: list[str], tmp_path: Path) -> None:
    assert started(tmp_path, *words) == (0, [])


def test_a_note_is_kept_without_the_slow_parts(tmp_path: Path) -> None:
    assert started(tmp_path, "start", "farm", "--name", "A farm")[0] == 0
    assert started(tmp_path / "farm", "note", "make", "batch=A", "units=2", "fill=2kg") == (0, [])
