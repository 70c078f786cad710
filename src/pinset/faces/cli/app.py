"""The commands. Each is loaded only when it is used, so that noting starts at once."""

from __future__ import annotations

from cyclopts import App, Group

from pinset import __version__

RECORD, ANSWERS, CARE = (
    Group(name, sort_key=n) for n, name in enumerate(("The record", "The answers", "Care of the record"))
)

app = App(
    name="pinset",
    version=__version__,
    help="A mushroom grower's whole record, and honest answers from it.",
    result_action="return_none",
)
_COMMANDS = (
    ("start", "pinset.faces.cli.noting:start", RECORD, "Start a farm's record in a folder."),
    (
        "note",
        "pinset.faces.cli.noting:note",
        RECORD,
        "Note one thing: pinset note pick unit=A-01 weight=0.33kg",
    ),
    ("take", "pinset.faces.cli.taking:take", RECORD, "Take in spreadsheets: xlsx or csv, as they are."),
    (
        "aside",
        "pinset.faces.cli.taking:aside",
        RECORD,
        "Rows that were set aside: look, accept, correct or drop.",
    ),
    ("ask", "pinset.faces.cli.asking:ask", ANSWERS, "Ask a question; without a name, lists them."),
    ("serve", "pinset.faces.cli.serving:serve", ANSWERS, "Show the record and the answers in a browser."),
    ("demo", "pinset.faces.cli.demoing:demo", ANSWERS, "See the whole job done on an invented farm."),
    ("backup", "pinset.faces.cli.caring:backup", CARE, "Copy the record to a safe place, while it is in use."),
    ("restore", "pinset.faces.cli.caring:restore", CARE, "Put a backup in place as a record of its own."),
    ("verify", "pinset.faces.cli.caring:verify", CARE, "Check that the record is as it was kept."),
    ("rebuild", "pinset.faces.cli.caring:rebuild", CARE, "Make the ledger again from the journal."),
    ("check", "pinset.faces.cli.caring:check", CARE, "Show the state of the record on one screen."),
)
for _name, _where, _group, _help in _COMMANDS:
    app.command(_where, name=_name, group=_group, help=_help)
