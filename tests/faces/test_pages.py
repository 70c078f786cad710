"""An answer as a page in one file: whole in itself, safe, small."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from pinset.faces.web import pages
from pinset.questions.answer import Answer
from tests.faces import answers
from tests.faces.markup import Read

Make = Callable[[], Answer]


@pytest.mark.parametrize("make", answers.ALL, ids=lambda make: make.__name__)
def test_a_file_is_well_formed_and_whole_in_itself(make: Make) -> None:
    page = pages.page(make(), "Hollow Lane")
    read = Read(page)
    assert read.faults == []
    assert (read.tags["h1"], read.tags["script"], read.tags["style"]) == (1, 0, 1)
    outside = [value for _, name, value in read.attributes if name in ("src", "href") and value not in ("data:,",)]
    assert [one for one in outside if not str(one).startswith("#")] == []
    assert re.findall(r"url\((?!\"data:font/ttf;base64,)", page) == []
    assert len(page) < 260_000


def test_the_page_says_everything_the_answer_says() -> None:
    answer = answers.verdict()
    words = Read(pages.page(answer)).words
    said = [
        answer.headline, answer.standing.reason[1:], *answer.cautions, *answer.next, answer.basis.method[1:],
        *(figure.name[1:] for figure in answer.figures), *(figure.how for figure in answer.figures),
        *(chart.alt for chart in answer.charts), *(table.title for table in answer.tables), "22.3 to 27.5, from 10",
    ]  # fmt: skip
    assert [each for each in said if each not in words] == []


def test_what_somebody_typed_stays_text() -> None:
    page = pages.page(answers.unsafe(), answers.UNSAFE)
    assert "<script" not in page
    assert Read(page).words.count(answers.UNSAFE) >= 15


def test_several_answers_open_with_their_headlines() -> None:
    some = [make() for make in answers.ALL[:3]]
    page = pages.brief_page(some, "What the notes say", "Invented farm")
    read = Read(page)
    assert read.faults == []
    places = [read.words.index(answer.headline) for answer in some]
    assert places == sorted(places)
    assert read.words.index("In numbers") > max(places)
    assert read.words.count("Invented farm") == 2
    assert [link for link in read.links if link.startswith("#")] == ["#verdict", "#yields", "#cost"]
    assert all(read.ids[link[1:]] == 1 for link in read.links)


def test_the_farms_decimal_mark_is_used() -> None:
    assert "24,9\xa0%" in pages.page(answers.verdict(), mark=",")


def test_the_style_sheet_is_ours_and_small() -> None:
    sheet = pages.style()
    assert len(sheet.encode()) < 15_000
    assert "@import" not in sheet
    assert set(re.findall(r"url\((.*?)\)", sheet)) == {'"/typeface/Regular.ttf"', '"/typeface/Bold.ttf"'}


def test_a_fragment_keeps_its_style_to_itself() -> None:
    part = pages.fragment(answers.verdict())
    assert Read(part).faults == []
    (sheet,) = re.findall(r"<style>(.*?)</style>", part, re.DOTALL)
    assert sheet.startswith("@scope (.pinset) {")
    assert sheet.endswith("}")
    assert sheet.count("{") == sheet.count("}")
    assert "@font-face" not in sheet
    assert ":root" not in sheet


def test_a_long_table_is_cut_in_a_page() -> None:
    from dataclasses import replace

    answer = answers.long()
    (table,) = answer.tables
    many = replace(answer, tables=(replace(table, rows=table.rows * 4),))
    assert "and 40 rows more" in Read(pages.page(many)).words
