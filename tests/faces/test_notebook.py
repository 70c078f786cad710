"""The record in a notebook: answers that show themselves, tables that are tidy."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path

import pytest

import pinset
from pinset.faces.notebook import NeedsPandas, NoSuchTable, NotebookAnswer, NotebookFarm
from pinset.farm import Farm
from pinset.ledger.tables import Culled, Picked
from tests.faces import answers
from tests.faces.markup import Read


@pytest.fixture(scope="module")
def opened(farm: Farm) -> NotebookFarm:
    return pinset.open(Path(farm.store.place).parent)


def test_an_answer_shows_itself_as_text_and_as_a_page(opened: NotebookFarm, farm: Farm) -> None:
    answer, plain = opened.ask("yields", recipe="straw"), farm.ask("yields", recipe="straw")
    assert plain.headline in " ".join(str(answer).split())
    assert repr(answer) == str(answer)
    shown = Read(answer._repr_html_())
    assert shown.faults == []
    assert plain.headline in shown.words
    assert shown.tags["svg"] > 1
    assert answer.as_dict() == plain.as_dict()
    assert answer.figure("picked") == plain.figure("picked")


def test_what_somebody_typed_stays_text() -> None:
    assert "<script" not in NotebookAnswer.of(answers.unsafe(), ".")._repr_html_()


def test_the_farms_decimal_mark_is_used(tmp_path: Path) -> None:
    with Farm.start(tmp_path, "Comma", decimal_mark=",") as farm:
        farm.note("make", {"batch": "A", "units": "2", "fill": "2 kg"}, "2026-03-01")
        farm.note("pick", {"batch": "A", "weight": "0,345 kg"}, "2026-03-20")
    assert "0,345\xa0kg" in str(pinset.open(tmp_path).ask("yields"))


def test_tables_are_tidy(opened: NotebookFarm, farm: Farm) -> None:
    rows = opened.table("picked")
    with farm.reader() as ledger:
        assert len(rows) == ledger.count(Picked)
        total = sum(row.weight_mg for row in ledger.rows(Picked))
    assert sum(row["weight_kg"] for row in rows) == pytest.approx(total / 1e6)
    assert [row["at"] for row in rows] == sorted(row["at"] for row in rows)
    assert isinstance(rows[0]["at"], datetime)
    assert str(rows[0]["at"].tzinfo) == "Europe/Vienna"
    assert not {"farm", "n", "weight_mg"} & set(rows[0])
    assert opened.table("lot")[0]["cost"] == 45.0
    (straw,) = [row for row in opened.table("definition") if row["name"] == "straw"]
    assert straw["body"]["moisture"] == 0.66


def test_every_table_opens(opened: NotebookFarm) -> None:
    assert {"batch", "unit", "picked", "lot", "link"} <= set(opened.tables())
    for name in opened.tables():
        assert isinstance(opened.table(name), list)


def test_a_frame_has_its_columns_even_when_empty(opened: NotebookFarm) -> None:
    pytest.importorskip("pandas", reason="frames need pandas")
    frame = opened.frame("picked")
    assert frame["weight_kg"].sum() == pytest.approx(sum(row["weight_kg"] for row in opened.table("picked")))
    empty = opened.frame("cleaned")
    assert (len(empty), list(empty.columns)) == (0, ["entry", "at", "room", "method"])
    assert len(Culled._fields) - 2 == len(opened.frame("culled").columns)


def test_without_pandas_it_says_what_to_do(opened: NotebookFarm, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(NeedsPandas, match="pip install pandas"):
        opened.frame("picked")


def test_a_table_that_is_not_there_is_named(opened: NotebookFarm) -> None:
    with pytest.raises(NoSuchTable, match="'picks'"):
        opened.table("picks")
