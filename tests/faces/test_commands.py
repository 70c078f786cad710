"""The command line as a person uses it: words in, sentences out, and a way to mend what is wrong."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pinset.faces.cli.commands import COMMANDS, overview
from pinset.faces.cli.faults import told
from pinset.faces.cli.quick import usual_note
from pinset.farm import Farm
from pinset.journal.kinds import KINDS
from pinset.journal.said import spoken
from tests.faces.running import Run


def test_a_first_hour(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, out, _ = run("start", "hill-farm", "--currency", "eur", "--zone", "Europe/Vienna", "--decimal", ",")
    assert code == 0 and "Started the record of hill-farm" in out and "pinset take" in out
    monkeypatch.chdir(tmp_path / "hill-farm")
    assert run("note", "make", "batch=A1", "units=3", "fill=2,2kg", "--at", "2026-03-02")[1].startswith("kept")
    assert run("note", "pick", "unit=A1-01", "weight=0,33kg", "flush=1")[1].startswith("kept")
    code, out, _ = run("note", "pick", "unit=A9-01", "weight=0,3kg")
    assert code == 0 and out.startswith("waiting") and "A9-01 on record" in out
    code, out, _ = run("verify")
    assert code == 0 and "All 3 entries are as they were kept" in out
    assert "made again from 3 entries" in run("rebuild")[1]
    code, out, _ = run("check")
    assert "1 batches, 3 units" in out and "none yet" in out and "not tried yet" in out
    assert "Backed up 3 entries" in run("backup")[1]
    assert "0 days old" in run("check")[1]
    backup = next((tmp_path / "hill-farm" / "backups").glob("*.db"))
    assert "Restored 3 entries" in run("restore", str(backup), str(tmp_path / "again"))[1]
    assert "All 3 entries" in run("verify", "--farm", str(tmp_path / "again"))[1]


def test_a_correction_and_a_confirmed_time_ahead(run: Run, tmp_path: Path) -> None:
    run("start", "farm")
    first = run("note", "work", "task=picking", "minutes=40", "--farm", "farm", "--by", "Ana")[1].split()[1]
    assert run("note", "work", "task=picking", "minutes=45", "--replaces", first, "--farm", "farm")[1].startswith(
        "kept"
    )
    code, _, complaint = run("note", "work", "task=picking", "minutes=45", "--at", "2099-01-01", "--farm", "farm")
    assert code == 2 and "--confirm" in complaint
    assert run("note", "work", "task=x", "minutes=45", "--at", "2099-01-01", "--confirm", "--farm", "farm")[0] == 0
    with Farm.open(tmp_path / "farm") as farm:
        found = farm.find(first)
        assert found is not None and found.entry.by == "Ana"


@pytest.mark.parametrize(("words", "needed"), [
    (["note", "pick", "weight"], "field=value"),
    (["note", "pick", "weigt=1kg"], "a field of pick"),
    (["note", "guess", "x=1"], "one of define"),
    (["note", "pick", "weight=1kg"], "exactly one of units, batch, room"),
    (["verify", "--farm", "nowhere"], "pinset start nowhere"),
    (["start", "farm"], "nothing was changed"),
])  # fmt: skip
def test_what_is_wrong_is_said_in_a_sentence(run: Run, words: list[str], needed: str) -> None:
    run("start", "farm")
    where = [] if "--farm" in words or words[0] == "start" else ["--farm", "farm"]
    code, out, complaint = run(*words, *where)
    assert code == 2 and needed in out + complaint
    assert "Traceback" not in complaint


def test_without_a_record_the_way_to_one_is_told(run: Run) -> None:
    code, _, complaint = run("note", "pick", "unit=A", "weight=1kg")
    assert code == 2 and "pinset start FOLDER" in complaint


def test_a_damaged_record_is_told_and_left(run: Run, tmp_path: Path) -> None:
    run("start", "farm")
    (tmp_path / "farm" / "record.db").write_bytes(b"x" * 8192)
    code, _, complaint = run("verify", "--farm", "farm")
    assert code == 2 and "damaged" in complaint and "backup" in complaint


def test_a_changed_entry_is_found_and_named(run: Run, tmp_path: Path) -> None:
    run("start", "farm")
    run("note", "work", "task=picking", "minutes=40", "--farm", "farm")
    with Farm.open(tmp_path / "farm") as farm, farm.store.transaction() as connection:
        connection.execute("UPDATE entry SET body = replace(body, '40', '41')")
    code, out, _ = run("verify", "--farm", "farm")
    assert code == 1 and "entry 1" in out


def test_each_kind_says_what_it_can_say(run: Run) -> None:
    assert all(kind in run("note")[1] for kind in KINDS)
    for kind, model in KINDS.items():
        out = run("note", kind)[1]
        assert all(spoken(field) in out for field in model.model_fields)


def test_the_overview_names_every_command_within_80_columns(run: Run) -> None:
    code, out, _ = run("--help")
    assert code == 0 and run()[1] == out
    assert all(one.name in out for one in COMMANDS)
    assert max(len(line) for line in overview().splitlines()) <= 80


def test_every_command_has_its_help(run: Run) -> None:
    for one in COMMANDS:
        code, out, _ = run(one.name, "--help")
        assert code == 0 and f"pinset {one.name}" in out


def test_only_the_usual_form_of_a_note_is_read_without_the_parser() -> None:
    assert usual_note(["note", "pick", "unit=A", "-f", "farm"]) == (["pick", "unit=A"], {"farm": Path("farm")})
    assert usual_note(["note", "pick", "unit=A", "--at"]) is None
    assert usual_note(["note", "pick", "unit=A", "--confirm", "x"]) is None


def test_faults_of_the_program_itself_are_not_dressed_up() -> None:
    assert told(ZeroDivisionError()) is None
    assert "disk is full" in str(told(OSError(28, "No space left on device")))


def test_help_and_notes_load_neither_the_parser_nor_the_science() -> None:
    """What makes starting slow is importing; the speed itself is measured in bench/startup.py."""
    words = "import sys; sys.argv = ['pinset', '--help']; from pinset.__main__ import main; main(); "
    words += (
        "import pinset.faces.cli.quick; print(sorted({'numpy', 'scipy', 'rich', 'cyclopts', 'sqlalchemy', 'alembic', "
    )
    words += "'starlette'} & set(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True).stdout
    assert out.splitlines()[-1] == "[]"
