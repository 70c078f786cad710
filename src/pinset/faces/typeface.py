"""The one typeface of every face: Atkinson Hyperlegible, in which 0 and O, 1 and l, 8 and B cannot be confused.

Codes are read off labels in bad light, so that is what the letters are chosen for. The files come with the package
`fontpkg-atkinson-hyperlegible` (SIL Open Font License 1.1); nothing of it is copied into this one.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Final, Literal

FAMILY: Final = "Atkinson Hyperlegible"
Weight = Literal["Regular", "Bold"]
WEIGHTS: Final[dict[Weight, int]] = {"Regular": 400, "Bold": 700}


def folder() -> Path:
    """The folder that holds the font files.

    >>> sorted(path.stem for path in folder().glob("*.ttf"))[0]
    'AtkinsonHyperlegible-Bold'
    """
    return Path(str(files("fontpkg_atkinson_hyperlegible"))) / "files"


def data(weight: Weight) -> bytes:
    """One font file."""
    return (folder() / f"AtkinsonHyperlegible-{weight}.ttf").read_bytes()
