"""The commands put together. Each is loaded only when it is used, so that starting is quick."""

from __future__ import annotations

from cyclopts import App, Group

from pinset import __version__
from pinset.faces.cli.commands import ABOUT, COMMANDS, GROUPS

app = App(name="pinset", version=__version__, help=ABOUT, result_action="return_none")
_GROUPS = {name: Group(name, sort_key=n) for n, name in enumerate(GROUPS)}
for _one in COMMANDS:
    app.command(_one.place, name=_one.name, group=_GROUPS[_one.group], help=_one.help)
