"""The command line's questions, as a grower types them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

from pinset.faces import words
from pinset.faces.cli.app import app
from pinset.faces.cli.serving import OnlyThisMachine, serve
from pinset.farm import Farm
from pinset.questions.catalogue import NoSuchQuestion, find_question, names
from tests.faces.markup import Read


@pytest.fixture
def folder(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("PINSET_FARM", raising=False)
    return Path(farm.store.place).parent


def asked(capsys: pytest.CaptureFixture[str], *typed: str) -> str:
    app(["ask", *typed], exit_on_error=False)
    return capsys.readouterr().out


def test_without_a_name_it_lists_the_questions_in_the_growers_words(capsys: pytest.CaptureFixture[str]) -> None:
    listed = asked(capsys)
    for name in names():
        assert any(line.split()[0] == name for line in listed.splitlines() if line)
        assert find_question(name).asks[1:] in listed


def test_help_says_each_question_in_the_same_words(capsys: pytest.CaptureFixture[str]) -> None:
    shown = " ".join(asked(capsys, "--help").replace("│", " ").split())
    for name in names():
        assert words.capital(find_question(name).asks) in shown


def test_help_lists_the_options_of_that_question(capsys: pytest.CaptureFixture[str]) -> None:
    for name in names():
        shown = asked(capsys, name, "--help")
        for option in (*(option.name for option in find_question(name).options), "json", "page", "pdf", "farm"):
            assert f"--{option.replace('_', '-')}" in shown, (name, option)


def test_an_answer_is_shown(capsys: pytest.CaptureFixture[str], folder: Path, farm: Farm) -> None:
    shown = " ".join(asked(capsys, "yields", "--recipe", "straw", "--farm", str(folder)).split())
    assert farm.ask("yields", recipe="straw").headline in shown
    assert shown.index("Stands on") > shown.index("Per unit".casefold())


def test_json_is_the_answer_in_full(capsys: pytest.CaptureFixture[str], folder: Path, farm: Farm) -> None:
    shown = asked(capsys, "yields", "--since", "2026-02-05", "--json", "--farm", str(folder))
    assert json.loads(shown) == farm.ask("yields", since="2026-02-05").as_dict()


def test_pages_and_papers_are_written(capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path) -> None:
    page, paper = tmp_path / "a.html", tmp_path / "a.pdf"
    shown = asked(capsys, "yields", "--page", str(page), "--pdf", str(paper), "--farm", str(folder))
    assert shown.count("Written:") == 2
    assert Read(page.read_text(encoding="utf-8")).faults == []
    assert paper.read_bytes().startswith(b"%PDF")


def test_a_question_that_is_not_there_is_answered_with_those_that_are(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(NoSuchQuestion, match="yields"):
        asked(capsys, "weather")


def test_a_question_is_loaded_only_when_it_is_asked() -> None:
    program = (
        "import sys; from pinset.faces.cli import asking; "
        "print([m for m in sys.modules if m.startswith('pinset.questions.') and not m.endswith(('answer', 'catalogue'))"
        " or m in ('numpy', 'scipy', 'rich', 'starlette', 'typst', 'vl_convert')])"
    )
    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    assert loaded.strip() in ("[]", "['pinset.questions._words']")


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.5", "::", "farm.example"])
def test_pages_are_shown_to_this_machine_alone(host: str, folder: Path) -> None:
    with pytest.raises(OnlyThisMachine, match="accounts"):
        serve(host=host, farm=folder)


@pytest.mark.skipif(os.name != "posix", reason="stops the server as Ctrl-C does, which other systems do otherwise")
def test_the_pages_are_served_until_they_are_stopped(folder: Path) -> None:
    command = [sys.executable, "-m", "pinset", "serve", "--port", "0", "--farm", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        try:
            assert running.stdout is not None
            line = running.stdout.readline()
            address = next(word for word in line.split() if word.startswith("http://127.0.0.1:"))
            assert _page(f"{address}batches").startswith("<!doctype html>")
            port = address.rstrip("/").rpartition(":")[2]
            second = [*command[:4], "--port", port, "--farm", str(folder)]
            taken = subprocess.run(second, capture_output=True, text=True, check=False)
            assert (taken.returncode, f"Try --port {int(port) + 1}" in taken.stderr) == (2, True)
        finally:
            running.send_signal(signal.SIGINT)
            running.wait(20)
        assert running.returncode in (0, 130)
        assert running.stderr is not None
        assert "Traceback" not in running.stderr.read()


def _page(address: str) -> str:
    for _ in range(100):
        try:
            return httpx.get(address, trust_env=False).text
        except httpx.ConnectError:
            time.sleep(0.1)
    raise AssertionError(f"nothing answers at {address}")
