"""A map written as a small TOML file, with a comment on every guess."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

from pinset.intake.fields import SHEET_KINDS, fields
from pinset.intake.map import SKIP, Map, SheetMap

WIDTH: Final = 100
_RARE: Final = frozenset({"unit_arms", "checked_codes", "trial", "arms", "seed"})  # for programs rather than for notes
_BARE: Final = re.compile(r"^[A-Za-z0-9_-]+\Z")


def map_text(map: Map, files: Sequence[str] = ()) -> str:
    """A map as TOML, ready to read and change.

    >>> from pinset.intake.map import Target
    >>> print(map_text(Map((SheetMap("Picked", "pick", {"kg": Target("weight", "kg")}),))).splitlines()[-1])
    kg = "weight in kg"
    """
    lines = [*_head(files), *_trial(map)]
    for sheet in map.sheets:
        lines += ["", *_sheet(sheet)]
    return "\n".join(lines) + "\n"


def _head(files: Sequence[str]) -> Iterator[str]:
    about = f" {_printable(', '.join(files))}" if files else " these files"
    yield f'# How pinset reads{about}. Change what is wrong; every "?" is yours to fill in.'
    yield '# A column says a field: "heading" = "field in unit". "skip" leaves a column or a whole sheet out.'
    yield "# Then look again with:  pinset take FILE --map THIS-FILE     and take it with --yes"


def _trial(map: Map) -> Iterator[str]:
    if map.trial is not None:
        yield from ("", "[trial]", f"name = {quoted(map.trial.name)}")
        yield _with_comment(f"control = {quoted(map.trial.control)}", f"the arm to compare with. {map.trial.comment}")
        yield _with_comment(f"given_to = {quoted(map.trial.given_to)}", "batch, or unit where single units got it")


def _sheet(sheet: SheetMap) -> Iterator[str]:
    table = f"sheets.{key(sheet.name)}"
    settings = {
        "kind": sheet.kind, "date_order": sheet.date_order, "decimal": sheet.decimal, "year": sheet.year,
        "fill_down": list(sheet.fill_down) or None,
    }  # fmt: skip
    yield f"[{table}]"
    for name, value in settings.items():
        if value is not None:
            yield _with_comment(f"{name} = {json.dumps(value, ensure_ascii=False)}", _comment(sheet, name))
    if sheet.kind != SKIP:
        if sheet.kind in SHEET_KINDS:
            listed = f"# fields: {', '.join(name for name in fields(sheet.kind) if name not in _RARE)}"
            yield from textwrap.wrap(listed, WIDTH, subsequent_indent="#   ", break_on_hyphens=False)
        columns = {name: str(target) if target else SKIP for name, target in sheet.columns.items()}
        yield from _group(f"{table}.columns", columns, sheet, "column ")
    for name in ("always", "words"):
        yield from _group(f"{table}.{name}", getattr(sheet, name), sheet, "")


def _comment(sheet: SheetMap, name: str) -> str:
    if name == "kind" and name not in sheet.comments:
        return "" if sheet.kind in SHEET_KINDS else f"one of {', '.join(SHEET_KINDS)}"
    return sheet.comments.get(name, "")


def _group(table: str, values: Mapping[str, str], sheet: SheetMap, prefix: str) -> Iterable[str]:
    if values:
        yield from ("", f"[{table}]")
        for name, value in values.items():
            yield _with_comment(f"{key(name)} = {quoted(value)}", sheet.comments.get(prefix + name, ""))


def _with_comment(line: str, comment: str) -> str:
    # what a grower wrote in a cell may stand in a comment: it has to stay in its line, and be text that TOML allows
    told = _printable(comment)
    return f"{line}  # {told}" if told else line


def _printable(text: str) -> str:
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def key(name: str) -> str:
    """A name as a TOML key, in quotes where it needs them.

    >>> key("Made"), key("kg each")
    ('Made', '"kg each"')
    """
    return name if _BARE.match(name) else quoted(name)


def quoted(text: str) -> str:
    """A text as a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
