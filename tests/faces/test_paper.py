"""Answers as PDF: tagged, described, repeatable, and never a command of the typesetter."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from pinset.faces.paper.report import pdf
from tests import needs
from tests.faces import answers

HOSTILE = '#panic("x") *bold* $x^2$ @label <tag> \\ // /* `raw` "quoted" #include "a"'


def text_of(made: bytes, folder: Path) -> str:
    program = shutil.which("pdftotext") or needs.missing("pdftotext", "apt-get install poppler-utils")
    (folder / "made.pdf").write_bytes(made)
    command = [program, "-layout", "made.pdf", "-"]
    return subprocess.run(command, cwd=folder, capture_output=True, check=True).stdout.decode()


@pytest.fixture(scope="module")
def brief() -> bytes:
    return pdf([make() for make in answers.ALL], "What the notes say", "Invented farm")


def test_the_same_answers_give_the_same_bytes(brief: bytes) -> None:
    assert pdf([make() for make in answers.ALL], "What the notes say", "Invented farm") == brief
    assert not re.search(rb"/(CreationDate|ModDate)", brief)


def test_it_is_tagged_and_says_that_it_is_readable_aloud(brief: bytes) -> None:
    assert brief.startswith(b"%PDF-1.7")
    assert b"/MarkInfo" in brief
    assert b"/StructTreeRoot" in brief
    assert b"pdfuaid:part" in brief
    assert b"/Lang" in brief


def test_every_picture_is_described() -> None:
    made = pdf([answers.verdict()], "x")
    for chart in answers.verdict().charts:
        assert chart.alt[:25].encode() in made or chart.alt[:25].encode("utf-16-be") in made


def test_only_the_one_typeface_is_inside(brief: bytes) -> None:
    fonts = set(re.findall(rb"/BaseFont\s*/([\w+-]+)", brief))
    assert {name.split(b"+")[1].split(b"-")[0] for name in fonts} == {b"AtkinsonHyperlegible"}


def test_it_opens_with_the_headlines_and_says_everything(brief: bytes, tmp_path: Path) -> None:
    pages = text_of(brief, tmp_path).split("\f")
    for make in answers.ALL:
        assert make().headline[:40] in pages[0]
    whole = " ".join(" ".join(pages).split())
    for each in ("Stands on", "Take care", "Green mould: bag it before it is moved", "B060", "22.3 to 27.5, from 10"):
        assert each in whole
    assert all("Invented farm" in page for page in pages if page.strip())


def test_what_somebody_typed_is_never_a_command(tmp_path: Path) -> None:
    from dataclasses import replace

    hostile = replace(answers.unsafe(), headline=HOSTILE, cautions=(HOSTILE,), next=(HOSTILE,))
    text = text_of(pdf([hostile], HOSTILE, HOSTILE), tmp_path)
    assert '#panic("x") *bold* $x^2$ @label <tag>' in text
    assert "<script>alert('x')</script>" in text


def test_an_answer_with_nothing_to_show_is_still_paper() -> None:
    assert pdf([answers.nothing()], "Nothing").startswith(b"%PDF")
