"""What is doubted of a row that could be an entry: named rules with cited limits. A doubt is asked, never decided."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple

from pinset.intake.known import Known, Noted, mark
from pinset.intake.told import day_told, value_told, weight_told
from pinset.journal.entry import Entry, seconds
from pinset.journal.said import spoken
from pinset.ledger.rows import subjects
from pinset.ledger.tables import Row
from pinset.reference.limits import limit

_DAY: Final = 86_400
_IF_MEANT: Final = "Accept it if it is meant so, correct it if not."


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
    """What entries are held against: the record, the clock, the usual weights of their sheet, the ids of this taking."""

    known: Known
    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    usual: Mapping[str, float] = field(default_factory=dict)
    taken: Mapping[str, str] = field(default_factory=dict)
    """Where each entry of this taking comes from, by its id."""


Rule = Callable[[Entry, Sequence[Row], Bench], Iterator[Doubt]]


def doubts(entry: Entry, rows: Sequence[Row], bench: Bench) -> list[Doubt]:
    """Everything doubted of an entry, the weightiest first; ``rows`` are those it yields."""
    return [doubt for rule in _RULES.get(entry.kind, _ANY) for doubt in rule(entry, rows, bench)]


def when(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """Days ahead of the clock, and days before spreadsheets."""
    at = seconds(entry.at)
    if at > bench.now.timestamp() + limit("days_ahead").value * _DAY:
        yield Doubt("at", "a day that has been", day_told(entry.at))
    elif datetime.fromtimestamp(at, UTC).year < limit("earliest_year").value:
        yield Doubt("at", f"a day after {limit('earliest_year').value:g}", day_told(entry.at))


def subject_is_known(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """Units and batches that were never made, or not yet."""
    about = [*subjects(entry), *(("batch", code) for code in entry.body.get("batches", ()))]
    if "batch" in entry.body and entry.kind == "work":
        about.append(("batch", entry.body["batch"]))
    made: dict[str, Container[str]] = {"unit": bench.known.units, "batch": bench.known.batches}
    for level, code in about:
        if level in made and code not in made[level]:
            mend = "Correct the code; or take the sheet of what was made, and this file again; or accept it as it is."
            yield Doubt(level, f"a {level} that was made", code, mend)


def after_making(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """Days before the batch was made, or long after."""
    for level, code in subjects(entry):
        batch = bench.known.batches.get(bench.known.units.get(code, code)) if level != "room" else None
        if batch is None:
            continue
        days = (seconds(entry.at) - batch.at) / _DAY
        if days < -0.5:
            made = datetime.fromtimestamp(batch.at, UTC).strftime("%Y-%m-%d")
            yield Doubt("at", f"a day on or after {made}, when {code} was made", day_told(entry.at))
        elif days > limit("days_after_making").value:
            mend = f"Mostly a year written wrong. {_IF_MEANT}"
            yield Doubt("at", f"a day within {limit('days_after_making').value:g} days of making", day_told(entry.at), mend)
        return


def weight_is_usual(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """A weight a thousand times off: grams written as kilograms, or the reverse."""
    most = limit("slip_of_thousand").value
    for name, usual in bench.usual.items():
        weight = entry.body.get(name)
        if not weight or not usual:
            continue
        if weight > usual * most:
            yield _slip(name, weight, usual, weight // 1000)
        elif weight * most < usual:
            yield _slip(name, weight, usual, weight * 1000)


def _slip(name: str, weight: int, usual: float, meant: int) -> Doubt:
    spoken = name.removesuffix("_mg")
    grams = f"{meant / 1000:g} g"
    mend = f"If {grams} is meant, correct it: {spoken}={grams.replace(' ', '')}. {_IF_MEANT}"
    return Doubt(spoken, f"a weight like the others, about {weight_told(round(usual))}", weight_told(weight), mend)


def yield_is_possible(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """More picked, all in all, than the substrate can give."""
    highest = limit("yield_of_wet_substrate").value
    for level, code in subjects(entry):
        batch = bench.known.batches.get(bench.known.units.get(code, code)) if level != "room" else None
        if batch is None or not batch.fill_mg:
            continue
        filled = batch.fill_mg * (batch.units if level == "batch" else 1)
        picked = bench.known.picked_mg[level, code] + entry.body["weight_mg"] / len(subjects(entry))
        if picked > highest * filled:
            needed = f"at most {weight_told(round(highest * filled))} in all from {weight_told(filled)} of wet substrate"
            yield Doubt("weight", needed, f"{weight_told(round(picked))} with this pick")


def said_once(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """Another note of the same thing on the same day."""
    for row in rows:
        found = mark(row)
        if found is None:
            continue
        others = [one for one in bench.known.noted.get(found.key, ()) if one.entry != entry.id]
        if found.coarse:
            others = [one for one in others if one.entry not in bench.taken]
        if others:
            yield _second(entry, found.value, others[0], bench)
            return


def _second(entry: Entry, value: tuple[tuple[str, Any], ...], other: Noted, bench: Bench) -> Doubt:
    where = bench.taken.get(other.entry, "what is on record")
    name = next((name for name in ("batch", "lot", "load", "mix", "units", "room", "to", "name") if name in entry.body), "")
    if entry.kind in ("make", "receive", "draw", "treat", "mix", "pack"):
        mend = "Put it in the place of the first with: instead; or drop it."
        needed = f"one {name} {entry.body[name]}"
    else:
        mend = "Accept it if both happened; put it in the place of the first with: instead; drop it if it is written twice."
        needed = f"one note of this on {day_told(entry.at)}"
    other_values = dict(other.value)
    differ = [f"{spoken(n)} {_told(n, v)}, not {_told(n, other_values.get(n))}" for n, v in value if v != other_values.get(n)]
    return Doubt(name, needed, f"a second one, {'; '.join(differ) or 'the same'} as {where}", mend, other.entry)


def _told(name: str, value: Any) -> str:
    return "nothing" if value is None else value_told(name, value)


def spawn_is_less(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """More spawn than substrate."""
    substrate = entry.body.get("total_mg") or entry.body.get("fill_mg", 0) * entry.body["units"]
    spawn = sum(part.get("weight_mg", 0) for part in entry.body.get("spawn", ()))
    if substrate and spawn > limit("spawn_rate").value * substrate:
        needed = f"less spawn than the {weight_told(substrate)} of substrate"
        yield Doubt("spawn weight", needed, weight_told(spawn), "Mostly grams written as kilograms. " + _IF_MEANT)


def passage_follows(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """A passage other than one more than that of what it was drawn from."""
    stated = entry.body.get("passage")
    above = [bench.known.passage(part["lot"]) for part in entry.body["parents"]]
    known = [one for one in above if one is not None]
    if stated is not None and known and stated != max(known) + 1:
        yield Doubt("passage", f"passage {max(known) + 1}, one more than what it was drawn from", str(stated))


def bad_are_fewer(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """More units affected, or thrown out, than there are."""
    batch = bench.known.batches.get(entry.body.get("batch", ""))
    for name in ("affected", "number"):
        of = entry.body.get("looked_at") or (batch.units if batch else None)
        if of is not None and entry.body.get(name, 0) > of:
            yield Doubt(name, f"at most {of} units", str(entry.body[name]))


def day_has_hours(entry: Entry, rows: Sequence[Row], bench: Bench) -> Iterator[Doubt]:
    """More hours of one person than a day has."""
    if entry.body["minutes"] > limit("hours_of_work").value * 60:
        yield Doubt("minutes", f"at most {limit('hours_of_work').value:g} h", f"{entry.body['minutes'] / 60:g} h")


_ANY: Final[tuple[Rule, ...]] = (when, said_once)
_RULES: Final[dict[str, tuple[Rule, ...]]] = {
    "pick": (weight_is_usual, when, subject_is_known, after_making, said_once, yield_is_possible),
    "check": (when, subject_is_known, after_making, bad_are_fewer, said_once),
    "cull": (when, subject_is_known, after_making, bad_are_fewer, said_once),
    "move": (when, subject_is_known, after_making, said_once),
    "make": (weight_is_usual, when, spawn_is_less, said_once),
    "draw": (when, passage_follows, said_once),
    "work": (when, subject_is_known, day_has_hours, said_once),
    "pack": (when, subject_is_known, said_once),
}
