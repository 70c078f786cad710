"""The reference names every command with its options, and every kind of entry with its fields; and nothing else."""

from __future__ import annotations

import re

import pytest
from cyclopts import App

from pinset.faces.cli.app import app
from pinset.faces.cli.commands import COMMANDS
from pinset.journal.kinds import KINDS, SIGNS, Subject
from pinset.journal.said import spoken
from tests.house.files import ROOT

REFERENCE = ROOT / "docs" / "reference"
COMMANDS_PAGE = (REFERENCE / "commands.md").read_text(encoding="utf-8")
ENTRIES_PAGE = (REFERENCE / "entries.md").read_text(encoding="utf-8")


def sections(page: str, mark: str) -> dict[str, str]:
    """The sections of a page by the first word or `pinset WORD` of their headings."""
    parts = re.split(rf"^{mark} (?:`pinset )?([\w-]+).*$", page, flags=re.M)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def options(command: App) -> set[str]:
    """The options of a command and of the commands within it, each by its first name; what has a place has none."""
    first = {argument.names[0] for argument in command.assemble_argument_collection() if argument.index is None}
    within = [command[name] for name in command if not name.startswith("-")]
    return {name for name in first if name.startswith("--")}.union(*(options(one) for one in within))


def test_every_command_is_told_in_its_group_and_order() -> None:
    assert [*sections(COMMANDS_PAGE, "###")] == [one.name for one in COMMANDS]
    groups = re.findall(r"^## (.*)$", COMMANDS_PAGE, flags=re.M)
    assert groups == [*dict.fromkeys(one.group for one in COMMANDS)]


@pytest.mark.parametrize("name", [one.name for one in COMMANDS if one.name not in ("ask", "demo")])
def test_every_option_of_a_command_is_told(name: str) -> None:
    told = set(re.findall(r"`(--[a-z-]+)", sections(COMMANDS_PAGE, "###")[name]))
    assert told == options(app[name])


def test_every_command_within_aside_is_told() -> None:
    there = {name for name in app["aside"] if not name.startswith("-")}
    assert set(re.findall(r"`pinset aside (\w+)", sections(COMMANDS_PAGE, "###")["aside"])) - {"NUMBER"} == there


def test_every_kind_of_entry_is_told_in_order() -> None:
    assert [*sections(ENTRIES_PAGE, "##")] == [*KINDS]


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_a_kind_is_told(kind: str) -> None:
    rows = re.findall(r"^\| `(\w+)`(\*?) \| \S", sections(ENTRIES_PAGE, "##")[kind], flags=re.M)
    beside = {"remarks", *(Subject.levels if issubclass(KINDS[kind], Subject) else ())} - {*_levels(kind)}
    fields = {name: field for name, field in KINDS[kind].model_fields.items() if name not in beside}
    assert rows == [(spoken(name), "*" if field.is_required() else "") for name, field in fields.items()]


def _levels(kind: str) -> tuple[str, ...]:
    """What an entry of this kind can be about."""
    model = KINDS[kind]
    return model.levels if issubclass(model, Subject) else ()


def test_every_sign_is_told() -> None:
    told = sections(ENTRIES_PAGE, "##")["check"].partition("The signs:")[2]
    assert re.findall(r"^\| ([a-z]+) \| (.*) \|$", told, flags=re.M) == [("sign", "what was seen"), *SIGNS.items()]
