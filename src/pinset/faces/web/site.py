"""The read side on the web: every page, its address, and what it is filled with."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from inspect import Parameter
from typing import Any, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from pinset import upkeep
from pinset.faces import typeface, words
from pinset.faces.cli.faults import told
from pinset.faces.web import lists, pages, things, views
from pinset.faces.web.api import Api
from pinset.faces.web.asked import Answers, Leaves, Standing
from pinset.faces.web.guard import Guard
from pinset.faces.web.record import Record, opened
from pinset.faces.web.views import Context, Fact, Field, NotOnRecord
from pinset.farm import Farm
from pinset.ledger.tables import Batch, Lot
from pinset.questions.answer import Answer
from pinset.questions.catalogue import NoSuchQuestion, Option, Question, find_question, names, questions

log = logging.getLogger("pinset.web")
_FOR_EVER: Final = {"Cache-Control": "public, max-age=31536000, immutable"}
_INPUTS: Final[dict[type, str]] = {date: "date", int: "number"}
Says = Callable[[Record, dict[str, str]], Context]


def site(farm: Farm, hosts: Iterable[str] = ()) -> ASGIApp:
    """The pages of one farm's record. ``hosts`` are names it answers to besides those of this machine."""
    return Guard(Starlette(routes=_Site(farm).routes(), exception_handlers=_Sorry(farm).handlers()), hosts)


class _CannotAnswer(Exception):
    """A question cannot be answered as it was asked; says what is needed."""


class _Site:
    def __init__(self, farm: Farm) -> None:
        self.farm, self.answers = farm, Answers(farm)
        self.standing, self.leaves = Standing(farm, self._answered), Leaves(farm)

    def routes(self) -> list[Route]:
        """Every address there is."""
        return [
            Route("/", self.first),
            *(Route(f"/{name}", self._lists(says)) for name, says in _LISTS.items()),
            *(Route(f"/{kind}/{{code:path}}", self._things(says)) for kind, says in _THINGS.items()),
            Route("/ask", self.asks),
            Route("/ask/{name}.json", self.as_json),
            Route("/ask/{name}.pdf", self.as_paper),
            Route("/ask/{name}", self.ask),
            *Api(self.farm).routes(),
            Route("/pinset.css", _style),
            Route("/typeface/{weight}.ttf", _typeface),
        ]

    def _lists(self, says: Says) -> Callable[[Request], Response]:
        def shown(request: Request) -> Response:
            return self._leaf(request, "list.html", lambda record: says(record, dict(request.query_params)))

        return shown

    def _things(self, says: Callable[[Record, str], Context]) -> Callable[[Request], Response]:
        def shown(request: Request) -> Response:
            return self._leaf(request, "thing.html", lambda record: says(record, request.path_params["code"]))

        return shown

    def _leaf(self, request: Request, template: str, says: Callable[[Record], Context]) -> Response:
        """A page that says nothing new until something is noted."""
        return HTMLResponse(self.leaves.get(str(request.url), lambda: bytes(self._page(template, says).body)))

    def _page(self, template: str, says: Callable[[Record], Context], status: int = 200) -> Response:
        return _filled(self.farm, template, says, status)

    def first(self, request: Request) -> Response:
        """The first page."""
        asked = self.standing.latest(questions())
        care = {"warning": upkeep.warning(self.farm), "trial": upkeep.trial_told(self.farm)}
        return self._page("first.html", lambda record: {"here": "first", "asked": asked, **care, **views.first(record)})

    def _answered(self, question: Question) -> tuple[Answer | None, str]:
        """The answer without options, or what is missing for it."""
        try:
            return self._answer(question, {}), ""
        except _CannotAnswer as fault:
            return None, str(fault)
        except Exception:
            # one question that fails must not take the first page with it; its own page says so
            log.exception("the question %s failed", question.name)
            return None, "Something went wrong in pinset."

    def asks(self, request: Request) -> Response:
        """The list of questions."""
        return self._page("questions.html", lambda record: {"here": "/ask", "questions": questions()})

    def ask(self, request: Request) -> Response:
        """One question with its options and its answer."""
        question, given = find_question(request.path_params["name"]), dict(request.query_params)
        fault, answer = "", None
        try:
            answer = self._given(request)
        except _CannotAnswer as found:
            fault = str(found)

        def says(record: Record) -> Context:
            fields = [_field(record, option, given.get(option.name, ""), bool(fault)) for option in question.options]
            query = f"?{request.url.query}" if request.url.query else ""
            shown = {"here": "/ask", "question": question, "answer": answer, "fault": fault}
            return shown | {"fields": fields, "query": query}

        return self._page("ask.html", says, 400 if fault else 200)

    def _given(self, request: Request) -> Answer:
        return self._answer(find_question(request.path_params["name"]), dict(request.query_params))

    def _answer(self, question: Question, given: Mapping[str, str]) -> Answer:
        needed = [one.name for one in question.options if one.default is Parameter.empty and not given.get(one.name)]
        if needed:
            raise _CannotAnswer(f"Choose the {' and the '.join(needed)} to ask about.")
        try:
            return self.answers.ask(question.name, given)
        except Exception as fault:
            words_for_it = told(fault)
            if words_for_it is None:
                raise
            raise _CannotAnswer(f"{words.capital(words_for_it).rstrip('.')}.") from fault

    def as_json(self, request: Request) -> Response:
        """The answer as JSON."""
        return JSONResponse(self._given(request).as_dict())

    def as_paper(self, request: Request) -> Response:
        """The answer as PDF."""
        from pinset.faces.paper.report import pdf

        answer, settings = self._given(request), self.farm.settings
        made = pdf([answer], words.capital(answer.asks), settings.name, settings.decimal_mark)
        return Response(made, media_type="application/pdf", headers={
            "Content-Disposition": f'inline; filename="{answer.question}.pdf"',
        })  # fmt: skip


_LISTS: Final[dict[str, Says]] = {"batches": lists.batches, "units": lists.units, "lots": lists.lots}
_THINGS: Final[dict[str, Callable[[Record, str], Context]]] = {
    "batch": things.batch, "unit": things.unit, "lot": things.lot, "entry": things.entry,
}  # fmt: skip


def _filled(farm: Farm, template: str, says: Callable[[Record], Context], status: int) -> Response:
    with opened(farm) as record:
        context = {"here": "", "farm": farm.settings, "entries": record.entries} | says(record)
    return HTMLResponse(pages.filled(template, **context), status)


def _field(record: Record, option: Option, value: str, faulty: bool) -> Field:
    needed = option.default is Parameter.empty
    if not value and not needed and option.default is not None:
        value = str(option.default)
    choices = ("yes", "no") if option.reads is bool else _choices(record, option.name)
    # a field for dates would not show a date that cannot be read, and so it could not be mended
    kind = "text" if faulty else _INPUTS.get(option.reads, "text")
    return Field(option.name, words.capital(option.help), value, choices, kind, needed)


def _choices(record: Record, name: str) -> tuple[str, ...]:
    """What is on record under an option's name: the trials, the recipes, the strains there are."""
    for table in (Batch, Lot):
        if name in table._fields:
            return tuple(record.choices(table, name))
    return ()


def _style(request: Request) -> Response:
    return Response(pages.style(), media_type="text/css", headers=_FOR_EVER)


def _typeface(request: Request) -> Response:
    for weight in typeface.WEIGHTS:
        if weight == request.path_params["weight"]:
            return Response(typeface.data(weight), media_type="font/ttf", headers=_FOR_EVER)
    raise HTTPException(404)


class _Sorry:
    """Pages for what went wrong, in plain words."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm

    def handlers(self) -> dict[Any, Callable[[Request, Exception], Response]]:
        """What answers to which fault."""
        return {
            NotOnRecord: self.not_on_record,
            NoSuchQuestion: self.no_such_question,
            _CannotAnswer: self.cannot_answer,
            HTTPException: self.no_such_page,
            Exception: self.broken,
        }

    def _say(self, status: int, headline: str, advice: str, near: Iterable[Fact] = ()) -> Response:
        says = {"name": "Not found", "headline": headline, "advice": advice, "near": list(near)}
        return _filled(self.farm, "sorry.html", lambda record: says, status)

    def not_on_record(self, request: Request, fault: Exception) -> Response:
        """Nothing of this code is on record."""
        assert isinstance(fault, NotOnRecord)
        near = [Fact("", code, views.link(fault.kind, code)) for code in fault.near]
        advice = "Perhaps it is one of these:" if near else "Look for it in the lists above."
        return self._say(404, str(fault), advice, near)

    def no_such_question(self, request: Request, fault: Exception) -> Response:
        """No question has this name."""
        near = [Fact("", words.capital(find_question(name).asks), views.link("ask", name)) for name in names()]
        return self._say(404, "There is no such question.", "These can be asked:", near)

    def cannot_answer(self, request: Request, fault: Exception) -> Response:
        """An option is not known, its value cannot be read, or something is not on record."""
        return self._say(400, str(fault), "Go back and mend it.")

    def no_such_page(self, request: Request, fault: Exception) -> Response:
        """Nothing is at this address, or it cannot be used in this way."""
        assert isinstance(fault, HTTPException)
        if fault.status_code == 405:
            return self._say(405, "These pages only show the record.", "Notes are taken with: pinset note")
        return self._say(fault.status_code, "There is no such page.", "The words at the top lead to all there are.")

    def broken(self, request: Request, fault: Exception) -> Response:
        """A fault of the program; it is in the log, and nothing of it on the page."""
        advice = "The record itself is as it was. The terminal where pinset serve runs says more."
        return self._say(500, "Something went wrong in pinset.", advice)
