"""Spawn drawn from what a sign was seen on: asked about first, and noted with the draw."""

from __future__ import annotations

from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.ledger.tables import Link, Remark
from tests.faces.running import Run


@pytest.fixture
def noted(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A batch of three units, mites seen on one of them."""
    run("start", "farm", "--zone", "Europe/Vienna")
    monkeypatch.chdir(tmp_path / "farm")
    run("note", "make", "batch=A", "units=3", "fill=2kg", "--at", "2026-03-02")
    run("note", "check", "unit=A-02", "run=80%", "signs=mites", "--at", "2026-03-09")
    return tmp_path / "farm"


def _remarks(folder: Path) -> list[str]:
    with Farm.open(folder) as farm, farm.reader() as ledger:
        return [remark.text for remark in ledger.rows(Remark)]


def _draws(folder: Path) -> int:
    with Farm.open(folder) as farm, farm.reader() as ledger:
        return len(ledger.rows(Link, child_kind="lot"))


def test_a_draw_from_a_unit_with_a_sign_is_asked_about_and_not_kept(run: Run, noted: Path) -> None:
    draw = ("note", "draw", "lot=S1", "parents=A-02:0.4kg", "carrier=substrate", "--at", "2026-03-12")
    code, _, complaint = run(*draw)
    assert code == 2 and "A-02: mites on 2026-03-09" in complaint and "--confirm" in complaint
    assert _draws(noted) == 0


def test_a_confirmed_draw_is_kept_with_the_sign_beside_what_was_said(run: Run, noted: Path) -> None:
    draw = ("note", "draw", "lot=S1", "parents=A-02:0.4kg", "carrier=substrate", "remarks=from the rim")
    code, out, _ = run(*draw, "--at", "2026-03-12", "--confirm")
    assert code == 0 and out.startswith("kept")
    assert _remarks(noted) == ["from the rim. Drawn although seen: A-02: mites on 2026-03-09"]


def test_a_sibling_without_a_sign_is_drawn_from_without_a_word(run: Run, noted: Path) -> None:
    draw = ("note", "draw", "lot=S1", "parents=A-01:0.4kg", "carrier=substrate", "--at", "2026-03-12")
    assert run(*draw)[0] == 0 and _draws(noted) == 1 and _remarks(noted) == []


def test_a_sign_on_the_batch_as_a_whole_counts_for_each_unit(run: Run, noted: Path) -> None:
    run("note", "check", "batch=A", "signs=green", "affected=1", "looked_at=3", "--at", "2026-03-10")
    draw = ("note", "draw", "lot=S1", "parents=A-01:0.4kg", "carrier=substrate", "--at", "2026-03-12")
    code, _, complaint = run(*draw)
    assert code == 2 and "A: green on 2026-03-10" in complaint


def test_a_draw_that_names_no_parent_is_told_so(run: Run, noted: Path) -> None:
    code, out, _ = run("note", "draw", "lot=S1", "carrier=substrate")
    assert code == 2 and out.startswith("refused") and "parents" in out
