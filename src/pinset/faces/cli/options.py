"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

FarmFolder = Annotated[
    Path | None,
    Parameter(name=["--farm", "-f"], help="The folder of the farm's record; else $PINSET_FARM, else here or above."),
]
