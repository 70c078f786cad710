"""Taking files in, as a person does it: propose, look, say what only they can say, take, and settle the rest."""

from __future__ import annotations

from pathlib import Path

import pytest

from pinset.faces.cli.taking import WIDTH
from tests.faces.running import Run

MADE = "Batch,Made on,Bags,kg each,Arm\nA1,2026-01-05,4,2.2,P1\nA2,2026-01-05,4,2.2,P2\n"
PICKED = (
    "Date,Bag,Flush,kg\n05/02/2026,A1-01,1,0.31\n16/02/2026,A1-02,1,0.32\n"
    "06/02/2026,A1-03,1,340\n06/02/2026,A1-04,1,-0.2\n"
)


@pytest.fixture
def folder(tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with notes and a farm."""
    (tmp_path / "made.csv").write_text(MADE)
    (tmp_path / "picked.csv").write_text(PICKED)
    run("start", "farm", "--zone", "Europe/Vienna")
    monkeypatch.setenv("PINSET_FARM", "farm")
    return tmp_path


def fits(text: str) -> bool:
    """Whether every line fits a narrow terminal; commands to copy may be longer."""
    return all(len(line) <= WIDTH or "pinset take" in line for line in text.splitlines())


def test_from_files_to_the_record(folder: Path, run: Run) -> None:
    code, out, _ = run("take", "made.csv", "picked.csv", "--propose")
    assert code == 0
    assert "Wrote made.map.toml" in out
    assert "P1, P2" in out
    map = folder / "made.map.toml"
    map.write_text(map.read_text().replace('control = "?"', 'control = "P1"'))

    words = ("take", "made.csv", "picked.csv", "--map", "made.map.toml")
    code, out, _ = run(*words)
    assert code == 0
    for said in ("2 rows to take as make", "2 rows to take as pick, 2 set aside", "A1-01, weight 0.31 kg, flush 1",
                 "picked.csv, picked, row 4, kg", "weight=340g", "Nothing was written yet", "--yes"):  # fmt: skip
        assert said in out
    assert fits(out)
    assert run("aside")[1] == "No row is set aside.\n"

    code, out, _ = run(*words, "--yes")
    assert code == 0
    assert "Kept 4 rows as 5 entries." in out
    assert "Set aside: 2 rows, of them 2 new." in out

    code, out, _ = run(*words, "--yes")
    assert (code, out.splitlines()[-1]) == (
        0,
        "Nothing new; 4 rows already kept, 2 rows still set aside: pinset aside.",
    )


def test_settling_what_was_set_aside(folder: Path, run: Run) -> None:
    run("take", "made.csv", "picked.csv", "--control", "P1", "--yes")
    out = run("aside")[1]
    assert "    1  question" in out
    assert "    2  fault" in out
    assert fits(out)
    shown = run("aside", "show", "1")[1]
    assert "   kg: 340" in shown
    assert "pick  2026-02-06  A1-03, weight 340 kg, flush 1" in shown
    code, _, complaint = run("aside", "accept", "2")
    assert code == 2
    assert "pinset aside correct 2" in complaint
    assert run("aside", "correct", "1", "weight=340g")[1].startswith("1  kept")
    assert "still doubted" in run("aside", "correct", "2", "weight=1.9kg")[1]
    assert "dropped" in run("aside", "drop", "2", "--because", "not mine")[1]
    assert run("aside")[1] == "No row is set aside.\n"
    assert "corrected" in run("aside", "--settled")[1]
    assert "It was dropped:" in run("aside", "show", "2")[1]
    assert "Nothing new; 4 rows already kept, 2 rows settled before." in run("take", "made.csv", "picked.csv")[1]
    assert "All 6 entries are as they were kept" in run("verify")[1]


def test_nothing_is_taken_while_something_is_asked(folder: Path, run: Run) -> None:
    code, out, complaint = run("take", "made.csv", "picked.csv", "--yes")
    assert code == 2
    assert 'control = "..."' in " ".join(out.split())
    assert "Nothing was taken" in complaint
    assert "0 batches" in run("check")[1]


def test_a_guess_can_be_seen_and_changed(folder: Path, run: Run) -> None:
    out = run("take", "made.csv", "--control", "P1")[1]
    assert "To see or change the guess:  pinset take made.csv --control P1 --propose" in out


def test_a_map_is_not_written_over(folder: Path, run: Run) -> None:
    run("take", "made.csv", "--propose")
    code, _, complaint = run("take", "made.csv", "--propose")
    assert code == 2
    assert "was not written over" in complaint
    assert run("take", "made.csv", "--propose", "--map", "other.toml")[0] == 0
    assert (folder / "other.toml").exists()


def test_a_file_that_cannot_be_read_is_named_and_the_others_go_on(folder: Path, run: Run) -> None:
    (folder / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    code, out, complaint = run("take", "photo.png", "made.csv", "--control", "P1", "--yes")
    assert code == 2
    assert "Not read: photo.png" in complaint
    assert "Kept 2 rows as 3 entries." in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("take",), "one or more files"),
        (("take", "nowhere.csv"), "found none at nowhere.csv"),
        (("take", "made.csv", "--map", "nowhere.toml"), "nowhere.toml"),
        (("aside", "show", "7"), "needed the number of a row set aside"),
        (("aside", "accept", "x"), "as 3 or 3..7"),
        (("aside", "correct", "1"), "what is right"),
        (("aside", "correct", "1", "weight"), "no = sign"),
    ],
)
def test_misuse_is_one_sentence(words: tuple[str, ...], said: str, folder: Path, run: Run) -> None:
    code, _, complaint = run(*words)
    assert code == 2
    assert said in complaint
    assert "Traceback" not in complaint


def test_a_map_that_cannot_be_followed_says_where_and_how(folder: Path, run: Run) -> None:
    (folder / "bad.toml").write_text('[sheets.made]\nkind = "make"\n[sheets.made.columns]\nBags = "unts"\n')
    code, _, complaint = run("take", "made.csv", "--map", "bad.toml")
    assert code == 2
    assert "bad.toml" in complaint
    assert "did you mean 'units'" in complaint


def test_a_sheet_that_nobody_understands_is_named(folder: Path, run: Run) -> None:
    (folder / "log.csv").write_text("when,temp_c\n2026-05-04T00:00:00,15.95\n2026-05-04T00:05:00,16.24\n")
    code, out, _ = run("take", "log.csv")
    assert code == 0
    assert "log.csv, log: left out" in out


def test_many_rows_aside_are_counted_rather_than_told(folder: Path, run: Run) -> None:
    lines = "".join(f"2026-02-{n % 20 + 1:02d},Z{n},1,0.3\n" for n in range(30))
    (folder / "many.csv").write_text("Date,Bag,Flush,kg\n" + lines)
    out = run("take", "many.csv")[1]
    assert "... and 18 more" in out
    run("take", "many.csv", "--yes")
    assert run("aside", "accept", "all")[1].count("waiting") == 30
