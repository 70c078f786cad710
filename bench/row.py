"""One line of the speed table: what was measured here, a peer measured in the same run, and the ratio asked for.

A bench is a file of this folder with a function ``rows() -> list[Row]``; ``python3 go.py bench NAME`` runs it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from importlib import import_module
from typing import NamedTuple


class Row(NamedTuple):
    """One thing measured beside its peer, in words ready to print.

    ``ratio`` sets the two against each other in the direction that ``target`` names (``>= 20``, ``< 1``), and ``met``
    says whether the target was reached.
    """

    what: str
    ours: str
    peer: str
    ratio: float
    target: str
    met: bool


HEADINGS = ("what", "ours", "peer", "ratio", "target", "met")


def cells(row: Row) -> tuple[str, ...]:
    """A row as text, one cell a column.

    >>> cells(Row("fit a trial", "2.0 ms", "90 ms", 45.0, ">= 20", True))
    ('fit a trial', '2.0 ms', '90 ms', '45', '>= 20', 'yes')
    """
    return (row.what, row.ours, row.peer, f"{row.ratio:.3g}", row.target, "yes" if row.met else "NO")


def print_rows(rows: Iterable[Row]) -> bool:
    """Print rows as a table with a heading; returns whether every target was met."""
    given = list(rows)
    table = [HEADINGS, *map(cells, given)]
    widths = [max(len(line[column]) for line in table) for column in range(len(HEADINGS))]
    for line in table:
        print("  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip())
    return all(row.met for row in given)


if __name__ == "__main__":
    sys.exit(not print_rows(import_module(f"bench.{sys.argv[1]}").rows()))
