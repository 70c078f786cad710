"""A trial as it was really made: which batch or unit had which arm, on which day, and what that cannot tell apart."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from pinset.ledger.read import Reader
from pinset.ledger.tables import Batch, Definition
from pinset.questions._batches import BatchRecord, Gathered, UnitRecord, gather
from pinset.questions._spawn import SpawnBook
from pinset.questions._words import listed, several
from pinset.science.randomise import tie

Ground = Literal["open", "leaning"]
GivenTo = Literal["batch", "unit"]
FEWEST_BLOCKS = 3
# An arm whose share of unweighed batches is this much higher than the control's may look better or worse for it.
UNEVEN_WEIGHTS = 0.1
# From here on the shelf tells more of the arm than it leaves open (Cramér's V of a half; common practice).
POSITION_TIED = 0.5


class NoSuchTrial(LookupError):
    """There is no trial of that name on record."""


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something in how the trial was made or noted that keeps it from carrying a claim."""

    name: str
    words: str
    lowers_to: Ground


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial's design on record, and its batches."""

    name: str
    arms: tuple[str, ...]
    """The control first."""
    given_to: GivenTo
    gathered: Gathered
    decides: str | None
    difference: float | None
    passages: Mapping[str, int | None]
    """The passage of the spawn that each batch was made with; None where it cannot be told."""

    @property
    def control(self) -> str:
        """The arm that the others are compared with."""
        return self.arms[0]

    @property
    def batches(self) -> list[BatchRecord]:
        """The trial's batches in the order made."""
        return self.gathered.batches

    def block(self, batch: BatchRecord) -> str:
        """What was alike but for the arm: the day of making."""
        return self.gathered.day(batch.batch.at).isoformat()

    def units(self, arm: str) -> list[tuple[BatchRecord, UnitRecord]]:
        """The units of an arm, each with its batch."""
        return [(batch, unit) for batch in self.batches for unit in batch.units if unit.arm == arm]

    def of(self, arm: str) -> list[BatchRecord]:
        """The batches that hold units of an arm."""
        return [batch for batch in self.batches if any(unit.arm == arm for unit in batch.units)]


def find_trial(ledger: Reader, name: str | None, since: date | None, until: date | None) -> Trial:
    """The trial of this name; without one, the only trial on record."""
    defined = _definitions(ledger)
    names = sorted({*defined, *(batch.trial for batch in ledger.rows(Batch) if batch.trial)})
    wanted = name if name is not None else (names[0] if len(names) == 1 else None)
    if not names:
        raise NoSuchTrial(
            "needed a trial; none is on record. Take in notes with a column of arms, or note one: "
            "pinset note define what=trial name=NAME arms=OLD,NEW control=OLD"
        )
    if wanted not in names:
        raise NoSuchTrial(f"needed the name of one trial: {', '.join(names)}; came {name!r}")
    gathered = gather(ledger, since, until, trial=wanted)
    spawn = SpawnBook(ledger)
    passages = {batch.code: spawn.passage(batch.code) for batch in gathered.batches}
    return _trial(wanted, defined.get(wanted, {}), gathered, passages)


def _definitions(ledger: Reader) -> dict[str, dict[str, Any]]:
    rows = sorted(ledger.rows(Definition, what="trial"), key=lambda row: row.at)
    return {row.name: json.loads(row.body) for row in rows}


def _trial(name: str, defined: dict[str, Any], gathered: Gathered, passages: Mapping[str, int | None]) -> Trial:
    noted = {unit.arm for batch in gathered.batches for unit in batch.units if unit.arm is not None}
    known = [arm for arm in defined.get("arms", []) if arm in noted] + sorted(noted - set(defined.get("arms", [])))
    control = defined.get("control") or (known[0] if known else "")
    arms = (control, *(arm for arm in known if arm != control))
    mixed = any(len({unit.arm for unit in batch.units}) > 1 for batch in gathered.batches)
    given: GivenTo = "unit" if mixed else "batch"
    return Trial(name, arms, given, gathered, defined.get("decides"), defined.get("difference"), passages)


def flaws(trial: Trial) -> list[Flaw]:
    """What in the design or the notes keeps the trial from carrying a claim, the worst first."""
    found = [
        *_of_control(trial), *_of_number(trial), *_of_passage(trial), *_of_spawn(trial), *_of_company(trial),
        *_of_position(trial), *_of_weights(trial),
    ]  # fmt: skip
    return sorted(found, key=lambda flaw: flaw.lowers_to != "open")


def _days(trial: Trial) -> dict[str, set[str]]:
    """The arms made on each day."""
    days: dict[str, set[str]] = defaultdict(set)
    for batch in trial.batches:
        days[trial.block(batch)] |= {unit.arm for unit in batch.units if unit.arm is not None}
    return days


def _of_control(trial: Trial) -> list[Flaw]:
    days = _days(trial)
    found = []
    for arm in trial.arms[1:]:
        own = [arms for arms in days.values() if arm in arms]
        alone = sum(trial.control not in arms for arms in own)
        if own and alone == len(own):
            words = f"{arm} was never made on the same day as {trial.control}: arm and season cannot be told apart"
            found.append(Flaw("no same-day control", words, "open"))
        elif alone:
            words = f"{arm} was made on {several(alone, 'day')} without {trial.control}; those days say less"
            found.append(Flaw("days without control", words, "leaning"))
    gaps = [arm for arm in trial.arms[1:] if any(trial.control in arms and arm not in arms for arms in days.values())]
    if gaps:
        found.append(Flaw("arms missing on days", f"{listed(gaps)} missing on some of the control's days", "leaning"))
    return found


def _of_number(trial: Trial) -> list[Flaw]:
    found = []
    single = [arm for arm in trial.arms if len(trial.of(arm)) == 1]
    if single and trial.given_to == "batch":
        words = f"{listed(single)} made only once: how much batches differ anyway cannot be told from what the arm does"
        found.append(Flaw("one batch per arm", words, "open"))
    days = len(_days(trial))
    if days < FEWEST_BLOCKS:
        found.append(
            Flaw("few days", f"made on {several(days, 'day')} only; {FEWEST_BLOCKS} or more would carry it", "open")
        )
    return found


def _of_spawn(trial: Trial) -> list[Flaw]:
    lots = {arm: {lot for batch in trial.of(arm) for lot in batch.spawn_lots} for arm in trial.arms}
    single = [arm for arm in trial.arms if len(lots[arm]) == 1]
    apart = len({frozenset(some) for some in lots.values()}) > 1
    if not (len(single) == len(trial.arms) and apart):
        return []
    words = (
        "each arm had one spawn lot of its own: what is compared are these lots, and another lot made the same way may "
        "differ from its sister"
    )
    return [Flaw("one spawn lot per arm", words, "leaning")]


def _of_passage(trial: Trial) -> list[Flaw]:
    """Later passages are made in later weeks: without the control beside them, passage and season are one."""
    found = {arm: {trial.passages[batch.code] for batch in trial.of(arm)} for arm in trial.arms}
    if any(len(some) != 1 or None in some for some in found.values()):
        return []
    days = {arm: {trial.block(batch) for batch in trial.of(arm)} for arm in trial.arms}
    base = found[trial.control]
    apart = [arm for arm in trial.arms if found[arm] != base and not days[arm] & days[trial.control]]
    if not apart:
        return []
    words = (
        f"{listed(apart)} had spawn of another passage than {trial.control} and was made in other weeks: passage and "
        "season cannot be told apart"
    )
    return [Flaw("passage tied to season", words, "open")]


def _of_position(trial: Trial) -> list[Flaw]:
    """Where the shelf is on record for everything that an arm was given to, and tells the arm."""
    if trial.given_to == "unit":
        placed = [(unit.arm, unit.shelf) for batch in trial.batches for unit in batch.units]
    else:
        placed = [(batch.units[0].arm, batch.units[0].shelf) for batch in trial.batches if batch.units]
    known = [(arm, shelf) for arm, shelf in placed if arm is not None and shelf is not None]
    if len(known) < 2 or tie([arm for arm, _ in known], [shelf for _, shelf in known]) < POSITION_TIED:
        return []
    words = "the arms stood on shelves of their own: what the arm does and what the shelf does cannot be told apart"
    return [Flaw("position tied to arm", words, "leaning")]


def _of_company(trial: Trial) -> list[Flaw]:
    found = []
    for name, column in (("load", "load"), ("room", "room"), ("recipe", "recipe"), ("strain", "strain")):
        differing = _differs_within_days(trial, column)
        if differing:
            words = f"on {several(differing, 'day')} the arms differed in their {name} as well"
            found.append(Flaw(f"{name} goes with arm", words, "leaning"))
    return found


def _differs_within_days(trial: Trial, column: str) -> int:
    by_day: dict[str, set[str]] = defaultdict(set)
    for batch in trial.batches:
        value = getattr(batch.batch, column)
        if value is not None:
            by_day[trial.block(batch)].add(value)
    # the recipe may be what the arms are: then it differs with them on every day and is no flaw
    intended = column in ("recipe", "strain") and _is_the_arm(trial, column)
    return 0 if intended else sum(len(values) > 1 for values in by_day.values())


def _is_the_arm(trial: Trial, column: str) -> bool:
    values = {arm: {getattr(batch.batch, column) for batch in trial.of(arm)} for arm in trial.arms}
    return all(len(some) == 1 for some in values.values()) and len({frozenset(some) for some in values.values()}) > 1


def _of_weights(trial: Trial) -> list[Flaw]:
    def unweighed(batches: Sequence[BatchRecord]) -> float:
        return sum(batch.level == "none" for batch in batches) / max(1, len(batches))

    base = unweighed(trial.of(trial.control))
    uneven = [arm for arm in trial.arms[1:] if abs(unweighed(trial.of(arm)) - base) > UNEVEN_WEIGHTS]
    shared = [batch.code for batch in trial.batches if batch.shared_kg > 0]
    found = []
    if uneven:
        words = f"batches without any weight are more common in one arm than in another: {listed(uneven)}"
        found.append(Flaw("weights missing unevenly", words, "leaning"))
    if shared:
        words = f"{listed(shared)} were picked together with other batches of the room; those days are left out"
        found.append(Flaw("picked together", words, "leaning"))
    return found
