"""How soon the commands that compute nothing have started, and how much memory the demo takes."""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bench.row import Row, print_rows

TRIES = 7
PINSET = [sys.executable, "-m", "pinset"]
LIMIT_S, LIMIT_MB, DEMO_S = 0.3, 600.0, 15.0


def rows() -> Iterator[Row]:
    """Start-up of the overview and of a note; time and memory of the demo."""
    with tempfile.TemporaryDirectory() as folder:
        farm = str(Path(folder) / "farm")
        subprocess.run([*PINSET, "start", farm], check=True, capture_output=True)
        bare = _soonest([sys.executable, "-c", "pass"])
        yield _row("pinset --help", _soonest([*PINSET, "--help"]), bare)
        note = [*PINSET, "note", "work", "task=picking", "minutes=5", "--farm", farm]
        yield _row("pinset note", _soonest(note), bare)
        yield from _demo(Path(folder) / "demo")


def _row(what: str, seconds: float, bare: float) -> Row:
    words = f"an empty Python: {bare * 1000:.0f} ms; allowed {LIMIT_S * 1000:.0f} ms"
    return Row(what, f"{seconds * 1000:.0f} ms", words, seconds / LIMIT_S, "< 1", seconds < LIMIT_S)


def _soonest(words: list[str]) -> float:
    """The best of several tries: the least disturbed one."""
    taken = []
    for _ in range(TRIES):
        began = time.perf_counter()
        subprocess.run(words, check=True, capture_output=True)
        taken.append(time.perf_counter() - began)
    return min(taken)


def _demo(folder: Path) -> Iterator[Row]:
    began = time.perf_counter()
    subprocess.run([*PINSET, "demo", str(folder)], check=True, capture_output=True)
    seconds = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)
    yield Row("demo, time", f"{seconds:.1f} s", f"allowed {DEMO_S:.0f} s", seconds / DEMO_S, "< 1", seconds < DEMO_S)
    yield Row("demo, memory", f"{peak:.0f} MB", f"allowed {LIMIT_MB:.0f} MB", peak / LIMIT_MB, "< 1", peak < LIMIT_MB)


if __name__ == "__main__":
    print_rows(rows())
