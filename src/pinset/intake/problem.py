"""What is wrong, or doubtful, with one row of a grower's file: where, what was needed, what came, how to mend it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Sort = Literal["fault", "question"]


class CannotRead(ValueError):
    """A cell does not say what its column is to say."""

    def __init__(self, needed: str, mend: str = "", came: str | None = None) -> None:
        super().__init__(needed)
        self.needed, self.mend, self.came = needed, mend, came


@dataclass(frozen=True, slots=True)
class Problem:
    """A fault (the row cannot be an entry as it is) or a question (it can, if the grower says that it is meant so)."""

    file: str
    sheet: str
    row: int
    column: str
    sort: Sort
    needed: str
    came: str
    mend: str = ""

    @property
    def place(self) -> str:
        """Where it is, as a grower finds it.

        >>> Problem("notes.xlsx", "Picked", 12, "Weight kg", "fault", "a weight", "ver foto").place
        'notes.xlsx, Picked, row 12, Weight kg'
        """
        return ", ".join(part for part in (self.file, self.sheet, f"row {self.row}", self.column) if part)

    def __str__(self) -> str:
        mend = f" {self.mend}" if self.mend else ""
        return f"{self.place}: needed {self.needed}; came {self.came}.{mend}"


def shown(cell: object) -> str:
    """A cell as it is quoted to the grower: short, and nothing told from empty.

    >>> shown(None), shown("ver foto"), shown(140)
    ('nothing', "'ver foto'", '140')
    """
    if cell is None or cell == "":
        return "nothing"
    text = repr(cell) if isinstance(cell, str) else str(cell)
    return text if len(text) <= 60 else f"{text[:56]}...{text[-1]}"
