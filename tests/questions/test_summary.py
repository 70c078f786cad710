"""A published table checked against its own numbers, by asking for a verdict on a file."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.questions._summary import NotASummary

PUBLISHED = Path(__file__).parents[1] / "published"
ARMS = ("straw", "three_to_one", "one_to_three")


def _read(name: str) -> dict[str, dict[str, str]]:
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return {row["response"]: row for row in csv.DictReader(line for line in lines if not line.startswith("#"))}


@pytest.fixture
def olive(tmp_path: Path) -> Path:
    """The olive-prunings table (Scientifica 2020, 3950357, Table 2), three bags an arm, one row an arm."""
    lines = ["# as printed", "measure,arm,mean,sd,n,letters,p"]
    letters = _read("olive_letters.csv")
    for measure, row in _read("olive_prunings.csv").items():
        lines += [
            f"{measure},{arm},{row[arm]},{row[f'{arm}_sd']},3,{letters[measure][arm]},{row['printed_p']}"
            for arm in ARMS
        ]
    path = tmp_path / "olive.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_a_printed_table_is_held_against_its_own_numbers(farm: Farm, olive: Path) -> None:
    answer = farm.ask("verdict", summary=str(olive))
    p = {row[0]: row for row in answer.table("p").rows}
    # tests/published/test_printed_letters.py: 0.057 follows from the table where 0.05 is printed
    assert p["economic yield in g per bag"][2] == pytest.approx(0.057, abs=0.0005)
    assert p["economic yield in g per bag"][-1] == "does not follow" and answer.standing.word == "open"
    assert "economic yield" in answer.headline
    # the letters are Duncan's, as the paper says; with the p of three bags an arm
    assert "Duncan" in answer.headline and "all follow" in answer.headline
    assert len(answer.table("letters").rows) == 21


def test_a_table_without_letters_or_p_is_compared_all_the_same(farm: Farm, tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text("arm,mean,sd,n\na,10.0,1.0,5\nb,12.0,1.0,5\n", encoding="utf-8")
    answer = farm.ask("verdict", summary=str(path))
    # t of 2 / (1 * sqrt(2/5)) on 8 degrees of freedom: p 0.0133, as the example of `pair_p` has it
    ((*told, p),) = answer.table("pairs").rows
    assert told == ["value", "b", 12.0, 2.0] and p == pytest.approx(0.0133, abs=5e-5)
    assert "neither p nor letters" in answer.headline


def test_standard_errors_are_read_as_such(farm: Farm, tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text("arm,mean,se,n,p\na,10.0,0.5,4,0.030\nb,12.0,0.5,4,0.030\n", encoding="utf-8")
    # deviations of 1.0 (0.5 times the root of 4): t of 2 / sqrt(1/2) = 2.83 on 6 degrees of freedom, p 0.030
    answer = farm.ask("verdict", summary=str(path))
    assert answer.table("p").rows[0][-1] == "follows" and answer.standing.word == "settled"


def test_arms_without_any_spread_are_left_out_by_name(farm: Farm, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    rows = ["measure,arm,mean,sd,n", "flat,a,3,0,3", "flat,b,2,0,3", "good,a,3.0,1.0,3", "good,b,5.0,1.0,3"]
    path.write_text("\n".join(rows), encoding="utf-8")
    assert any("flat" in caution for caution in farm.ask("verdict", summary=str(path)).cautions)


@pytest.mark.parametrize("content", [
    "", "x,y\n1,2\n", "arm,mean,sd,n\na,ten,1,3\nb,2,1,3\n", "arm,mean,sd,n\na,1,1,3\n",
    "arm,mean,sd,n\na,1,0,3\nb,2,0,3\n", "arm,mean,sd,n,p\na,1,1,3,small\nb,2,1,3,small\n",
])  # fmt: skip
def test_what_is_no_such_table_is_refused_in_a_sentence(farm: Farm, tmp_path: Path, content: str) -> None:
    path = tmp_path / "t.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(NotASummary, match=r"needed|digits|fewer"):
        farm.ask("verdict", summary=str(path))
    with pytest.raises(NotASummary, match="needed a file"):
        farm.ask("verdict", summary=str(tmp_path / "missing.csv"))
