"""Which farm a command is about."""

from __future__ import annotations

import os
from pathlib import Path

from pinset.farm import Farm
from pinset.journal.store import NoRecordHere, has_record


def find_folder(given: Path | None) -> Path:
    """The folder of the record: the one given, the one in $PINSET_FARM, or the nearest at or above this folder."""
    if given is None and "PINSET_FARM" in os.environ:
        given = Path(os.environ["PINSET_FARM"])
    if given is not None:
        return given
    here = Path.cwd()
    for folder in (here, *here.parents):
        if has_record(folder):
            return folder
    raise NoRecordHere(
        "needed a farm's record here or in a folder above; found none.\n"
        "Make one with: pinset start FOLDER, or name its folder with --farm FOLDER"
    )


def open_farm(given: Path | None) -> Farm:
    """The farm that a command is about, open."""
    return Farm.open(find_folder(given))
