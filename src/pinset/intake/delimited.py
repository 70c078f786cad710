"""Reading tables written as text: any usual delimiter, any usual encoding."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Final

from pinset.intake.guard import MOST_BYTES, MOST_COLUMNS, MOST_ROWS, NotNotes, TooLarge
from pinset.intake.layout import heading_words
from pinset.intake.table import Cell, Grid, Unread
from pinset.intake.words import vocabulary
from pinset.intake.workbook import tidy

DELIMITERS: Final = (",", ";", "\t", "|")
# Windows, old Macintosh and old DOS spreadsheets of Western Europe write these, in this order of likelihood.
_WESTERN: Final = ("cp1252", "mac_roman", "cp850")
_BOMS: Final = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_SAMPLE_LINES: Final = 300
_SAMPLE_WIDTH: Final = 4_000  # characters of a line
_SAMPLE_TEXT: Final = 2_000_000
_ELSEWHERE: Final = frozenset(
    {"Arabic", "CJK", "Cyrillic", "Greek", "Hangul", "Hebrew", "Hiragana", "Katakana", "Thai"}
)
_ODD: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffd]")
_MOST_ODD: Final = 0.002  # of the characters; text has none, pictures and programs have every tenth
_WORD: Final = re.compile(r"[^\W\d_]+|°\s?[CFcf]\b")


def read_delimited(path: Path) -> Grid:
    """The cells of a text table; raises NotNotes or TooLarge."""
    text = decoded(path.read_bytes(), path.name)
    text, said = _declared(text)
    delimiter = said or delimiter_of(text)
    if delimiter is None:
        raise NotNotes(f"{path.name}: needed a table with columns; came text in one column")
    return Grid(path.name, path.stem, _rows(text, delimiter, path.name), delimiter)


def decoded(data: bytes, file: str) -> str:
    """The text of a file, by its byte order mark, as UTF-8, or in the encoding that reads best.

    >>> decoded("Stück;0,5 kg".encode("cp1252"), "notes.csv")
    'Stück;0,5 kg'
    """
    text = _decode(data)
    if text is None or len(_ODD.findall(text[:100_000])) > _MOST_ODD * min(len(text), 100_000):
        raise NotNotes(f"{file}: needed an .xlsx workbook or a .csv table; came a file that is no text")
    return text


def _decode(data: bytes) -> str | None:
    for mark, name in _BOMS.items():
        if data.startswith(mark):
            return data.decode(name, errors="replace")
    if (wide := _wide(data)) is not None:
        return data.decode(wide, errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return _by_reading(data)


def _wide(data: bytes) -> str | None:
    """UTF-16 without its mark shows in every other byte being zero."""
    sample = data[:4_000]
    half = len(sample) // 2
    for first, name in ((0, "utf-16-be"), (1, "utf-16-le")):
        if half > 4 and sample[first::2].count(0) > 0.6 * half and sample[1 - first :: 2].count(0) < 0.1 * half:
            return name
    return None


def _by_reading(data: bytes) -> str | None:
    """The Western encoding that gives the most words known here, else what letter statistics say."""
    readings = [text for name in _WESTERN if (text := _attempt(data, name)) is not None]
    best = max(readings, key=_known_words, default=None)
    if best is not None and _known_words(best):
        return best
    from charset_normalizer import from_bytes

    guess = from_bytes(data[:200_000]).best()
    if guess is not None and (not readings or any(name.split()[0] in _ELSEWHERE for name in guess.alphabets)):
        return _attempt(data, guess.encoding)
    return readings[0] if readings else None


def _attempt(data: bytes, encoding: str) -> str | None:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        return None


def _known_words(text: str) -> int:
    known = _accented()
    return sum(word.casefold().replace(" ", "") in known for word in _WORD.findall(text[:50_000]) if not word.isascii())


@cache
def _accented() -> frozenset[str]:
    """Every word of the vocabulary with a letter that is not ASCII, and degrees; two letters may be chance."""
    found: set[str] = {"°c", "°f"}
    groups: list[object] = [vocabulary()]
    while groups:
        group = groups.pop()
        if isinstance(group, dict):
            groups += [*group.values()]
        elif isinstance(group, list):
            groups += group
        elif isinstance(group, str):
            found.update(word for word in group.casefold().split() if not word.isascii() and len(word) > 2)
    return frozenset(found)


def _declared(text: str) -> tuple[str, str | None]:
    """Some spreadsheets write their delimiter in a first line, ``sep=;``."""
    first, _, rest = text.partition("\n")
    found = re.fullmatch(r"sep=(.)\r?", first)
    return (f"\n{rest}", found[1]) if found else (text, None)


def delimiter_of(text: str) -> str | None:
    """The delimiter that parts a heading into known words, or under which most lines have the same number of cells.

    >>> delimiter_of("day;kg\\n1/2/2026;0,5\\n2/2/2026;0,7\\n"), delimiter_of("a,b\\n1,2\\n"), delimiter_of("a\\nb")
    (';', ',', None)
    """
    lines = [line[:_SAMPLE_WIDTH] for line in text[:_SAMPLE_TEXT].splitlines()[:_SAMPLE_LINES]]
    votes = {delimiter: _vote(lines, delimiter) for delimiter in DELIMITERS}
    best = max(votes, key=lambda delimiter: votes[delimiter])
    return best if votes[best] > (0, 0) else None


def _vote(lines: list[str], delimiter: str) -> tuple[int, float]:
    """The most words of a heading in one line; then the share of lines that agree, times the cells beyond the first."""
    rows = [cells for cells in csv.reader(lines, delimiter=delimiter) if any(cells)]
    widths = Counter(map(len, rows))
    agree = max((count * (width - 1) for width, count in widths.items()), default=0)
    known = max((heading_words([cell for cell in cells if cell]) for cells in rows), default=0)
    return known, agree / max(len(rows), 1)


def _rows(text: str, delimiter: str, file: str) -> list[tuple[int, list[Cell]]]:
    limit = csv.field_size_limit(MOST_BYTES)
    try:
        found: list[tuple[int, list[Cell]]] = []
        for number, cells in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), 1):
            if number > MOST_ROWS:
                raise TooLarge(f"{file}: needed at most {MOST_ROWS} rows; came more")
            if any(cells):
                found.append((number, _cells(cells)))
        return [row for row in found if row[1]]
    except csv.Error as fault:
        raise NotNotes(f"{file}: needed a whole table; came one that breaks off ({fault})") from fault
    finally:
        csv.field_size_limit(limit)


def _cells(cells: list[str]) -> list[Cell]:
    said: list[Cell] = [tidy(cell) if cell else None for cell in cells[:MOST_COLUMNS]]
    if len(cells) > MOST_COLUMNS:
        said[0] = Unread(f"at most {MOST_COLUMNS} cells in a row", str(len(cells)), "Look for a stray quote mark.")
    while said and said[-1] is None:
        said.pop()
    return said
