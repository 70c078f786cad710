"""pinset: a mushroom grower's whole record, from mother culture to last crate, and honest answers from it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pinset.faces.notebook import NotebookFarm

__version__ = "0.1.0"
__all__ = ["open"]


def open(folder: str | Path, farm: str | None = None) -> NotebookFarm:
    """Open a farm's record for a notebook or a script: ``pinset.open("my-farm").ask("yields")``."""
    from pinset.faces.notebook import NotebookFarm

    return NotebookFarm.open(Path(folder), farm)
