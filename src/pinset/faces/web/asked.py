"""Answers kept while nothing new was noted: the same question on the same notes on the same day is worked out once."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from datetime import date
from threading import Lock
from typing import Final

from pinset.faces.web.record import opened
from pinset.farm import Farm
from pinset.questions.answer import Answer

MOST: Final = 64
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
                self._known[key] = self._farm.ask(question, **given)
            self._known.move_to_end(key)
            while len(self._known) > MOST:
                self._known.popitem(last=False)
            return self._known[key]
