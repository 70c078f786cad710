"""Asking a question: each question of the catalogue is a command of its own, with its own options.

A question's module, and with it the science it needs, is loaded only when that question is asked.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any

from cyclopts import App, Parameter

from pinset.faces import words
from pinset.faces.cli.finding import open_farm
from pinset.faces.cli.options import FarmFolder
from pinset.journal.farms import FarmSettings
from pinset.questions.answer import Answer
from pinset.questions.catalogue import Option, Question, find_question, names, questions

WIDEST = 100
_COMMAND = "command_"
_Json = Annotated[bool, Parameter(negative="", help="Print the answer as JSON, with every number in full.")]
_Page = Annotated[Path | None, Parameter(help="Write the answer as a page for any browser, all in one file.")]
_Pdf = Annotated[Path | None, Parameter(help="Write the answer as paper.")]
_SHOWN: dict[str, tuple[Any, Any]] = {
    "json": (_Json, False), "page": (_Page, None), "pdf": (_Pdf, None), "farm": (FarmFolder, None),
}  # fmt: skip


def _first_words(name: str) -> str:
    """The question as the first line of its file says it: read, not imported, for its science takes seconds."""
    first, *_ = files("pinset.questions").joinpath(f"{name}.py").read_text(encoding="utf-8").splitlines()
    return first.strip('"')


ask = App(name="ask", help="Ask a question; without a name, lists them.")
for _name in names():
    ask.command(f"{__name__}:{_COMMAND}{_name}", name=_name, help=_first_words(_name))


def __getattr__(name: str) -> Callable[..., None]:
    """The command that asks a question; made when it is used."""
    if not name.startswith(_COMMAND):
        raise AttributeError(name)
    return _command(find_question(name.removeprefix(_COMMAND)))


@ask.default
def _list(name: str | None = None, /) -> None:
    """List the questions in the grower's words."""
    if name is not None:
        find_question(name)
    for question in questions():
        print(f"{question.name:9} {words.capital(question.asks)}")
    print("\nAsk one with:      pinset ask NAME\nIts options:       pinset ask NAME --help")


def _command(question: Question) -> Callable[..., None]:
    def asks(**given: Any) -> None:
        shown = {name: given.pop(name, default) for name, (_, default) in _SHOWN.items()}
        _ask(question, given, **shown)

    asks.__name__, asks.__doc__ = question.name, words.capital(question.asks)
    parameters = [*map(_parameter, question.options), *_common()]
    asks.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    return asks


def _parameter(option: Option) -> inspect.Parameter:
    annotated: Any = Annotated  # made while running, which a type checker does not follow
    hint = annotated[option.reads | None, Parameter(help=words.capital(option.help) + ".")]
    return inspect.Parameter(option.name, inspect.Parameter.KEYWORD_ONLY, default=option.default, annotation=hint)


def _common() -> list[inspect.Parameter]:
    return [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=hint)
        for name, (hint, default) in _SHOWN.items()
    ]


def _ask(question: Question, options: dict[str, Any], json: bool, page: Path | None, pdf: Path | None,
         farm: Path | None) -> None:  # fmt: skip
    with open_farm(farm) as opened:
        answer, settings = opened.ask(question.name, **options), opened.settings
    if json:
        print(_json(answer))
    if page is not None:
        _write_page(answer, settings, page)
    if pdf is not None:
        _write_pdf(answer, settings, pdf)
    if not (json or page or pdf):
        _show(answer, settings)


def _json(answer: Answer) -> str:
    return json.dumps(answer.as_dict(), ensure_ascii=False, indent=2)


def _show(answer: Answer, settings: FarmSettings) -> None:
    from rich.console import Console

    from pinset.faces import screen

    console = Console(highlight=False)
    console.width = min(console.width, WIDEST)
    screen.show(answer, console, settings.decimal_mark)


def _write_page(answer: Answer, settings: FarmSettings, path: Path) -> None:
    from pinset.faces.web.pages import page

    path.write_text(page(answer, settings.name, settings.decimal_mark), encoding="utf-8")
    print(f"Written: {path}, a page for any browser.")


def _write_pdf(answer: Answer, settings: FarmSettings, path: Path) -> None:
    from pinset.faces.paper.report import pdf

    path.write_bytes(pdf([answer], words.capital(answer.asks), settings.name, settings.decimal_mark))
    print(f"Written: {path}, to print on A4.")
