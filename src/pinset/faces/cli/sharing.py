"""Giving a trial away: the exact file is shown before it is written, and only then written when told so."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pinset.faces.cli.finding import open_farm
from pinset.faces.cli.options import FarmFolder


class FileIsThere(FileExistsError):
    """There is a file of that name already, and it was left as it was."""


def share(
    trial: str,
    file: Path,
    *,
    arm: str | None = None,
    question: str | None = None,
    yes: Annotated[bool, Parameter(negative="")] = False,
    farm: FarmFolder = None,
) -> None:
    """Give a trial away as a small file for pooling: effects and variances, no raw rows, no names.

    Parameters
    ----------
    trial: str
        The trial's name on your farm; it does not go into the file.
    file: Path
        Where the file is written.
    arm: str
        Which arm, against the control; needed where there are several.
    question: str
        What was compared, in the words that all farms of the pool use; else the arm and the control.
    yes: bool
        Write the file; without this it is only shown.
    """
    from pinset.questions._sharing import shared, text  # its science takes a second to load

    with open_farm(farm) as opened, opened.reader() as ledger:
        content = text(shared(ledger, trial, arm, question))
    print(content, end="")
    if not yes:
        print(f"This, and nothing else, would be written to {file}. Write it with: --yes")
        return
    if file.exists():
        raise FileIsThere(f"{file} is there already and was left as it was. Name another file.")
    file.write_text(content, encoding="utf-8")
    print(f"Written: {file}")
