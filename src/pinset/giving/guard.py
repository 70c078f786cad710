"""What a package may be before anything of it is unpacked: limits named once, and no trick with paths."""

from __future__ import annotations

import stat
import zipfile
from collections import Counter
from pathlib import PurePosixPath
from typing import Final

MOST_PARTS: Final = 200
MOST_UNPACKED: Final = 20_000_000_000  # bytes of all parts; a million entries come to about one
MOST_DESCRIBED: Final = 5_000_000  # bytes of datapackage.json
MOST_RATIO: Final = 200  # unpacked to packed; hashes keep a package's tables below 30
RATIO_FROM: Final = 50_000_000  # unpacked bytes from which the ratio counts: small tables may pack very well
MOST_TEXT: Final = 20_000_000  # characters in a cell


class NotAPackage(ValueError):
    """The file is not a package that a record can be made of. Nothing was changed."""


class PackageTooLarge(ValueError):
    """The package would unpack to more than a farm's record can be. It was not opened, and nothing was changed."""


def check_parts(archive: zipfile.ZipFile) -> None:
    """Refuse an archive by its list of parts alone: too large, doubled, hidden, or with paths that lead elsewhere."""
    parts = archive.infolist()
    names = Counter(part.filename for part in parts)
    unpacked = sum(part.file_size for part in parts)
    packed = sum(part.compress_size for part in parts)
    if len(parts) > MOST_PARTS or unpacked > MOST_UNPACKED:
        raise PackageTooLarge(
            f"needed at most {MOST_UNPACKED // 10**9} GB in {MOST_PARTS} parts when unpacked; came "
            f"{unpacked / 10**9:.1f} GB in {len(parts)}. {PackageTooLarge.__doc__}"
        )
    if unpacked > RATIO_FROM and unpacked > MOST_RATIO * packed:
        raise PackageTooLarge(f"it unpacks to over {MOST_RATIO} times its size. {PackageTooLarge.__doc__}")
    for part in parts:
        if names[part.filename] > 1:
            raise NotAPackage(f"needed each part once; came {part.filename!r} several times. {NotAPackage.__doc__}")
        _check_part(part)


def _check_part(part: zipfile.ZipInfo) -> None:
    if not is_safe(part.filename):
        raise NotAPackage(
            f"needed parts inside the package; came {part.filename!r}, which leads elsewhere. {NotAPackage.__doc__}"
        )
    if stat.S_ISLNK(part.external_attr >> 16):
        raise NotAPackage(f"needed plain files; came {part.filename!r}, a link. {NotAPackage.__doc__}")
    if part.header_offset < 0:
        raise NotAPackage(f"needed a whole package; came one whose beginning is missing. {NotAPackage.__doc__}")
    if part.flag_bits & 1:
        raise NotAPackage(f"needed a package without a password; came one with. {NotAPackage.__doc__}")


def is_safe(name: str) -> bool:
    """Whether a path stays inside the package that names it.

    >>> [is_safe(name) for name in ("journal/farm.csv", "../farm.csv", "/etc/passwd", "C:/x", "a\\\\b")]
    [True, False, False, False, False]
    """
    steps = PurePosixPath(name).parts
    return bool(steps) and not name.startswith("/") and ".." not in steps and not set(name) & set("\\:\0")
