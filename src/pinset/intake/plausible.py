"""What is doubted of a row that could be an entry: named rules with cited limits. A doubt is asked, never decided."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple

from pinset.intake.known import BatchFact, Known, Noted, mark
from pinset.intake.told import day_told, value_told, weight_told
from pinset.journal.entry import Entry, seconds
from pinset.journal.said import spoken
from pinset.ledger.rows import subjects
from pinset.ledger.tables import Row
from pinset.reference.limits import limit

_DAY: Final = 86_400
_HALF_A_DAY: Final = 0.5  # a day alone stands for its noon
_IF_MEANT: Final = "Accept it if it is meant so, correct it if not."
_TWO_NOTES: Final = (
    "Accept it if both happened; put it in the place of the first with: instead; drop it if it is written twice."
)
_ONE_CODE: Final = "Put it in the place of the first with: instead; or drop it."
_GIVES_A_CODE: Final = ("make", "receive", "draw", "treat", "mix", "pack")
_NAMES: Final = ("batch", "lot", "load", "mix", "units", "room", "to", "name")


class Doubt(NamedTuple):
    """What is doubted of an entry: in which field, what was expected, what came, how to mend it.

    ``instead`` is the entry on record whose place this one could take.
    """

    field: str
    needed: str
    came: str
    mend: str = _IF_MEANT
    instead: str | None = None


@dataclass(slots=True)
class Bench:
    """What entries are held against: the record, the clock, the usual weights of their sheet, this taking itself."""

    known: Known
    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    usual: Mapping[str, float] = field(default_factory=dict)
    taken: Mapping[str, str] = field(default_factory=dict)
    """Where each entry of this taking comes from, by its id."""


class Case(NamedTuple):
    """One entry before the bench: the rows it yields, when it happened, and what it is about, as (level, code)."""

    entry: Entry
    rows: Sequence[Row]
    at: int
    about: Sequence[tuple[str, str]]

    @property
    def body(self) -> Mapping[str, Any]:
        """What the entry says."""
        return self.entry.body


Rule = Callable[[Case, Bench], Iterator[Doubt]]


def doubts(entry: Entry, rows: Sequence[Row], bench: Bench) -> list[Doubt]:
    """Everything doubted of an entry, the weightiest first; ``rows`` are those it yields."""
    case = Case(entry, rows, seconds(entry.at), subjects(entry))
    return [doubt for rule in _RULES.get(entry.kind, _ANY) for doubt in rule(case, bench)]


def when(case: Case, bench: Bench) -> Iterator[Doubt]:
    """Days ahead of the clock, and days before spreadsheets."""
    if case.at > bench.now.timestamp() + limit("days_ahead").value * _DAY:
        yield Doubt("at", "a day that has been", day_told(case.entry.at))
    elif datetime.fromtimestamp(case.at, UTC).year < limit("earliest_year").value:
        yield Doubt("at", f"a day after {limit('earliest_year').value:g}", day_told(case.entry.at))


def subject_is_known(case: Case, bench: Bench) -> Iterator[Doubt]:
    """Units and batches that were never made, or not yet."""
    about = [*case.about, *(("batch", code) for code in case.body.get("batches", ()))]
    if case.entry.kind == "work" and "batch" in case.body:
        about.append(("batch", case.body["batch"]))
    made: dict[str, Container[str]] = {"unit": bench.known.units, "batch": bench.known.batches}
    for level, code in about:
        if level in made and code not in made[level]:
            yield _never_made(level, code, bench)


def _never_made(level: str, code: str, bench: Bench) -> Doubt:
    alike = bench.known.lookalike(level, code)
    mend = (
        f"If {alike} is meant, correct it: {level}={alike}."
        if alike
        else "Correct the code; or take the sheet of what was made, and this file again; or accept it as it is."
    )
    return Doubt(level, f"a {level} that was made", code, mend)


def after_making(case: Case, bench: Bench) -> Iterator[Doubt]:
    """Days before the batch was made, or long after."""
    longest = limit("days_after_making").value
    for level, code in case.about:
        batch = _batch_of(level, code, bench.known)
        if batch is None:
            continue
        days = (case.at - batch.at) / _DAY
        if days < -_HALF_A_DAY:
            made = datetime.fromtimestamp(batch.at, UTC).strftime("%Y-%m-%d")
            yield Doubt("at", f"a day on or after {made}, when {code} was made", day_told(case.entry.at))
        elif days > longest:
            needed, mend = f"a day within {longest:g} days of making", f"Is the year right? {_IF_MEANT}"
            yield Doubt("at", needed, day_told(case.entry.at), mend)
        return


def _batch_of(level: str, code: str, known: Known) -> BatchFact | None:
    if level == "unit":
        return known.batches.get(known.units.get(code, ""))
    return known.batches.get(code) if level == "batch" else None


def weight_is_usual(case: Case, bench: Bench) -> Iterator[Doubt]:
    """A weight a thousand times off: grams written as kilograms, or the reverse."""
    most = limit("slip_of_thousand").value
    for name, usual in bench.usual.items():
        weight = case.body.get(name)
        if weight and weight > usual * most:
            yield _slip(name, weight, usual, weight // 1000)
        elif weight and weight * most < usual:
            yield _slip(name, weight, usual, weight * 1000)


def _slip(name: str, weight: int, usual: float, meant: int) -> Doubt:
    grams = f"{meant / 1000:g} g"
    mend = f"If {grams} is meant, correct it: {spoken(name)}={grams.replace(' ', '')}. {_IF_MEANT}"
    needed = f"a weight like the others, about {_about(usual)}"
    return Doubt(spoken(name), needed, weight_told(weight), mend)


def yield_is_possible(case: Case, bench: Bench) -> Iterator[Doubt]:
    """More picked, all in all, than the substrate can give."""
    highest = limit("yield_of_wet_substrate").value
    for level, code in case.about:
        batch = _batch_of(level, code, bench.known)
        if batch is None or not batch.fill_mg:
            continue
        filled = batch.fill_mg * (batch.units if level == "batch" else 1)
        picked = bench.known.picked_mg[level, code] + case.body["weight_mg"] / len(case.about)
        if picked > highest * filled:
            needed = f"at most {_about(highest * filled)} in all from {_about(filled)} of wet substrate"
            yield Doubt("weight", needed, f"{_about(picked)} with this pick")


def _about(milligrams: float) -> str:
    """A weight to the gram: limits are no finer."""
    return weight_told(round(milligrams, -3))


def said_once(case: Case, bench: Bench) -> Iterator[Doubt]:
    """Another note of the same thing on the same day."""
    for row in case.rows:
        found = mark(row)
        if found is None or found.key not in bench.known.noted:
            continue
        others = [one for one in bench.known.noted[found.key] if one.entry != case.entry.id]
        if found.coarse:
            others = [one for one in others if one.entry not in bench.taken]
        if others:
            yield _second(case, dict(found.value), others[0], bench)
            return


def _second(case: Case, said: Mapping[str, Any], other: Noted, bench: Bench) -> Doubt:
    name = next((name for name in _NAMES if name in case.body), "")
    needed, mend = f"one note of this on {day_told(case.entry.at)}", _TWO_NOTES
    if case.entry.kind in _GIVES_A_CODE:
        needed, mend = f"one {name} {case.body[name]}", _ONE_CODE
    before = dict(other.value)
    differ = [
        f"{spoken(n)} {_told(n, said[n])}, not {_told(n, before.get(n))}" for n in said if said[n] != before.get(n)
    ]
    where = bench.taken.get(other.entry, "what is on record")
    return Doubt(name, needed, f"a second one, {'; '.join(differ) or 'the same'} as {where}", mend, other.entry)


def _told(name: str, value: Any) -> str:
    return "nothing" if value is None else value_told(name, value)


def unit_can_be_carried(case: Case, bench: Bench) -> Iterator[Doubt]:
    """A unit too heavy to be one: grams written as kilograms, or thousands taken for decimals."""
    most = limit("unit_weight").value
    total = case.body.get("total_mg")
    each = case.body.get("fill_mg") or (total / case.body["units"] if total else 0)
    if each > most * 1_000_000:
        mend = f"Is its unit right, and its decimal mark? {_IF_MEANT}"
        yield Doubt("total" if total else "fill", f"units of at most {most:g} kg each", _about(each), mend)


def spawn_is_less(case: Case, bench: Bench) -> Iterator[Doubt]:
    """More spawn than substrate."""
    substrate = case.body.get("total_mg") or case.body.get("fill_mg", 0) * case.body["units"]
    spawn = sum(part.get("weight_mg", 0) for part in case.body.get("spawn", ()))
    if substrate and spawn > limit("spawn_rate").value * substrate:
        needed = f"less spawn than the {weight_told(substrate)} of substrate"
        yield Doubt("spawn weight", needed, weight_told(spawn), f"Are grams written as kilograms? {_IF_MEANT}")


def passage_follows(case: Case, bench: Bench) -> Iterator[Doubt]:
    """A passage other than one more than that of what it was drawn from."""
    stated = case.body.get("passage")
    above = [bench.known.passage(part["lot"]) for part in case.body["parents"]]
    known = [one for one in above if one is not None]
    if stated is not None and known and stated != max(known) + 1:
        yield Doubt("passage", f"passage {max(known) + 1}, one more than what it was drawn from", str(stated))


def bad_are_fewer(case: Case, bench: Bench) -> Iterator[Doubt]:
    """More units affected, or thrown out, than there are."""
    batch = bench.known.batches.get(case.body.get("batch", ""))
    of = case.body.get("looked_at") or (batch.units if batch else None)
    for name in ("affected", "number"):
        if of is not None and case.body.get(name, 0) > of:
            yield Doubt(name, f"at most {of} units", str(case.body[name]))


def day_has_hours(case: Case, bench: Bench) -> Iterator[Doubt]:
    """More hours of one person than a day has."""
    most = limit("hours_of_work").value
    if case.body["minutes"] > most * 60:
        yield Doubt("minutes", f"at most {most:g} h", f"{case.body['minutes'] / 60:g} h")


_ANY: Final[tuple[Rule, ...]] = (when, said_once)
_RULES: Final[dict[str, tuple[Rule, ...]]] = {
    "pick": (weight_is_usual, when, subject_is_known, after_making, said_once, yield_is_possible),
    "check": (when, subject_is_known, after_making, bad_are_fewer, said_once),
    "cull": (when, subject_is_known, after_making, bad_are_fewer, said_once),
    "move": (when, subject_is_known, after_making, said_once),
    "make": (weight_is_usual, when, unit_can_be_carried, spawn_is_less, said_once),
    "draw": (when, passage_follows, said_once),
    "work": (when, subject_is_known, day_has_hours, said_once),
    "pack": (when, subject_is_known, said_once),
}
