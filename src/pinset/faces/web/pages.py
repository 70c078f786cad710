"""Pages as HTML: templates filled in, every text escaped, no script and no style within the page's own markup."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pinset import __version__
from pinset.faces import charts, typeface, words
from pinset.questions.answer import Answer, Chart

MOST_ROWS = 200


def filled(template: str, **given: Any) -> str:
    """A template of this folder, filled in."""
    return _environment().get_template(template).render(**given)


def page(answer: Answer, farm: str = "", mark: str = ".") -> str:
    """One answer as a page in one file, with its style and pictures inside: to keep, send or print."""
    return brief_page([answer], words.capital(answer.asks), farm, mark)


def brief_page(answers: Sequence[Answer], title: str, note: str = "", mark: str = ".") -> str:
    """Several answers as a page in one file, opening with their headlines. ``note`` stands at its head and its foot."""
    return filled("file.html", answers=answers, title=title, note=note, mark=mark, style=_inner_style())


def fragment(answer: Answer, mark: str = ".") -> str:
    """One answer to set into a page that is not ours, as a notebook: its style reaches nothing outside it."""
    return filled("fragment.html", answer=answer, mark=mark, style=_fenced_style())


def style() -> str:
    """The one style sheet."""
    return files("pinset.faces.web").joinpath("static/pinset.css").read_text(encoding="utf-8")


@cache
def style_mark() -> str:
    """Some characters that change whenever the style sheet does: an address that may be kept for ever."""
    return sha256(style().encode()).hexdigest()[:12]


@cache
def _inner_style() -> Markup:
    """The style sheet with its typeface inside."""
    sheet = style()
    for weight in typeface.WEIGHTS:
        inside = base64.b64encode(typeface.data(weight)).decode()
        sheet = sheet.replace(f"/typeface/{weight}.ttf", f"data:font/ttf;base64,{inside}")
    return Markup(sheet)  # our own file: nothing that anybody typed is in it


@cache
def _fenced_style() -> Markup:
    """The style sheet for a part of a foreign page: without typeface, and within the part alone."""
    sheet = re.sub(r"@font-face \{.*?\}\n", "", style()).replace("\nbody {", "\n:scope {")
    sheet = re.sub(r":root|\.pinset\b", ":scope", sheet)
    return Markup(f"@scope (.pinset) {{ {sheet} }}")


def _picture(chart: Chart, mark: str) -> Markup:
    return Markup(charts.picture(chart, mark))  # drawn by us; its texts are escaped where it is drawn


def _address(kind: str, name: object) -> str:
    """The address of a page about one thing."""
    return f"/{kind}/{quote(str(name), safe='')}"


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("pinset.faces.web"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.globals.update(
        words=words, picture=_picture, address=_address, style_mark=style_mark, version=__version__, most_rows=MOST_ROWS
    )
    environment.filters.update(capital=words.capital, address_of=lambda name, kind: _address(kind, name))
    return environment
