#!/usr/bin/env python3
"""Sets up pinset in this folder and runs it. Needs 64-bit Python 3.11 or later, and nothing else.

python3 go.py demo [FOLDER]     an invented farm, from its messy notes to answers
python3 go.py run COMMAND ...   any pinset command, such as: python3 go.py run ask yields
python3 go.py test [ARG ...]    the tests; what follows goes to pytest
python3 go.py check             format, lint, types and the import contract
python3 go.py bench [NAME ...]  speed beside peers, as ratios
"""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    Words = Sequence[str | Path]

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
CONSTRAINTS = ROOT / "constraints.txt"
OLDEST_PYTHON = (3, 11)
PYTHON = "py" if os.name == "nt" else "python3"
PATIENCE_SECONDS = 20
TAIL_LINES = 15
PARTS_FOR = {"running": ["--editable", "."], "testing": ["--editable", ".", "--group", "dev"]}
CHECKS = {
    "format": ("ruff", "format", "--check", "."),
    "lint": ("ruff", "check", "."),
    "types": ("mypy",),
    "import contract": ("lint-imports", "--no-logo"),
}
MEND_FOLDER = "put the project into a folder of your own, then the same command again"
MEND_NETWORK = "see that this machine is on the network, then the same command again; what has come already stays"


class NotReady(Exception):
    """Something that the set-up needs is not there: what was needed, what came instead, and how to mend it."""

    def __init__(self, needed: str, came: str, mend: str) -> None:
        tail = came.strip().splitlines()[-TAIL_LINES:]
        super().__init__("\n".join((f"needed: {needed}", "came:   " + "\n        ".join(tail), f"mend:   {mend}")))


class Part(NamedTuple):
    """Programs that some tests need and pip cannot bring. The first of the Debian packages brings the program."""

    what: str
    tests: str
    programs: tuple[str, ...]
    debian: tuple[str, ...]
    elsewhere: dict[str, str]


BROWSER = Part(
    "a browser",
    "the tests that look at the pages",
    (
        "chromium",
        "chromium-browser",
        "google-chrome",
        "google-chrome-stable",
        "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
        r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    ),
    ("chromium", "libatomic1"),
    {"darwin": "brew install --cask google-chrome", "win32": "winget install Google.Chrome"},
)
R = Part(
    "R with lme4, lmerTest and metafor",
    "the tests that compare our statistics with R's",
    ("Rscript",),
    ("r-base-core", "r-cran-lme4", "r-cran-lmertest", "r-cran-metafor"),
    {
        "darwin": """brew install r && Rscript -e 'install.packages(c("lmerTest", "metafor"))'""",
        "win32": 'winget install RProject.R, then install.packages("lmerTest") in R',
    },
)
PDF_READER = Part(
    "a reader of PDF files",
    "the tests that read the printed papers back",
    ("pdftotext",),
    ("poppler-utils",),
    {"darwin": "brew install poppler", "win32": "winget install oschwartz10612.Poppler"},
)
PROGRAMS = (BROWSER, R, PDF_READER)


def unfit(version: tuple[int, ...], largest: int) -> NotReady | None:
    """Why this Python cannot run pinset, or None."""
    if version < OLDEST_PYTHON:
        newer = next(filter(shutil.which, (f"python3.{minor}" for minor in range(20, 10, -1))), None)
        mend = f"{newer} go.py ..." if newer else "install a newer Python, then call go.py with it"
        return NotReady("Python 3.11 or later", "Python " + ".".join(map(str, version[:3])), mend)
    if largest < 2**32:
        return NotReady("a 64-bit Python", "a 32-bit Python", "install the 64-bit Python for this machine")
    return None


def is_root() -> bool:
    """Whether system packages can be installed without asking anybody."""
    return hasattr(os, "geteuid") and os.geteuid() == 0


def is_debian() -> bool:
    """Whether this is Debian or one of its kin, such as Ubuntu."""
    return all(map(shutil.which, ("apt-get", "dpkg-query")))


def find(part: Part) -> str | None:
    """The path of a part's program, or None."""
    return next(filter(None, map(shutil.which, part.programs)), None)


def missing_packages(part: Part) -> list[str]:
    """The Debian packages of a part that are not installed; a program from elsewhere stands for the first."""
    listing = ["dpkg-query", "--show", "--showformat", "${Package} ${db:Status-Status}\n", *part.debian]
    known = subprocess.run(listing, capture_output=True, text=True, check=False).stdout.splitlines()
    stood_for = part.debian[:1] if find(part) else ()
    return [name for name in part.debian if f"{name} installed" not in known and name not in stood_for]


def how_to_get(part: Part, platform: str = sys.platform) -> str:
    """The command that installs a part on this machine, or on a system of another platform."""
    if is_debian():
        return "sudo apt-get install --no-install-recommends " + " ".join(missing_packages(part) or part.debian)
    return part.elsewhere.get(platform, f"install {part.what} with this system's package manager")


def environment() -> dict[str, str]:
    """What every program started from here is given: UTF-8 on every system, and no questions asked."""
    return {
        **os.environ,
        "PYTHONUTF8": "1",
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
        "DEBIAN_FRONTEND": "noninteractive",
    }


def work(sentence: str, command: Words, needed: str, mend: str) -> None:
    """Say what is being done and do it; the command's own words are shown only if it fails."""
    print(sentence, flush=True)
    started = time.monotonic()
    try:
        process = subprocess.Popen(
            command,
            cwd=ROOT,
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
        )
    except OSError as error:
        raise NotReady(needed, str(error), mend) from error
    with process:
        said = None
        while said is None:
            try:
                said, _ = process.communicate(timeout=PATIENCE_SECONDS)
            except subprocess.TimeoutExpired:
                print(f"  still at it after {time.monotonic() - started:.0f} s", flush=True)
    if process.returncode:
        raise NotReady(needed, said or f"exit code {process.returncode}", mend)


def tool(name: str) -> Path:
    """A program in .venv."""
    return VENV / "Scripts" / f"{name}.exe" if os.name == "nt" else VENV / "bin" / name


def call(*command: str | Path) -> int:
    """Run a program with this terminal as its own; returns its exit code."""
    sys.stdout.flush()
    return subprocess.run(command, env=environment(), check=False).returncode


def hand_over(*command: str | Path) -> int:
    """Become a program, so that it gets every signal itself; where that cannot be, wait for it."""
    if os.name == "posix":
        sys.stdout.flush()
        os.execve(command[0], command, environment())
    return call(*command)


def fingerprint() -> str:
    """What the set-up depends on, as one number: this Python, this folder, and the files that name the parts."""
    files = (ROOT / name for name in ("go.py", "pyproject.toml", "constraints.txt"))
    pieces = [sys.version.encode(), os.fsencode(ROOT), *(each.read_bytes() for each in files)]
    return hashlib.sha256(b"\0".join(pieces)).hexdigest()


def stamp(what_for: str) -> Path:
    """The file that tells what .venv was set up from, for running or for testing."""
    return VENV / f"set-up-for-{what_for}"


def is_set_up(what_for: str) -> bool:
    """Whether nothing has changed since the last set-up."""
    return tool("python").exists() and stamp(what_for).is_file() and stamp(what_for).read_text() == fingerprint()


def venv_fits() -> bool:
    """Whether .venv was made to the end, here, by this Python: its programs hold the path of both."""
    note = VENV / "pyvenv.cfg"
    if not (note.is_file() and tool("python").exists() and tool("uv").exists()):
        return False
    facts = dict(line.partition(" = ")[::2] for line in note.read_text(encoding="utf-8").splitlines())
    return facts.get("command", "").endswith(str(VENV)) and facts.get("version") == sys.version.split()[0]


def apt_install(why: str, packages: Sequence[str]) -> None:
    """Install Debian packages, as root."""
    names = " ".join(packages)
    needed, mend = (
        f"the Debian packages {names}",
        f"apt-get update && apt-get install {names}, then the same command again",
    )
    work(f"{why}. Looking up {names} ...", ["apt-get", "update"], needed, mend)
    install = ["apt-get", "install", "--yes", "--no-install-recommends", *packages]
    work("  and installing it ...", install, needed, mend)


def has(module: str) -> bool:
    """Whether this Python has a module."""
    return importlib.util.find_spec(module) is not None


def see_to_pip() -> None:
    """Debian ships Python without the part that puts pip into an environment; a pip or uv elsewhere will do as well."""
    if has("ensurepip") or has("pip") or shutil.which("uv"):
        return
    package = f"python3.{sys.version_info.minor}-venv"
    if is_root() and is_debian():
        apt_install("Python's own installer is not here", [package])
        importlib.invalidate_caches()
    if not has("ensurepip"):
        mend = f"sudo apt install {package}" if is_debian() else "install pip for this Python"
        raise NotReady(
            "Python's ensurepip, or pip, or uv", "a Python with none of them", f"{mend}, then the same command again"
        )


def make_venv() -> None:
    """Make .venv and put uv into it: with the pip inside it, or with a uv or pip from outside."""
    see_to_pip()
    make: Words = [sys.executable, "-m", "venv", "--clear", *([] if has("ensurepip") else ["--without-pip"]), VENV]
    python = tool("python")
    install: Words
    if has("ensurepip"):
        install = [python, "-m", "pip", "install"]
    elif uv := shutil.which("uv"):
        install = [uv, "pip", "install", "--python", python]
    else:
        install = [sys.executable, "-m", "pip", "--python", python, "install"]
    work("Making the folder .venv for the parts ...", make, f"a folder that can be written: {VENV}", MEND_FOLDER)
    work("Fetching uv, which fetches the rest ...", [*install, "--constraint", CONSTRAINTS, "uv"], "uv", MEND_NETWORK)


def install_parts(purpose: str) -> None:
    """Install pinset, from this folder, and the parts it stands on, in the versions that were tried together."""
    uv_install: Words = [tool("uv"), "pip", "install", "--python", tool("python"), "--constraint", CONSTRAINTS]
    sentence = f"Fetching the parts for {purpose} (some 100 MB the first time; then they stay) ..."
    work(sentence, [*uv_install, *PARTS_FOR[purpose]], "the parts named in pyproject.toml", MEND_NETWORK)


def is_missing(part: Part) -> bool:
    """Whether a part, or one of the packages that go with it, is not here."""
    return bool(missing_packages(part)) if is_debian() else find(part) is None


def bring_programs() -> None:
    """Install the programs that pip cannot bring, or say how; without them some tests are skipped."""
    for part in filter(is_missing, PROGRAMS):
        how = f"To have it: {how_to_get(part)}"
        if is_root() and is_debian():
            try:
                apt_install(f"{part.what} is not here", missing_packages(part))
                continue
            except NotReady as problem:
                how = str(problem)
        print(f"Without {part.what}, {part.tests} are skipped.\n{how}", flush=True)


def set_up(purpose: str) -> None:
    """Make .venv ready for running or testing; does nothing when nothing has changed."""
    if is_set_up(purpose):
        return
    if problem := unfit(sys.version_info[:3], sys.maxsize):
        raise problem
    started = time.monotonic()
    if not venv_fits():
        make_venv()
    install_parts(purpose)
    for served in {purpose, "running"}:
        stamp(served).write_text(fingerprint(), encoding="utf-8")
    print(f"Set up in {time.monotonic() - started:.0f} s.", flush=True)


def demo(*arguments: str) -> int:
    """An invented farm, from its messy notes to answers, and how its own hints are typed from here."""
    set_up("running")
    code = call(tool("pinset"), "demo", *arguments)
    if code == 0:
        print(f"Here these lines begin with `{PYTHON} go.py run` in the place of `pinset`.")
    return code


def run(*arguments: str) -> int:
    """Any pinset command."""
    set_up("running")
    return hand_over(tool("pinset"), *arguments)


def test(*arguments: str) -> int:
    """The tests; the arguments go to pytest."""
    set_up("testing")
    bring_programs()
    os.chdir(ROOT)
    return hand_over(tool("pytest"), *arguments)


def check(*arguments: str) -> int:
    """Format, lint, types and the import contract: all of them, also when one fails."""
    set_up("testing")
    os.chdir(ROOT)
    failed = [name for name, (program, *rest) in CHECKS.items() if call(tool(program), *rest)]
    print(f"To mend: {', '.join(failed)}." if failed else "Format, lint, types and imports are in order.")
    return len(failed)


def bench(*names: str) -> int:
    """Speed beside peers: the files of bench/, each in a process of its own."""
    there = sorted(path.stem for path in (ROOT / "bench").glob("*.py") if path.stem not in ("__init__", "row"))
    if unknown := [name for name in names if name not in there]:
        raise NotReady(f"one of: {', '.join(there)}", unknown[0], "name one of these, or none for all")
    set_up("testing")
    os.chdir(ROOT)
    missed = [name for name in names or there if call(tool("python"), "-m", "bench.row", name)]
    print(f"Not as promised: {', '.join(missed)}." if missed else "All as promised.")
    return len(missed)


COMMANDS: dict[str, Callable[..., int]] = {"demo": demo, "run": run, "test": test, "check": check, "bench": bench}


def main(arguments: Sequence[str]) -> int:
    """Do what was asked; returns the exit code."""
    name, *rest = arguments or ["--help"]
    if name in ("-h", "--help", "help"):
        print(__doc__)
        return 0
    if name not in COMMANDS:
        print(
            f"go.py has no command {name!r}. A pinset command: python3 go.py run {name}\n\n{__doc__}", file=sys.stderr
        )
        return 2
    try:
        return COMMANDS[name](*rest)
    except NotReady as problem:
        print(f"This did not work yet.\n{problem}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
