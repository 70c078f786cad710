"""A grower's notebook with a known truth beside it, from the spreadsheet to the verdict.

The notebook lies beside a working copy of this project (../shared/notes), not in it; without it these tests are
skipped. The same road is tested on the project's own invented farm in tests/demo.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pinset.farm import Farm
from pinset.intake.desk import look, proposed, tables_in, take_in
from pinset.ledger.tables import Batch, Picked, Seen, Unit

NOTES = Path(__file__).resolve().parents[2].parent / "shared" / "notes"
pytestmark = pytest.mark.skipif(not (NOTES / "notebook.xlsx").exists(), reason="needs ../shared/notes/notebook.xlsx")


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((NOTES / "truth.json").read_text())
    return found


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Farm]:
    with Farm.start(tmp_path_factory.mktemp("notebook") / "farm", "x", zone="Europe/Vienna") as farm:
        tables = tables_in([NOTES / "notebook.xlsx"])
        take_in(farm, look(farm, tables, proposed(farm, tables).with_control("P1")))
        yield farm


def test_the_sound_rows_are_on_record_to_the_milligram(taken: Farm, truth: dict[str, Any]) -> None:
    with taken.reader() as ledger:
        counts = {name: ledger.count(table) for name, table in (("batches", Batch), ("units", Unit), ("checks", Seen))}
        picks = ledger.rows(Picked)
    assert counts == {name: truth[name] for name in counts}
    assert len(picks) == truth["picks"]
    assert sum(pick.weight_mg for pick in picks) == round(truth["picked_kg"] * 1_000_000)


def test_the_verdict_has_the_arms_as_they_truly_were(taken: Farm, truth: dict[str, Any]) -> None:
    answer = taken.ask("verdict")
    columns = [column.name for column in answer.table("arms").columns]
    rows = {row[0]: dict(zip(columns, row, strict=True)) for row in answer.table("arms").rows}
    for arm, known in truth["arms"].items():
        assert rows[arm]["units"] == known["units"] == answer.basis.counts[f"units of {arm}"]
        assert rows[arm]["contaminated"] == known["contaminated"]
        # the truth is printed with four digits
        assert rows[arm]["per unit made"] == pytest.approx(known["mean_kg_per_unit_made"], abs=5e-5)
        assert rows[arm]["yield"] == pytest.approx(100 * known["yield_wet"], abs=5e-3)


def test_the_verdict_says_what_to_do_and_what_it_cannot_carry(taken: Farm) -> None:
    answer = taken.ask("verdict")
    assert (
        answer.headline.startswith("P4 gave 0.17 kg a unit (0.12 to 0.23) less than P1")
        and "stay with P1" in answer.headline
    )
    assert "P2 cannot be told from P1 yet" in answer.headline
    assert "the batch is the experimental unit" in answer.basis.level
    assert answer.standing.word == "leaning" and "spawn lot" in answer.standing.reason
    later = answer.figure("days: P4 less control")
    assert later.low is not None and later.low > 0


def test_the_other_questions_answer_from_it_too(taken: Farm) -> None:
    assert "132.9 kg" in taken.ask("yields").headline
    assert "in spawn alone" in taken.ask("cost").headline
    assert "passage 4 gave 36 % less" in taken.ask("lines").headline
