"""The demo: from an invented farm's messy notes to a brief of one screen, a page and a paper."""

from __future__ import annotations

import textwrap
import time
from pathlib import Path

from pinset.demo import story
from pinset.demo.tour import NOTE, Tour, tour
from pinset.questions.answer import Answer

WIDTH = 80
TITLE = f"A brief for {story.FARM}, an invented farm"
_MARKS = {"settled": "●", "leaning": "◐", "open": "○"}


class DemoIsThere(FileExistsError):
    """There is a demo in this folder already; name another folder, or remove it."""


def demo(folder: Path = Path("pinset-demo")) -> None:
    """See the whole job done on an invented farm: notes, record, answers, page and paper.

    Parameters
    ----------
    folder: Path
        Where its notes, record, page and paper are written.
    """
    if (folder / "record").exists() or (folder / "notes").exists():
        raise DemoIsThere(f"{folder} holds a demo already and was left as it was. Name another folder, or remove it.")
    began = time.perf_counter()
    toured = tour(folder)
    _write(toured, folder)
    print(brief(toured))
    print(_where(folder, time.perf_counter() - began))


def _write(toured: Tour, folder: Path) -> None:
    from pinset.faces.paper.report import pdf
    from pinset.faces.web.pages import brief_page

    (folder / "brief.html").write_text(brief_page(toured.answers, TITLE, NOTE), encoding="utf-8")
    (folder / "brief.pdf").write_bytes(pdf(toured.answers, TITLE, NOTE))


def brief(toured: Tour) -> str:
    """The tour in one screen of 80 columns: what the notes were, what was set aside, what the answers are."""
    taking = toured.taking
    lines = [
        f"{TITLE}. {NOTE}",
        "",
        f"Its notes: {len(toured.truth.files)} files, {len(taking.sheets)} sheets, {taking.count('rows')} sound rows "
        f"kept, {len(taking.asides)} set aside as faulty or doubtful.",
        "",
    ]
    for answer in toured.answers:
        lines += [*_told(answer), ""]
    return "\n".join(line for text in lines for line in (_wrapped(text) if text else [""]))


def _told(answer: Answer) -> list[str]:
    mark = _MARKS[answer.standing.word]
    asks = answer.asks[:1].upper() + answer.asks[1:]
    return [asks, f"  {answer.headline}", f"  {mark} {answer.standing.word}: {answer.standing.reason}."]


def _wrapped(text: str) -> list[str]:
    indent = " " * (len(text) - len(text.lstrip()))
    return textwrap.wrap(text, WIDTH, initial_indent="", subsequent_indent=indent, break_long_words=False)


def _where(folder: Path, seconds: float) -> str:
    return "\n".join([
        f"Made in {seconds:.0f} s. Open the page and the paper:",
        f"  {folder / 'brief.html'}",
        f"  {folder / 'brief.pdf'}",
        "Look around in the record, or ask on:",
        f"  pinset serve --farm {folder / 'record'}",
        f"  pinset aside --farm {folder / 'record'}",
        f"  pinset ask verdict --farm {folder / 'record'}",
    ])  # fmt: skip
