"""A package that is not whole and sound is refused in a clear sentence, at once, and nothing of it is kept."""

from __future__ import annotations

import hashlib
import io
import json
import stat
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pinset.farm import Farm
from pinset.giving.back import start_from
from pinset.giving.guard import NotAPackage, PackageTooLarge
from pinset.giving.package import DESCRIPTION, write_package
from pinset.journal.store import has_record
from tests.giving.conftest import fill

Parts = dict[str, bytes]
ENTRIES, SETTINGS = "journal/entry.csv", "journal/farm.csv"


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good")
    with Farm.start(folder / "farm", "Trial farm", "EUR", "Europe/Vienna", ",") as farm:
        fill(farm)
        return write_package(farm, folder / "all.zip").path


@pytest.fixture
def parts(good: Path) -> Parts:
    with zipfile.ZipFile(good) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _packed(parts: Parts, path: Path, hashes: bool = True) -> Path:
    """Pack parts again; with ``hashes`` they are told anew, so that what is wrong is not found by them alone."""
    described = json.loads(parts[DESCRIPTION])
    if hashes:
        for one in described["resources"]:
            if one["path"] in parts:
                one["hash"] = "sha256:" + hashlib.sha256(parts[one["path"]]).hexdigest()
        parts = parts | {DESCRIPTION: json.dumps(described).encode()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return path


def _refused(path: Path, match: str, fault: type[Exception] = NotAPackage) -> None:
    home = path.parent / "again"
    began = time.monotonic()
    with pytest.raises(fault, match=match) as told:
        start_from(path, home)
    assert time.monotonic() - began < 10
    assert path.name in str(told.value)
    assert "othing was changed" in str(told.value)
    assert not has_record(home)
    assert not home.exists() or not [*home.iterdir()]


def _with(old: bytes, new: bytes, name: str = ENTRIES) -> Callable[[Parts], Parts]:
    def changed(parts: Parts) -> Parts:
        assert old in parts[name]
        return parts | {name: parts[name].replace(old, new, 1)}

    return changed


BROKEN: dict[str, tuple[Callable[[Parts], Parts], str]] = {
    "a changed weight": (_with(b"331000", b"331001"), "a chain of entries that holds"),
    "another farm's name": (_with(b"Trial farm", b"Other farm", SETTINGS), "a chain of entries that holds"),
    "a head that is not it": (_with(b"\r\n", b"0\r\n", SETTINGS), "the columns id, name"),
    "a negative count": (_with(b",18,", b",-18,", SETTINGS), "a chain of entries that holds"),
    "words for a number": (_with(b",2,", b",two,", SETTINGS), "a whole number in journal/farm.csv, row 2, minor_dig"),
    "a number beyond all": (_with(b",2,", b",99999999999999999999,", SETTINGS), "a whole number"),
    "no such zone": (_with(b"Europe/Vienna", b"Europe/../etc", SETTINGS), "settings that a farm can have"),
    "no such kind": (_with(b",define,", b",divine,"), "an entry in journal/entry.csv, place 1"),
    "a body that is no JSON": (_with(b'"{""amount', b'"{{""amount'), "place 1"),
    "a body that is a list": (_with(b'"{""amount', b'[]#"{""amount'), "place 1|damaged file"),
    "an entry of another farm": (
        lambda parts: parts | {ENTRIES: parts[ENTRIES].replace(b"\r\n0", b"\r\nf0", 1)}, "the rows of Trial farm alone",
    ),
    "a doubled entry": (
        lambda parts: parts | {ENTRIES: parts[ENTRIES] + parts[ENTRIES].split(b"\r\n")[-2] + b"\r\n"},
        "each row once in journal/entry.csv",
    ),
    "a missing entry": (
        lambda parts: parts | {ENTRIES: parts[ENTRIES].rpartition(b"\r\n0")[0] + b"\r\n"}, "a chain of entries",
    ),
    "a column too few": (_with(b",place,", b","), "the columns farm, place"),
    "a value too many": (lambda parts: parts | {ENTRIES: parts[ENTRIES] + b"a,b\r\n"}, "15 values .* row 20"),
    "not UTF-8": (_with(b"Trial farm", b"Tri\xffal", SETTINGS), "damaged file"),
    "a NUL": (_with(b"grower", b"gro\0wer"), "place 1|damaged file"),
    "a cell of megabytes": (_with(b"grower", b'"' + b"x" * 21_000_000 + b'"'), "field larger than field limit"),
    "no entries at all": (lambda parts: {k: v for k, v in parts.items() if k != ENTRIES}, "a package without it"),
    "no description": (lambda parts: {**parts, DESCRIPTION: b'{"resources": []}'}, "another content"),
    "two farms": (lambda parts: parts | {SETTINGS: parts[SETTINGS] * 2}, "a whole number|settings of one farm"),
    "no settings": (lambda parts: parts | {SETTINGS: parts[SETTINGS].split(b"\r\n")[0]}, "those of 0"),
    "another ledger": (
        lambda parts: parts | {DESCRIPTION: parts[DESCRIPTION].replace(b'"fingerprint": "', b'"fingerprint": "0')},
        "the ledger that was given",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_a_package_with_it_is_refused(name: str, parts: Parts, tmp_path: Path) -> None:
    change, match = BROKEN[name]
    changed = change(parts)
    assert changed != parts
    _refused(_packed(changed, tmp_path / "bad.zip"), match)


def test_the_same_parts_packed_again_are_taken(parts: Parts, tmp_path: Path) -> None:
    with start_from(_packed(parts, tmp_path / "good.zip"), tmp_path / "again") as farm:
        assert farm.verify() == []


def test_a_change_is_found_by_its_hash_too(parts: Parts, tmp_path: Path) -> None:
    changed = _with(b"July.xlsx", b"June.xlsx", "journal/aside.csv")(parts)
    _refused(_packed(changed, tmp_path / "bad.zip", hashes=False), "as datapackage.json has it")


@pytest.mark.parametrize("name", ["/etc/farm.csv", "../farm.csv", "journal/../../x", "C:\\farm.csv", "a\\..\\b"])
def test_paths_that_lead_elsewhere_are_refused(name: str, parts: Parts, tmp_path: Path) -> None:
    _refused(_packed(parts | {name: b"x"}, tmp_path / "bad.zip"), "leads elsewhere")


def test_links_are_refused(parts: Parts, tmp_path: Path) -> None:
    path = _packed(parts, tmp_path / "bad.zip")
    link = zipfile.ZipInfo("journal/link.csv")
    link.create_system, link.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr(link, "/etc/passwd")
    _refused(path, "a link")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_part_that_is_there_twice_is_refused(parts: Parts, tmp_path: Path) -> None:
    path = _packed(parts, tmp_path / "bad.zip")
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr(SETTINGS, parts[SETTINGS])
    _refused(path, "several times")


def test_a_bomb_is_not_unpacked(parts: Parts, tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open(ENTRIES, "w") as raw:
        for _ in range(60):
            raw.write(bytes(1_000_000))
    _refused(path, "200 times its size", PackageTooLarge)


def test_a_part_that_says_it_is_huge_is_not_unpacked(good: Path, tmp_path: Path) -> None:
    data = bytearray(good.read_bytes())
    at = data.rindex(b"PK\x01\x02")  # the last part in the list of parts; its size is 24 bytes on
    data[at + 24 : at + 28] = b"\xfe\xff\xff\xff"
    (tmp_path / "bad.zip").write_bytes(data)
    _refused(tmp_path / "bad.zip", "200 times its size", PackageTooLarge)


def test_very_many_parts_are_refused(parts: Parts, tmp_path: Path) -> None:
    many = {f"x{n}.csv": b"" for n in range(300)}
    _refused(_packed(parts | many, tmp_path / "bad.zip"), "200 parts", PackageTooLarge)


def _damaged(good: bytes) -> Iterator[bytes]:
    yield b""
    yield b"not a zip at all"
    yield good[: len(good) // 2]
    yield good[100:]
    middle = len(good) // 2
    yield good[:middle] + bytes(64) + good[middle + 64 :]


@pytest.mark.parametrize("number", range(5))
def test_a_damaged_file_is_refused(number: int, good: Path, tmp_path: Path) -> None:
    path = tmp_path / "bad.zip"
    path.write_bytes([*_damaged(good.read_bytes())][number])
    _refused(path, "whole package|as datapackage.json has it|a package that pinset made")


def test_a_package_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        start_from(tmp_path / "none.zip", tmp_path / "again")


def test_a_folder_with_a_record_is_left_as_it_is(good: Path, tmp_path: Path) -> None:
    with Farm.start(tmp_path / "here", "Here") as farm:
        farm.note("work", {"task": "picking", "minutes": "5"})
    with pytest.raises(FileExistsError, match="nothing was changed"):
        start_from(good, tmp_path / "here")
    with Farm.open(tmp_path / "here") as farm:
        assert farm.settings.name == "Here"


def test_a_workbook_is_not_taken_for_a_package(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("xl/workbook.xml", "<x/>")
    (tmp_path / "book.zip").write_bytes(buffer.getvalue())
    _refused(tmp_path / "book.zip", "a package with its datapackage.json")
