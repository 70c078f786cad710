"""Pages are quick on a large record: what was worked out is shown, and anything new is worked out beside them."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pinset.faces.web import asked
from pinset.faces.web.asked import Answers, Leaves, Standing
from pinset.farm import Farm
from pinset.questions.answer import Answer
from pinset.questions.catalogue import Question, questions


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Farm]:
    with Farm.start(tmp_path / "farm", "A farm") as farm:
        farm.note("make", {"batch": "A", "units": "2", "fill": "2kg"})
        yield farm


def test_a_slow_question_does_not_hold_the_page(small: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asked, "PATIENCE", 0.05)
    go_on = threading.Event()

    def ask(question: Question) -> tuple[Answer | None, str]:
        go_on.wait(30)
        return None, f"{question.name} is known"

    standing, every = Standing(small, ask), questions()
    began = time.monotonic()
    first = standing.latest(every)
    assert time.monotonic() - began < 5
    assert {one.fault for one in first} == {"It is being worked out. Look again in a moment."}
    go_on.set()
    monkeypatch.setattr(asked, "PATIENCE", 30)
    assert [one.fault for one in standing.latest(questions())] == [f"{one.name} is known" for one in questions()]


def test_older_answers_stand_until_newer_are_there(small: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    asked_of: list[int] = []
    waits = threading.Event()
    waits.set()

    def ask(question: Question) -> tuple[Answer | None, str]:
        waits.wait(30)
        asked_of.append(small.count())
        return None, "known"

    monkeypatch.setattr(asked, "PATIENCE", 30)
    standing, some = Standing(small, ask), questions()[:1]
    assert [standing.latest(some)[0].since for _ in range(2)] == [0, 0]
    assert asked_of == [1]
    small.note("pick", {"unit": "A-01", "weight": "0.3kg"})
    waits.clear()
    monkeypatch.setattr(asked, "PATIENCE", 0.05)
    assert standing.latest(some)[0].since == 1
    waits.set()
    monkeypatch.setattr(asked, "PATIENCE", 30)
    assert standing.latest(some)[0].since == 0
    assert asked_of == [1, 2]


def test_a_page_is_made_again_once_something_is_noted(small: Farm) -> None:
    leaves, made = Leaves(small), iter(range(100))

    def make() -> bytes:
        return f"page {next(made)}".encode()

    assert [leaves.get("/batches", make) for _ in range(3)] == [b"page 0"] * 3
    assert leaves.get("/units", make) == b"page 1"
    small.note("pick", {"unit": "A-01", "weight": "0.3kg"})
    assert leaves.get("/batches", make) == b"page 2"


def test_on_a_large_record_a_process_of_its_own_answers(small: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    small.note("pick", {"unit": "A-01", "weight": "0.3kg"})
    here = Answers(small).ask("yields", {})
    monkeypatch.setattr(asked, "LARGE", 0)
    monkeypatch.setattr(Farm, "ask", lambda *_: pytest.fail("asked in this process"))
    apart = Answers(small)
    assert apart.ask("yields", {}).as_dict() == here.as_dict()
    with pytest.raises(asked.CannotTell, match="trial"):
        apart.ask("verdict", {"trial": "none such"})


def test_no_more_pages_are_kept_than_stated(small: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asked, "MOST", 2)
    leaves = Leaves(small)
    for address in "abc":
        leaves.get(address, address.encode)
    assert leaves.get("a", lambda: b"made again") == b"made again"
    assert leaves.get("c", lambda: b"made again") == b"c"
