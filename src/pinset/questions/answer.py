"""What every question returns: a sentence to act on, how far the notes carry it, and how it was got."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

Cell = str | int | float | None
StandingWord = Literal["settled", "leaning", "open"]


@dataclass(frozen=True, slots=True)
class Standing:
    """How far the notes carry the answer, and why, in words."""

    word: StandingWord
    reason: str


@dataclass(frozen=True, slots=True)
class Figure:
    """One named number with its unit, its doubt, the count behind it and how it was got."""

    name: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    count: int | None = None
    how: str = ""


@dataclass(frozen=True, slots=True)
class Column:
    """A table's column: its heading, its unit, and how many digits after the point are meant."""

    name: str
    unit: str = ""
    digits: int = 0
    link: str = ""
    """Where the cells lead to, as a kind of page: "batch", "unit" or "lot"."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table to show; ``title`` says what it tells."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture as a Vega-Lite description, with the words that say what it shows to those who do not see it."""

    name: str
    title: str
    alt: str
    spec: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Basis:
    """What the answer stands on: which notes, at which level, by which method, from which sources."""

    counts: dict[str, int]
    level: str
    since: date | None
    until: date | None
    method: str
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one question."""

    question: str
    asks: str
    headline: str
    standing: Standing
    figures: tuple[Figure, ...]
    basis: Basis
    tables: tuple[Table, ...] = ()
    charts: tuple[Chart, ...] = ()
    cautions: tuple[str, ...] = ()
    next: tuple[str, ...] = ()
    options: dict[str, str] = field(default_factory=dict)

    def figure(self, name: str) -> Figure:
        """The figure of this name; KeyError names those there are."""
        for one in self.figures:
            if one.name == name:
                return one
        raise KeyError(f"no figure {name!r}; there are: {', '.join(one.name for one in self.figures)}")

    def table(self, name: str) -> Table:
        """The table of this name; KeyError names those there are."""
        for one in self.tables:
            if one.name == name:
                return one
        raise KeyError(f"no table {name!r}; there are: {', '.join(one.name for one in self.tables)}")

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain JSON values: numbers stay numbers, dates are ISO text, what is not finite is null."""
        plain: dict[str, Any] = _plain(dataclasses.asdict(self))
        return plain


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
