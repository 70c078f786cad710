"""The commands by name: where each lives, which group it stands in, and what it does in one line."""

from __future__ import annotations

from typing import Final, NamedTuple

ABOUT: Final = "A mushroom grower's whole record, and honest answers from it."
GROUPS: Final = ("The record", "The answers", "Care of the record")


class Command(NamedTuple):
    """One command of the command line."""

    name: str
    place: str
    group: str
    help: str


def _in(group: str, *commands: tuple[str, str, str]) -> tuple[Command, ...]:
    return tuple(Command(name, f"pinset.faces.cli.{place}", group, words) for name, place, words in commands)


COMMANDS: Final = (
    *_in(
        GROUPS[0],
        ("start", "noting:start", "Start a farm's record in a folder."),
        ("note", "noting:note", "Note one thing: pinset note pick unit=A-01 weight=0.33kg"),
        ("take", "taking:take", "Take in spreadsheets: xlsx or csv, as they are."),
        ("aside", "taking:aside", "Rows that were set aside: look, accept, correct or drop."),
    ),
    *_in(
        GROUPS[1],
        ("ask", "asking:ask", "Ask a question; without a name, lists them."),
        ("share", "sharing:share", "Give a trial away: effects alone, shown before they are written."),
        ("serve", "serving:serve", "Show the record and the answers in a browser."),
        ("demo", "demoing:demo", "See the whole job done on an invented farm."),
    ),
    *_in(
        GROUPS[2],
        ("check", "caring:check", "Show the state of the record on one screen."),
        ("verify", "caring:verify", "Check that the record is as it was kept."),
        ("backup", "caring:backup", "Copy the record to a safe place, while it is in use."),
        ("upkeep", "caring:upkeep", "Do what is due: the daily backup, the monthly trial."),
        ("restore", "caring:restore", "Put a backup in place as a record of its own."),
        ("give", "giving:give", "Give everything out: a package, a spreadsheet."),
        ("carry", "caring:carry", "Carry a record to a new home: a file or PostgreSQL."),
        ("upgrade", "caring:upgrade", "Bring a record of an older pinset up to date."),
        ("rebuild", "caring:rebuild", "Make the ledger again from the journal."),
    ),
)


def overview() -> str:
    """What `pinset` alone shows: every command in one line, within 80 columns."""
    lines = [ABOUT, ""]
    for group in GROUPS:
        lines += [f"{group}:", *(f"  {one.name:9} {one.help}" for one in COMMANDS if one.group == group), ""]
    return "\n".join([*lines, "More about one: pinset COMMAND --help"])
