"""Taking in files of notes, and settling the rows that were set aside."""

from __future__ import annotations

import shlex
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from pinset.faces.cli.finding import open_farm
from pinset.faces.cli.options import FarmFolder
from pinset.farm import Farm
from pinset.intake import aside as settling
from pinset.intake.desk import StillAsked, Taken, look, open_files, proposed, take_in
from pinset.intake.map import read_map
from pinset.intake.mapfile import map_text
from pinset.intake.problem import Problem
from pinset.intake.shelf import Shelved
from pinset.intake.take import Aside, SheetTaking, Taking
from pinset.intake.told import told
from pinset.journal.entry import Fault, NotAnEntry
from pinset.journal.keep import Outcome

WIDTH = 80
_MOST_SHOWN = 12  # rows set aside that are told in full; the rest are counted
_LONG = 5_000  # rows from which on waiting needs a bar
Told = Callable[[str], None]


class MapExists(FileExistsError):
    """There is a map already; it was not written over."""


def take(
    *files: Path,
    map: Path | None = None,
    propose: Annotated[bool, Parameter(negative="")] = False,
    yes: Annotated[bool, Parameter(negative="")] = False,
    control: str | None = None,
    by: Annotated[str, Parameter(env_var="PINSET_BY")] = "grower",
    rows: int = 3,
    farm: FarmFolder = None,
) -> None:
    """Take in spreadsheets as they are: shows first what would be taken; with --yes takes it.

    Parameters
    ----------
    files: Path
        Workbooks (.xlsx) or tables as text (.csv, with any delimiter).
    map: Path
        The map that says which column is which; else it is guessed.
    propose: bool
        Write the guess as a map, to read and change.
    yes: bool
        Take it; without it nothing is written.
    control: str
        The arm that the others of the trial are compared with.
    by: str
        Who noted it, where no column says so.
    rows: int
        How many rows of each sheet to show.
    """
    if not files:
        raise NotAnEntry([Fault("files", "one or more files, as notes.xlsx picks.csv", "none")])
    with open_farm(farm) as opened:
        if propose:
            _propose(opened, files, map)
            return
        known = read_map(map) if map else None
        found = open_files(files, known)
        _refuse(found.refused)
        used = (known or proposed(opened, found.tables)).with_control(control)
        with _bar("Reading", sum(len(table.rows) for table in found.tables)) as progress:
            taking = look(opened, found.tables, used, by, progress=progress)
        _tell(taking, rows, opened, print)
        _finish(opened, taking, yes, _command(files, map, control), map is None)
    if found.refused:
        raise SystemExit(2)


def _refuse(refused: Sequence[str]) -> None:
    for why in refused:
        print(_wrapped(f"Not read: {why}", "", "  "), file=sys.stderr)


def _propose(farm: Farm, files: Sequence[Path], path: Path | None) -> None:
    path = path or files[0].with_suffix(".map.toml")
    if path.exists():
        raise MapExists(f"{path} is there already and was not written over; name another with --map, or remove it")
    found = open_files(files)
    _refuse(found.refused)
    guess = proposed(farm, found.tables)
    path.write_text(map_text(guess, [file.name for file in files]), encoding="utf-8")
    print(f"Wrote {path}: what each column was taken for. Read it, change what is wrong.")
    _asks(guess.asks(), print)
    print(f"Then look:  {_command(files, path)}")


def _command(files: Sequence[Path], map: Path | None, control: str | None = None) -> str:
    named = ["--map", str(map)] if map else []
    named += ["--control", control] if control else []
    return shlex.join(["pinset", "take", *(str(file) for file in files), *named])


@contextmanager
def _bar(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """A progress bar for long files, on a terminal only."""
    if total < _LONG or not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(transient=True, console=Console(stderr=True)) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)


def _finish(farm: Farm, taking: Taking, yes: bool, command: str, guessed: bool) -> None:
    fresh = [aside for aside in taking.asides if not aside.lies_there]
    entries = sum(1 for _ in taking.entries)
    if not entries and not fresh:
        print(_nothing_new(taking))
        return
    if taking.asks:
        _asks(taking.asks, print)
        if yes:
            raise StillAsked("Nothing was taken: the above has to be said first, in the map or beside the command.")
    if not yes:
        print("\nNothing was written yet.")
        if guessed:
            print(f"To see or change the guess:  {command} --propose")
        print(f"To take it:                  {command} --yes")
        return
    with _bar("Keeping", entries) as progress:
        _taken(take_in(farm, taking, progress), taking)


def _nothing_new(taking: Taking) -> str:
    still = len(taking.asides)
    words = f"\nNothing new; {_rows(taking.count('again'))} already kept"
    words += f", {_rows(taking.count('settled'))} settled before" if taking.count("settled") else ""
    return words + (f", {_rows(still)} still set aside: pinset aside" if still else "") + "."


def _rows(count: int) -> str:
    return f"{count:,} row" + ("" if count == 1 else "s")


def _taken(taken: Taken, taking: Taking) -> None:
    print(f"\nKept {_rows(taking.count('rows'))} as {taken.kept:,} entries.", end="")
    print(f" {taken.waiting} of them wait for what they are about." if taken.waiting else "")
    for outcome in taken.not_kept:
        print(_outcome(outcome))
    if taking.asides:
        print(f"Set aside: {_rows(len(taking.asides))}, of them {taken.aside} new. See them with: pinset aside")


def _asks(asks: Sequence[str], out: Told) -> None:
    if asks:
        out("\nOnly you can say:")
        for ask in asks:
            out(_wrapped(ask, "  ? ", "    "))


def _tell(taking: Taking, rows: int, farm: Farm, out: Told) -> None:
    """What would be taken, sheet by sheet, then what is set aside."""
    for sheet in taking.sheets:
        _tell_sheet(sheet, rows, farm, out)
    for table in taking.left_out:
        out(f"{table.file}, {table.sheet}: left out; no map says what it is about.")
    for entry in taking.trials:
        out(_wrapped(f"A trial: {told(entry.at, entry.body)}", "", "  "))
    _tell_asides([aside for aside in taking.asides if not aside.lies_there], out)


def _tell_sheet(sheet: SheetTaking, rows: int, farm: Farm, out: Told) -> None:
    counts = [f"{_rows(sheet.rows)} to take as {sheet.sheet.kind}" if sheet.rows else "nothing new"]
    counts += [f"{sheet.again:,} already kept"] if sheet.again else []
    counts += [f"{len(sheet.asides):,} set aside"] if sheet.asides else []
    counts += [f"{sheet.settled:,} settled before"] if sheet.settled else []
    counts += [f"{len(sheet.table.skipped):,} skipped (sums)"] if sheet.table.skipped else []
    out(_wrapped(f"{sheet.table.file}, {sheet.table.sheet}: {', '.join(counts)}", "", "  "))
    digits, currency = farm.settings.minor_digits, farm.settings.currency
    for entry in sheet.entries[:rows]:
        out(_cut(f"    {told(entry.at, entry.body, digits, currency)}"))
    if sheet.left_out:
        out(_wrapped(f"columns that the map does not name: {', '.join(sheet.left_out)}", "    ", "    "))


def _tell_asides(asides: Sequence[Aside], out: Told) -> None:
    if asides:
        out(f"\nSet aside, {_rows(len(asides))}:")
    for aside in asides[:_MOST_SHOWN]:
        out(_problem(aside.problem, f"  {aside.problem.sort:8}  "))
    if len(asides) > _MOST_SHOWN:
        out(f"  ... and {len(asides) - _MOST_SHOWN:,} more; once taken, all of them stand in: pinset aside")


def _problem(problem: Problem, head: str) -> str:
    needed = f"needed {problem.needed}; came {problem.came}. {problem.mend}".strip()
    return f"{_wrapped(problem.place, head, ' ' * len(head))}\n{_wrapped(needed, ' ' * len(head), ' ' * len(head))}"


def _wrapped(text: str, first: str, rest: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def _cut(line: str) -> str:
    return line if len(line) <= WIDTH else f"{line[: WIDTH - 3]}..."


aside = App(name="aside", help="Rows that were set aside: look, accept, correct or drop.")


@aside.default
def aside_list(*, settled: Annotated[bool, Parameter(negative="")] = False, farm: FarmFolder = None) -> None:
    """List the rows that are set aside.

    Parameters
    ----------
    settled: bool
        List those too that were settled before.
    """
    with open_farm(farm) as opened:
        found = settling.listed(opened, settled)
    for one in found:
        state = one.problem.sort if one.state == "open" else one.state
        print(_problem(one.problem, f"{one.number:5}  {state:9}  "))
    if not found:
        print("No row is set aside.")
        return
    print("\nA fault has to be corrected; a question can be accepted as it is.")
    print("  pinset aside show 3                  pinset aside accept 3 5..7 (or: all)")
    print("  pinset aside correct 3 weight=181g   pinset aside instead 3")
    print('  pinset aside drop 3 --because "written twice"')


@aside.command
def show(number: int, /, *, farm: FarmFolder = None) -> None:
    """Show one row: its cells, what is wrong with it, what it would become.

    Parameters
    ----------
    number: int
        Its number in the list.
    """
    with open_farm(farm) as opened:
        found = next((one for one in settling.listed(opened, settled=True) if one.number == number), None)
        print(_shown(found or settling.find(opened, number), opened))


def _shown(found: Shelved, farm: Farm) -> str:
    digits, currency = farm.settings.minor_digits, farm.settings.currency
    lines = [_problem(found.problem, f"{found.number}  {found.problem.sort}  ")]
    lines += [_wrapped(f"also {also}", "   ", "     ") for also in found.offered["also"]]
    lines += ["", "In the file:", *(f"   {name}: {cell}" for name, cell in found.offered["raw"].items()), ""]
    lines += ["It would become:" if found.state == "open" else f"It was {found.state}:"]
    for one in found.offered["entries"]:
        lines.append(_wrapped(f"{one['kind']}  {told(one['at'], one['body'], digits, currency)}", "   ", "     "))
    return "\n".join(lines)


@aside.command
def accept(*numbers: str, farm: FarmFolder = None) -> None:
    """Accept doubted rows as they are: they are kept.

    Parameters
    ----------
    numbers: str
        Their numbers in the list, as 3 or 5..7; or all, for every question.
    """
    with open_farm(farm) as opened:
        for number in settling.numbers_said(numbers, settling.listed(opened)):
            _tell_outcomes(number, settling.accept(opened, number))


@aside.command
def instead(*numbers: str, farm: FarmFolder = None) -> None:
    """Keep rows in the place of the entries on record that they were held against.

    Parameters
    ----------
    numbers: str
        Their numbers in the list, as 3 or 5..7.
    """
    with open_farm(farm) as opened:
        for number in settling.numbers_said(numbers, settling.listed(opened)):
            _tell_outcomes(number, settling.accept(opened, number, instead=True))


@aside.command
def correct(number: int, /, *words: str, farm: FarmFolder = None) -> None:
    """Correct a row and keep it.

    Parameters
    ----------
    number: int
        Its number in the list.
    words: str
        What is right, as weight=181g at=2026-04-17
    """
    pairs = dict(_pair(word) for word in words)
    if not pairs:
        raise NotAnEntry([Fault("words", "what is right, as weight=181g", "nothing")])
    with open_farm(farm) as opened:
        outcome = settling.correct(opened, number, pairs)
    if isinstance(outcome, Shelved):
        print("Corrected, and still doubted:")
        print(_problem(outcome.problem, f"{outcome.number:5}  "))
        print(f"Accept it with: pinset aside accept {number}")
        return
    _tell_outcomes(number, outcome)


def _pair(word: str) -> tuple[str, str]:
    name, mark, value = word.partition("=")
    if not mark:
        raise NotAnEntry([Fault(word, "field=value, as weight=181g", "no = sign")])
    return name.strip(), value.strip()


@aside.command
def drop(*numbers: str, because: str = "", farm: FarmFolder = None) -> None:
    """Leave rows out for good.

    Parameters
    ----------
    numbers: str
        Their numbers in the list, as 3 or 5..7.
    because: str
        Why, to remember it by.
    """
    with open_farm(farm) as opened:
        for number in settling.numbers_said(numbers, settling.listed(opened)):
            settling.drop(opened, number, because)
            print(f"{number}  dropped; it is not asked about again.")


def _tell_outcomes(number: int, outcomes: Sequence[Outcome]) -> None:
    for outcome in outcomes:
        print(f"{number}  {_outcome(outcome)}")
    if any(outcome.word in ("refused", "conflict") for outcome in outcomes):
        raise SystemExit(2)


def _outcome(outcome: Outcome) -> str:
    return f"{outcome.word}  {outcome.id}" + "".join(f"\n   {fault}" for fault in outcome.faults)
