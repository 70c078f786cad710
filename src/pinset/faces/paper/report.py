"""Answers as a PDF on A4: tagged, its pictures described, the same bytes for the same answers.

The template is a file of this package and the answers reach it as data, so that nothing anybody typed is ever read as
a command of the typesetter.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib.resources import files
from typing import Any, Final

from pinset import __version__
from pinset.faces import charts, typeface, words
from pinset.questions.answer import Answer, Figure, Table

STANDARD: Final = "ua-1"  # PDF/UA-1, ISO 14289-1: readable by those who hear the page
MOST_ROWS: Final = 200


def pdf(answers: Sequence[Answer], title: str, note: str = "", mark: str = ".") -> bytes:
    """The answers as a PDF that opens with their headlines. ``note`` stands at its head and at each page's foot."""
    import typst

    made: bytes = typst.compile(
        files("pinset.faces.paper").joinpath("report.typ").read_bytes(),
        sys_inputs={"data": json.dumps(_data(answers, title, note, mark), ensure_ascii=False)},
        font_paths=typst.Fonts(include_system_fonts=False, font_paths=[typeface.folder()]),
        pdf_standards=[STANDARD],
    )
    return made


def _data(answers: Sequence[Answer], title: str, note: str, mark: str) -> dict[str, Any]:
    foot = " · ".join(part for part in (note, f"pinset {__version__}") if part)
    shown = [_answer(answer, mark) for answer in answers]
    return {"title": title, "note": note, "foot": foot, "font": typeface.FAMILY, "answers": shown}


def _answer(answer: Answer, mark: str) -> dict[str, Any]:
    return {
        "asks": words.capital(answer.asks),
        "options": words.options_said(answer.options),
        "headline": answer.headline,
        "word": answer.standing.word,
        "standing": words.standing(answer.standing),
        "figures": [_figure(figure, mark) for figure in answer.figures],
        "charts": [_titled(one.title) | {"alt": one.alt, "svg": charts.svg(one.spec)} for one in answer.charts],
        "tables": [_table(table, mark) for table in answer.tables if table.rows],
        "cautions": answer.cautions,
        "next": answer.next,
        "basis": words.stands_on(answer.basis),
    }


def _figure(figure: Figure, mark: str) -> dict[str, str]:
    doubt = ", ".join(part for part in (words.interval(figure, mark), words.from_count(figure)) if part)
    value = words.value(figure, mark)
    return {"name": words.capital(figure.name), "value": value, "doubt": doubt, "how": figure.how}


def _table(table: Table, mark: str) -> dict[str, Any]:
    headings = [
        {"name": column.name, "unit": column.unit, "number": words.is_number(n, table.rows)}
        for n, column in enumerate(table.columns)
    ]
    rows = [
        [words.cell(content, column, mark) for content, column in zip(row, table.columns, strict=True)]
        for row in table.rows[:MOST_ROWS]
    ]
    cut = f"and {len(table.rows) - MOST_ROWS} rows more, in the JSON." if len(table.rows) > MOST_ROWS else ""
    return _titled(table.title) | {"headings": headings, "rows": rows, "cut": cut}


def _titled(title: str) -> dict[str, Any]:
    name, more = words.name_and_more(title)
    return {"title": name, "more": more}
