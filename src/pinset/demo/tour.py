"""The whole job on the invented farm: messy notes written as files, taken in, and the questions asked of them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from pinset.demo import story
from pinset.demo.notes import write_notes
from pinset.demo.truth import Truth
from pinset.farm import Farm
from pinset.intake.desk import look, proposed, tables_in, take_in
from pinset.intake.map import Map
from pinset.intake.take import Taking
from pinset.questions.answer import Answer

QUESTIONS: Final = ("verdict", "yields", "cost", "lines")
NOTE: Final = "Invented: no such farm, no such people, no such numbers."
# The notes end in July 2025: what is plausible is judged as on this day, whenever the tour is taken.
TODAY: Final = datetime(2025, 8, 4, 12, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Tour:
    """What came of the tour."""

    notes: Path
    record: Path
    truth: Truth
    taking: Taking
    kept: int
    answers: tuple[Answer, ...]


def tour(folder: Path) -> Tour:
    """Write the notes, take them in and ask the questions; the folder must hold neither notes nor a record yet."""
    notes, record = folder / "notes", folder / "record"
    truth = write_notes(notes)
    with Farm.start(record, f"{story.FARM} (invented)", story.CURRENCY, story.ZONE) as farm:
        tables = tables_in([notes / name for name in truth.files])
        taking = look(farm, tables, _edited(proposed(farm, tables)), now=TODAY)
        kept = take_in(farm, taking).kept
        answers = tuple(farm.ask(name) for name in QUESTIONS)
    return Tour(notes, record, truth, taking, kept, answers)


def _edited(guess: Map) -> Map:
    """The guessed map with the two things that only the growers can say: the trial's name and its control."""
    if guess.trial is None:
        return guess
    return replace(guess, trial=replace(guess.trial, name=story.TRIAL, control=story.HOUSE.name))


@contextmanager
def opened(tour: Tour) -> Iterator[Farm]:
    """The record that the tour made."""
    with Farm.open(tour.record) as farm:
        yield farm
