"""Fails unless the floors that hold the record and the numbers are tested, line by line and branch by branch.

python3 .ci/covered.py .coverage.json
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

FLOORS = ("journal", "ledger", "science")
LEAST_PERCENT = 95.0


def shares(files: Mapping[str, Any], floor: str) -> dict[str, float]:
    """The percentages of a floor's lines and branches that ran; a floor with no file in the measurement has none.

    >>> summary = dict(num_statements=8, covered_lines=6, num_branches=4, covered_branches=4)
    >>> shares({"src/pinset/science/mixed.py": {"summary": summary}}, "science")
    {'lines': 75.0, 'branches': 100.0}
    """
    inside = [file["summary"] for path, file in files.items() if Path(path).is_relative_to(Path("src/pinset", floor))]
    counts = {"lines": ("covered_lines", "num_statements"), "branches": ("covered_branches", "num_branches")}
    return {
        what: 100.0 * sum(each[ran] for each in inside) / max(1, sum(each[of] for each in inside))
        for what, (ran, of) in counts.items()
    }


def report(measured: Mapping[str, Any]) -> Iterator[tuple[str, bool]]:
    """A sentence for each floor, and whether it is tested enough."""
    for floor in FLOORS:
        found = shares(measured["files"], floor)
        words = ", ".join(f"{percent:.1f} % of its {what}" for what, percent in found.items())
        yield (
            f"{floor}: tests run {words}; at least {LEAST_PERCENT:g} % of each is asked",
            min(found.values()) >= LEAST_PERCENT,
        )


def main(path: str) -> int:
    """Print the sentences; returns 0 when every floor is tested enough."""
    if not Path(path).is_file():
        print(f"{path} is missing: the tests did not run to their end")
        return 1
    outcome = list(report(json.loads(Path(path).read_text(encoding="utf-8"))))
    for sentence, enough in outcome:
        print(("" if enough else "TOO LITTLE: ") + sentence)
    return 0 if all(enough for _, enough in outcome) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
