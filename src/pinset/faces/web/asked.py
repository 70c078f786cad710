"""Answers kept while nothing new was noted: the same question on the same notes on the same day is worked out once."""

from __future__ import annotations

import signal
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from threading import Event, Lock, Thread
from typing import Final, NamedTuple

from pinset.faces.cli.faults import told
from pinset.faces.web.record import opened
from pinset.farm import Farm
from pinset.journal.sqlite import SqliteStore
from pinset.questions.answer import Answer
from pinset.questions.catalogue import Question

MOST: Final = 64
LARGE = 200_000  # entries from which a question is worked out in a process of its own, and its memory goes with it
PATIENCE = 1.0  # seconds that the first page waits for its answers
_Key = tuple[str, tuple[tuple[str, str], ...], int, date]


class Answers:
    """A farm's answers, each worked out when it is first asked for."""

    def __init__(self, farm: Farm) -> None:
        self._farm = farm
        self._known: OrderedDict[_Key, Answer] = OrderedDict()
        self._lock = Lock()

    def ask(self, question: str, options: Mapping[str, str]) -> Answer:
        """The answer to a question; raises what the question raises."""
        given = {name: text for name, text in options.items() if text}
        with opened(self._farm) as record:
            key = (question, tuple(sorted(given.items())), record.entries, date.today())
        # one at a time: two that ask the same would only slow each other down
        with self._lock:
            if key not in self._known:
                apart = key[2] >= LARGE and isinstance(self._farm.store, SqliteStore)
                self._known[key] = (_ask_apart if apart else Farm.ask)(self._farm, question, **given)
            self._known.move_to_end(key)
            while len(self._known) > MOST:
                self._known.popitem(last=False)
            return self._known[key]


class CannotTell(ValueError):
    """A question cannot be answered as it was asked; says what is needed."""


def _ask_apart(farm: Farm, question: str, **given: str) -> Answer:
    """The answer, worked out by a process that ends with it."""
    assert isinstance(farm.store, SqliteStore)
    begun_anew = get_context("spawn")  # a fork would copy locks that threads hold
    ours, theirs = begun_anew.Pipe(duplex=False)
    given_on = (theirs, farm.store.path.parent, farm.settings.id, question, given)
    process = begun_anew.Process(target=_answer, args=given_on, daemon=True)  # ends with ours, whatever it is at
    process.start()
    theirs.close()
    with ours:
        try:
            found = ours.recv()
        except EOFError as fault:
            raise RuntimeError(f"the process that worked out {question} ended without an answer") from fault
    process.join()
    if isinstance(found, str):
        raise CannotTell(found)
    answer: Answer = found
    return answer


def _answer(reply: Connection, folder: Path, farm: str, question: str, given: Mapping[str, str]) -> None:
    """Send the answer, or in words what is missing for it: not every exception can be sent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that serves, and ends this one with it
    with reply, Farm.open(folder, farm) as opened:
        try:
            reply.send(opened.ask(question, **given))
        except Exception as fault:
            words = told(fault)
            if words is None:
                raise
            reply.send(words)


class Leaves:
    """Pages kept while nothing new was noted and the day has not changed, by their address."""

    def __init__(self, farm: Farm) -> None:
        self._farm = farm
        self._known: OrderedDict[str, tuple[int, date, bytes]] = OrderedDict()
        self._lock = Lock()

    def get(self, address: str, make: Callable[[], bytes]) -> bytes:
        """The page at an address; made where it is not known, or is of other times."""
        now = self._farm.count(), date.today()
        with self._lock:
            known = self._known.get(address)
        if known and known[:2] == now:
            return known[2]
        made = make()
        with self._lock:
            self._known[address] = (*now, made)
            self._known.move_to_end(address)
            if len(self._known) > MOST:
                self._known.popitem(last=False)
        return made


class Latest(NamedTuple):
    """A question with its latest answer, or what is missing for one. ``since`` counts the entries that came since."""

    question: Question
    answer: Answer | None
    fault: str
    since: int


class Standing:
    """The answers of the first page: worked out beside it, and shown as they last stood while newer ones are made."""

    def __init__(self, farm: Farm, ask: Callable[[Question], tuple[Answer | None, str]]) -> None:
        self._farm, self._ask = farm, ask
        self._found: dict[str, tuple[Answer | None, str, int]] = {}
        self._known: tuple[int, date] | None = None
        self._lock = Lock()
        self._done = Event()
        self._done.set()

    def latest(self, questions: Sequence[Question]) -> list[Latest]:
        """Each question as it is known within the time that a page may take."""
        now = self._farm.count(), date.today()
        with self._lock:
            if self._known != now and self._done.is_set():
                self._done.clear()
                Thread(target=self._work_out, args=(questions, now), name="answers", daemon=True).start()
        self._done.wait(PATIENCE)
        return [self._one(question, now[0]) for question in questions]

    def _work_out(self, questions: Sequence[Question], now: tuple[int, date]) -> None:
        try:
            for question in questions:
                self._found[question.name] = (*self._ask(question), now[0])
            self._known = now
        finally:
            self._done.set()

    def _one(self, question: Question, entries: int) -> Latest:
        if question.name not in self._found:
            return Latest(question, None, "It is being worked out. Look again in a moment.", 0)
        answer, fault, then = self._found[question.name]
        return Latest(question, answer, fault, entries - then)
