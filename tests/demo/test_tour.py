"""The tour of the invented farm finds what is truly there, and holds back where the notes cannot carry it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from pinset.demo.tour import NOTE, Tour, opened, tour
from pinset.faces.cli.demoing import DemoIsThere, brief, demo
from pinset.questions.answer import Answer


@pytest.fixture(scope="module")
def toured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tour]:
    yield tour(tmp_path_factory.mktemp("tour") / "demo")


def _answer(toured: Tour, name: str) -> Answer:
    return next(answer for answer in toured.answers if answer.question == name)


def test_exactly_the_spoilt_rows_are_set_aside_and_everything_else_is_kept(toured: Tour) -> None:
    assert len(toured.taking.asides) == len(toured.truth.faults)
    assert toured.taking.count("rows") == sum(toured.truth.rows.values())
    with opened(toured) as farm:
        assert farm.verify() == []


def test_the_way_that_pays_and_the_way_that_does_not_are_told_apart(toured: Tour) -> None:
    words = {row[0]: row[-1] for row in _answer(toured, "verdict").table("money").rows}
    assert toured.truth.way("soy hulls").pays > 0 > toured.truth.way("okara").pays
    assert words["soy hulls"] == "pays" and words["okara"] == "does not pay"
    assert words["coffee chaff"] == "not settled"


def test_okara_yields_more_all_the_same(toured: Tour) -> None:
    figure = _answer(toured, "verdict").figure("yield: okara less control")
    assert figure.low is not None and figure.low > 0


def test_every_cent_of_labour_is_charged_to_some_batch(toured: Tour) -> None:
    lines = {row[0]: row[1] for row in _answer(toured, "cost").table("lines").rows}
    # each batch's line is rounded to the cent, so 51 batches may be off by half a cent each
    assert lines["labour"] == pytest.approx(toured.truth.spent["labour"], abs=0.005 * toured.truth.batches)
    assert lines["shelf"] == pytest.approx(toured.truth.spent["places"], rel=0.02)
    assert lines["energy"] == pytest.approx(toured.truth.spent["power"], abs=0.01)


def test_the_failed_batch_is_named(toured: Tour) -> None:
    assert toured.truth.failed_batch in _answer(toured, "yields").headline


def test_a_slower_passage_is_told_and_one_without_company_is_not_judged(toured: Tour) -> None:
    answer = _answer(toured, "lines")
    assert re.search(r"at passage 3 ran \d\.\d days .* longer than passage 2", answer.headline)
    assert "cannot be told apart for KE-0 (passage 4)" in answer.headline


def test_the_brief_fits_a_screen_and_says_that_all_is_invented(toured: Tour) -> None:
    lines = brief(toured).splitlines()
    assert len(lines) <= 40 and max(map(len, lines)) <= 80
    assert NOTE.split(":")[0] in lines[0]


def test_the_demo_writes_page_and_paper_and_never_over_an_old_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    demo(tmp_path / "here")
    assert "brief.pdf" in capsys.readouterr().out
    page = (tmp_path / "here" / "brief.html").read_text(encoding="utf-8")
    assert NOTE in page and "<svg" in page and "http-equiv" not in page
    assert (tmp_path / "here" / "brief.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(DemoIsThere, match="left as it was"):
        demo(tmp_path / "here")
