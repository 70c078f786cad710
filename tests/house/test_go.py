"""go.py, the set-up: what it asks of a machine, when it does nothing, and what it says when something is missing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import go

posix_only = pytest.mark.skipif(os.name != "posix", reason="needs a system whose programs can be shell scripts")


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project folder with go.py's own files and nothing set up."""
    root = tmp_path / "a project"
    root.mkdir()
    for name in ("go.py", "pyproject.toml", "constraints.txt"):
        (root / name).write_bytes((go.ROOT / name).read_bytes())
    monkeypatch.setattr(go, "ROOT", root)
    monkeypatch.setattr(go, "VENV", root / ".venv")
    monkeypatch.setattr(go, "CONSTRAINTS", root / "constraints.txt")
    return root


@pytest.fixture
def programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Path]:
    """A PATH of our own: ``programs(name="shell script")`` puts a program on it and returns its folder."""
    folder = tmp_path / "programs"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))

    def put(**scripts: str) -> Path:
        for name, script in scripts.items():
            place(folder / name.replace("_", "-"), script)
        return folder

    return put


def place(path: Path, script: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    path.chmod(0o755)


def made_venv() -> None:
    """What `python -m venv` and pip leave behind, as far as go.py looks at it."""
    for name in ("python", "uv"):
        place(go.tool(name), "exit 0")
    lines = (f"version = {sys.version.split()[0]}", f"command = {sys.executable} -m venv --clear {go.VENV}")
    (go.VENV / "pyvenv.cfg").write_text("\n".join(lines), encoding="utf-8")


class Catch:
    """Stands for the start of a program: keeps what would be called, and gives an exit code."""

    def __init__(self, exit_code: int) -> None:
        self.exit_code = exit_code
        self.calls: list[tuple[str, ...]] = []

    def __call__(self, *words: str | Path) -> int:
        self.calls.append(tuple(map(str, words)))
        return self.exit_code


def test_without_a_command_it_tells_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert go.main([]) == 0
    told = capsys.readouterr().out
    assert all(f"python3 go.py {name}" in told for name in go.COMMANDS)


def test_an_unknown_command_is_refused_and_the_way_to_pinset_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert go.main(["serve"]) == 2
    assert "python3 go.py run serve" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "command"),
    [
        (["run"], ["pinset"]),
        (["run", "ask", "yields", "--json"], ["pinset", "ask", "yields", "--json"]),
        (["test", "-k", "go", "--help"], ["pytest", "-k", "go", "--help"]),
    ],
)
def test_what_follows_a_command_goes_to_its_program(
    words: list[str], command: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    caught = Catch(7)
    monkeypatch.setattr(go, "set_up", lambda purpose: None)
    monkeypatch.setattr(go, "bring_programs", lambda: None)
    monkeypatch.setattr(go, "hand_over", caught)
    assert go.main(words) == 7
    assert [[Path(program).stem, *rest] for program, *rest in caught.calls] == [command]


@pytest.mark.parametrize("exit_code", [0, 2])
def test_after_the_demo_a_newcomer_is_told_how_to_type_its_hints(
    exit_code: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    caught = Catch(exit_code)
    monkeypatch.setattr(go, "set_up", lambda purpose: None)
    monkeypatch.setattr(go, "call", caught)
    assert go.main(["demo", "a farm"]) == exit_code
    assert [[Path(program).stem, *rest] for program, *rest in caught.calls] == [["pinset", "demo", "a farm"]]
    assert ("go.py run" in capsys.readouterr().out) == (exit_code == 0)


def test_every_check_runs_also_when_one_fails(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    caught = Catch(1)
    monkeypatch.setattr(go, "set_up", lambda purpose: None)
    monkeypatch.setattr(go, "call", caught)
    assert go.main(["check"]) == 4
    assert [Path(program).stem for program, *_ in caught.calls] == ["ruff", "ruff", "mypy", "lint-imports"]
    assert "To mend: format, lint, types, import contract." in capsys.readouterr().out


def test_an_unknown_bench_is_refused_before_anything_is_set_up(
    project: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (project / "bench").mkdir()
    for name in ("__init__", "row", "journal", "trial"):
        (project / "bench" / f"{name}.py").touch()
    assert go.main(["bench", "harvest"]) == 1
    assert "needed: one of: journal, trial\ncame:   harvest\n" in capsys.readouterr().err


def test_every_bench_runs_and_the_late_ones_are_named(
    project: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (project / "bench").mkdir()
    for name in ("row", "journal", "trial"):
        (project / "bench" / f"{name}.py").touch()
    caught = Catch(1)
    monkeypatch.setattr(go, "set_up", lambda purpose: None)
    monkeypatch.setattr(go, "call", caught)
    assert go.main(["bench"]) == 2
    assert [words[-1] for words in caught.calls] == ["journal", "trial"]
    assert "Not as promised: journal, trial." in capsys.readouterr().out


@posix_only
def test_a_program_gets_the_arguments_and_gives_its_exit_code(project: Path) -> None:
    made_venv()
    place(go.tool("pinset"), 'echo "$PYTHONUTF8:$1:$2"; exit 3')
    go.stamp("running").write_text(go.fingerprint(), encoding="utf-8")
    words = [sys.executable, str(project / "go.py"), "run", "ask", "a b"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (3, "1:ask:a b\n", "")


@pytest.mark.parametrize("version", [(3, 11, 0), (3, 13, 1), (4, 0, 0)])
def test_a_python_that_fits(version: tuple[int, ...]) -> None:
    assert go.unfit(version, 2**63 - 1) is None


def test_an_old_python_is_told_which_newer_one_is_here(programs: Callable[..., Path]) -> None:
    folder = programs()
    assert "install a newer Python" in str(go.unfit((3, 10, 12), 2**63 - 1))
    place(folder / "python3.12", "exit 0")
    told = str(go.unfit((3, 10, 12), 2**63 - 1))
    assert "came:   Python 3.10.12" in told
    assert "mend:   python3.12 go.py" in told


def test_a_32_bit_python_is_refused() -> None:
    assert "needed: a 64-bit Python" in str(go.unfit((3, 12, 0), 2**31 - 1))


@posix_only
def test_only_packages_that_are_not_installed_are_missing(programs: Callable[..., Path]) -> None:
    programs(apt_get="exit 0", dpkg_query='echo "libatomic1 installed"; echo "chromium config-files"; exit 1')
    assert go.missing_packages(go.BROWSER) == ["chromium"]
    assert go.how_to_get(go.BROWSER) == "sudo apt-get install --no-install-recommends chromium"


@posix_only
def test_a_program_from_elsewhere_stands_for_its_package(programs: Callable[..., Path]) -> None:
    folder = programs(apt_get="exit 0", dpkg_query='echo "libatomic1 installed"', google_chrome="exit 0")
    assert go.find(go.BROWSER) == str(folder / "google-chrome")
    assert go.missing_packages(go.BROWSER) == []
    assert not go.is_missing(go.BROWSER)


@pytest.mark.parametrize(
    ("platform", "how"),
    [
        ("darwin", "brew install --cask google-chrome"),
        ("win32", "winget install Google.Chrome"),
        ("freebsd14", "install a browser with this system's package manager"),
    ],
)
def test_other_systems_are_told_their_own_command(platform: str, how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(go, "is_debian", lambda: False)
    assert go.how_to_get(go.BROWSER, platform) == how


def test_nothing_is_done_when_nothing_has_changed(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    monkeypatch.setattr(go, "make_venv", made_venv)
    monkeypatch.setattr(go, "install_parts", done.append)
    for purpose in ("running", "running", "testing", "testing", "running"):
        go.set_up(purpose)
    assert done == ["running", "testing"]


@pytest.mark.parametrize("name", ["go.py", "pyproject.toml", "constraints.txt"])
def test_a_change_of_what_is_needed_sets_up_again(project: Path, name: str) -> None:
    made_venv()
    go.stamp("testing").write_text(go.fingerprint(), encoding="utf-8")
    assert go.is_set_up("testing")
    assert not go.is_set_up("running")
    with (project / name).open("a", encoding="utf-8") as file:
        file.write("\n")
    assert not go.is_set_up("testing")


def test_an_environment_without_its_python_is_not_set_up(project: Path) -> None:
    made_venv()
    go.stamp("running").write_text(go.fingerprint(), encoding="utf-8")
    go.tool("python").unlink()
    assert not go.is_set_up("running")
    assert not go.venv_fits()


def test_an_environment_serves_this_python_alone(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not go.venv_fits()
    made_venv()
    assert go.venv_fits()
    monkeypatch.setattr(sys, "version", "3.99.0 (main)")
    assert not go.venv_fits()


def test_an_environment_that_was_moved_is_made_again(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made_venv()
    elsewhere = project.rename(project.with_name("moved"))
    monkeypatch.setattr(go, "VENV", elsewhere / ".venv")
    assert go.tool("python").exists()
    assert not go.venv_fits()


def test_an_environment_that_was_cut_short_is_made_again(project: Path) -> None:
    made_venv()
    go.tool("uv").unlink()
    assert not go.venv_fits()


def commands_of(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Catch the commands that the set-up would run."""
    caught: list[list[str]] = []
    monkeypatch.setattr(go, "work", lambda sentence, command, needed, mend: caught.append([*map(str, command)]))
    return caught


def modules(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    monkeypatch.setattr(go, "has", names.__contains__)


def test_uv_comes_with_the_pip_of_the_environment(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    caught = commands_of(monkeypatch)
    modules(monkeypatch, "ensurepip", "pip")
    go.make_venv()
    assert caught == [
        [sys.executable, "-m", "venv", "--clear", str(go.VENV)],
        [str(go.tool("python")), "-m", "pip", "install", "--constraint", str(go.CONSTRAINTS), "uv"],
    ]


@posix_only
def test_without_ensurepip_a_uv_or_a_pip_from_outside_will_do(
    project: Path, programs: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    caught = commands_of(monkeypatch)
    programs()
    modules(monkeypatch, "pip")
    go.make_venv()
    outside_pip = [sys.executable, "-m", "pip", "--python", str(go.tool("python")), "install"]
    assert "--without-pip" in caught[0]
    assert caught[1][: len(outside_pip)] == outside_pip

    uv = programs(uv="exit 0") / "uv"
    modules(monkeypatch)
    go.make_venv()
    assert caught[3][:5] == [str(uv), "pip", "install", "--python", str(go.tool("python"))]


@posix_only
def test_an_ordinary_user_on_debian_is_told_the_package(
    project: Path, programs: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    caught = commands_of(monkeypatch)
    programs(apt_get="exit 0", dpkg_query="exit 0")
    modules(monkeypatch)
    monkeypatch.setattr(go, "is_root", lambda: False)
    with pytest.raises(go.NotReady, match=rf"mend:   sudo apt install python3\.{sys.version_info.minor}-venv, then"):
        go.make_venv()
    assert caught == []


@posix_only
def test_root_on_debian_gets_the_package(
    project: Path, programs: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    caught: list[list[str]] = []
    here: list[str] = []

    def apt(sentence: str, command: list[str], needed: str, mend: str) -> None:
        caught.append(command)
        here.append("ensurepip")

    programs(apt_get="exit 0", dpkg_query="exit 0")
    monkeypatch.setattr(go, "has", here.__contains__)
    monkeypatch.setattr(go, "is_root", lambda: True)
    monkeypatch.setattr(go, "work", apt)
    go.see_to_pip()
    package = f"python3.{sys.version_info.minor}-venv"
    assert caught == [["apt-get", "update"], ["apt-get", "install", "--yes", "--no-install-recommends", package]]


@posix_only
def test_a_program_that_cannot_be_had_stops_nothing(
    project: Path,
    programs: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    programs(apt_get='echo "no such package: $*"; exit 100', dpkg_query="exit 1")
    monkeypatch.setattr(go, "is_root", lambda: True)
    go.bring_programs()
    told = capsys.readouterr().out
    assert "Without a browser, the tests that look at the pages are skipped." in told
    assert "came:   no such package: update" in told
    assert "Without R with lme4" in told


@posix_only
def test_an_ordinary_user_is_told_what_to_install_for_the_tests(
    programs: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    programs(apt_get="exit 9", dpkg_query="exit 1")
    monkeypatch.setattr(go, "is_root", lambda: False)
    go.bring_programs()
    told = capsys.readouterr().out
    assert "sudo apt-get install --no-install-recommends chromium libatomic1\n" in told
    assert "sudo apt-get install --no-install-recommends r-base-core r-cran-lme4 r-cran-lmertest" in told


def python(program: str) -> list[str | Path]:
    return [sys.executable, "-c", program]


def test_work_that_is_done_says_one_sentence(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    go.work("Making it ...", python("print('noise')"), "it", "mend it")
    assert capsys.readouterr().out == "Making it ...\n"


def test_work_that_fails_tells_the_end_of_what_came(project: Path) -> None:
    with pytest.raises(go.NotReady) as failed:
        go.work("Making it ...", python("for n in range(99): print('line', n)\nexit(4)"), "it", "do that")
    assert str(failed.value).startswith("needed: it\ncame:   line 84\n        line 85\n")
    assert str(failed.value).endswith("        line 98\nmend:   do that")


def test_work_whose_program_is_missing_or_silent_is_told_too(project: Path) -> None:
    with pytest.raises(go.NotReady, match=r"No such file|cannot find"):
        go.work("Making it ...", [project / "nothing-here"], "it", "do that")
    with pytest.raises(go.NotReady, match="came:   exit code 4"):
        go.work("Making it ...", python("exit(4)"), "it", "do that")


def test_long_work_shows_that_it_goes_on(
    project: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(go, "PATIENCE_SECONDS", 0.05)
    go.work("Making it ...", python("import time; time.sleep(0.3)"), "it", "do that")
    assert "  still at it after 0 s\n" in capsys.readouterr().out


def test_children_get_utf8_and_no_settings_of_numerical_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    given = go.environment()
    assert given["PYTHONUTF8"] == "1"
    assert given["OMP_NUM_THREADS"] == "3"
    assert "OPENBLAS_NUM_THREADS" not in given
