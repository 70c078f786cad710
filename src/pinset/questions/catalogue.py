"""Finding the questions: every module of this folder that is marked with `@question` is one."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any, Concatenate, ParamSpec, get_type_hints

import pinset.questions
from pinset.journal.hints import plain_type
from pinset.ledger.read import Reader
from pinset.questions.answer import Answer

P = ParamSpec("P")
_NOT_QUESTIONS = frozenset({"answer", "catalogue"})


class NoSuchQuestion(LookupError):
    """There is no question of that name."""


class NoSuchOption(ValueError):
    """The question has no option of that name, or cannot read its value."""


@dataclass(frozen=True, slots=True)
class Option:
    """One option of a question, for every face alike."""

    name: str
    reads: type
    default: Any
    help: str


@dataclass(frozen=True, slots=True)
class Question:
    """A question: its name, the grower's words for it, its options, and what answers it."""

    name: str
    asks: str
    answers: Callable[..., Answer]
    options: tuple[Option, ...]

    def answer(self, ledger: Reader, **given: Any) -> Answer:
        """Answer from a ledger; options may be given as text, as faces have them."""
        known = {option.name: option for option in self.options}
        unknown = [name for name in given if name not in known]
        if unknown:
            there = ", ".join(known) or "none"
            raise NoSuchOption(f"{self.name} has no option {unknown[0]!r}; there are: {there}")
        values = {name: _read(known[name], value) for name, value in given.items() if value not in (None, "")}
        return self.answers(ledger, **values)


def question(
    name: str, asks: str
) -> Callable[[Callable[Concatenate[Reader, P], Answer]], Callable[Concatenate[Reader, P], Answer]]:
    """Mark a function as the answer to a question. Its keyword parameters are the options; its docstring's lines
    ``name: help`` say what each does."""

    def mark(function: Callable[Concatenate[Reader, P], Answer]) -> Callable[Concatenate[Reader, P], Answer]:
        function.question = Question(name, asks, function, _options(function))  # type: ignore[attr-defined]
        return function

    return mark


def _options(function: Callable[..., Answer]) -> tuple[Option, ...]:
    hints = get_type_hints(function)
    helps = dict(re.findall(r"^\s*(\w+): (.+)$", inspect.getdoc(function) or "", re.MULTILINE))
    parameters = list(inspect.signature(function).parameters.values())[1:]
    return tuple(
        Option(each.name, plain_type(hints[each.name]), each.default, helps[each.name]) for each in parameters
    )  # fmt: skip


def _read(option: Option, value: Any) -> Any:
    if isinstance(value, option.reads) or not isinstance(value, str):
        return value
    try:
        if option.reads is date:
            return date.fromisoformat(value)
        if option.reads is bool:
            return {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}[value.casefold()]
        return option.reads(value)
    except (ValueError, KeyError) as fault:
        wanted = {date: "a date as 2026-03-02", bool: "yes or no", int: "a whole number", float: "a number"}
        needed = wanted.get(option.reads, "text")
        raise NoSuchOption(f"{option.name}: needed {needed}; came {value!r}") from fault


@cache
def names() -> tuple[str, ...]:
    """The names of all questions, without loading their science."""
    modules = [module.name for module in pkgutil.iter_modules(pinset.questions.__path__)]
    return tuple(name for name in modules if name not in _NOT_QUESTIONS and not name.startswith("_"))


def find_question(name: str) -> Question:
    """The question of this name."""
    if name not in names():
        raise NoSuchQuestion(f"needed a question: {', '.join(names())}; came {name!r}")
    module = importlib.import_module(f"pinset.questions.{name}")
    found: Question = getattr(module, name).question
    return found


def questions() -> list[Question]:
    """Every question there is."""
    return [find_question(name) for name in names()]
