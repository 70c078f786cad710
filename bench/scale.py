"""A large farm: 250,000 units, 1,000,000 checks and 500,000 picks, noted through the door that every note goes through.

Measured on it: one note more, the ledger made again, a page of batches asked for by eight clients at once over
loopback, and what serving it takes of memory and disk. The numbers in the notes are invented.
"""

from __future__ import annotations

import http.client
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median, quantiles
from typing import Final

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bench.row import Row, print_rows
from pinset.farm import Farm
from pinset.journal.codes import new_id, unit_code
from pinset.journal.entry import Entry

BATCHES, UNITS, CHECKS, PICKS = 2_500, 100, 4, 2  # units of a batch, and checks and picks of a unit
AT_ONCE: Final = 5_000
DAY_SECONDS: Final = 86_400
NOTES: Final = 100
CLIENTS: Final = 8
PAGES: Final = 200  # asked for by each client
NOTE_MS, REBUILD, PAGE_MS, MEMORY_MB = 20.0, 20_000, 50.0, 500.0
FIRST_S, ANSWERS_S = 3.0, 300.0


def rows(part: int = 1) -> Iterator[Row]:
    """The large farm measured; with ``part``, one of so many parts of it."""
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        home = Path(folder) / "farm"
        with Farm.start(home, "Large farm", zone="Europe/Vienna") as farm:
            count, seconds = _fill(farm, BATCHES // part)
            yield Row("scale, filled", f"{count / seconds:,.0f}/s", f"{count:,} entries", 1.0, "", True)
            yield _note_row(farm, Path(folder) / "raw")
            yield _rebuild_row(farm)
            size = farm.store.size() / 1e6
            words = f"{size / count * 1000:.2f} kB an entry with its rows"
            yield Row("scale, file", f"{size:,.0f} MB", words, size / count * 1000, "< 2", size / count < 0.002)
        yield from _served_rows(home)


def _entries(farm: Farm, batches: int) -> Iterator[Entry]:
    """A farm's notes, batch by batch, a few each hour of three years."""
    for batch in range(batches):
        code, day = f"B{batch:05d}", batch // 3
        yield _entry(farm, "make", day, {"batch": code, "units": UNITS, "fill_mg": 2_000_000, "room": "Room 1"})
        for unit in range(1, UNITS + 1):
            about = {"units": [unit_code(code, unit)]}
            for check in range(CHECKS):
                yield _entry(farm, "check", day + 5 * check, {**about, "run": (check + 1) / CHECKS})
            for pick in range(PICKS):
                grams = 200 + (batch * 7 + unit * 13 + pick * 29) % 200
                yield _entry(farm, "pick", day + 25 + 10 * pick, {
                    **about, "weight_mg": grams * 1000, "flush": pick + 1,
                })  # fmt: skip


def _entry(farm: Farm, kind: str, day: int, body: dict[str, object]) -> Entry:
    at = time.strftime("%Y-%m-%dT12:00:00Z", time.gmtime(1_650_000_000 + day * DAY_SECONDS))
    return Entry(new_id(), farm.settings.id, kind, at, at, "grower", body)


def _fill(farm: Farm, batches: int) -> tuple[int, float]:
    some: list[Entry] = []
    count, seconds = 0, 0.0
    for entry in _entries(farm, batches):
        some.append(entry)
        if len(some) == AT_ONCE:
            count, seconds, some = count + len(some), seconds + _kept(farm, some), []
    return count + len(some), seconds + _kept(farm, some)


def _kept(farm: Farm, entries: list[Entry]) -> float:
    began = time.perf_counter()
    outcomes = farm.keep(entries)
    seconds = time.perf_counter() - began
    assert all(one.word == "kept" for one in outcomes)
    return seconds


def _note_row(farm: Farm, raw: Path) -> Row:
    ours, disk = [], []
    words = os.urandom(600)
    with raw.open("wb") as written:
        for n in range(NOTES):
            began = time.perf_counter()
            farm.note("pick", {"unit": "B00001-01", "weight": f"0.{n + 100}kg"}, at="2026-03-02")
            ours.append((time.perf_counter() - began) * 1000)
            began = time.perf_counter()
            written.write(words)
            written.flush()
            os.fsync(written.fileno())
            disk.append((time.perf_counter() - began) * 1000)
    middle = median(ours)
    peer = f"one write and fsync: {median(disk):.2f} ms; allowed {NOTE_MS:.0f} ms"
    return Row("scale, a note", f"{middle:.2f} ms", peer, middle / NOTE_MS, "< 1", middle < NOTE_MS)


def _rebuild_row(farm: Farm) -> Row:
    began = time.perf_counter()
    rate = farm.rebuild() / (time.perf_counter() - began)
    return Row("scale, rebuild", f"{rate:,.0f}/s", f"asked for: {REBUILD:,}/s", rate / REBUILD, ">= 1", rate >= REBUILD)


@dataclass(frozen=True, slots=True)
class Server:
    """Pages served by a process of their own."""

    port: int
    process: int

    def connect(self) -> http.client.HTTPConnection:
        """A connection to it."""
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=600)

    def read(self, path: str, connection: http.client.HTTPConnection | None = None) -> bytes:
        """A page."""
        asked = connection or self.connect()
        asked.request("GET", path)
        answer = asked.getresponse()
        body = answer.read()
        assert answer.status == 200 and b"</html>" in body
        if connection is None:
            asked.close()
        return body

    def get(self, path: str, connection: http.client.HTTPConnection | None = None) -> float:
        """Ask for a page; returns the milliseconds that it took."""
        began = time.perf_counter()
        self.read(path, connection)
        return (time.perf_counter() - began) * 1000

    def peak_mb(self) -> float:
        """The most memory that the process has held at once."""
        return _peak_mb(self.process)

    def helpers_mb(self) -> float:
        """The most memory that one of its helpers, as they are now, has held at once."""
        lists = Path(f"/proc/{self.process}/task").glob("*/children")
        return max((_peak_mb(int(word)) for path in lists for word in path.read_text().split()), default=0.0)


def _peak_mb(process: int) -> float:
    """The most memory that a process has held at once; 0 where the system does not tell, or it has just ended."""
    try:
        found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{process}/status").read_text())
    except OSError:
        return 0.0
    return int(found[1]) / 1000 if found else 0.0


@contextmanager
def _serving(home: Path) -> Iterator[Server]:
    words = [sys.executable, "-m", "pinset", "serve", "--port", "0", "--farm", str(home)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            found = re.search(r":(\d+)/ ", process.stdout.readline())
            assert found is not None, "the server did not start"
            yield Server(int(found[1]), process.pid)
        finally:
            # as Ctrl-C does: it ends its helpers too
            process.send_signal(signal.SIGINT if os.name == "posix" else signal.SIGTERM)


def _served_rows(home: Path) -> Iterator[Row]:
    with _serving(home) as server:
        server.get("/batches")
        took = _asked_by_many(server, "/batches")
        late = quantiles(took, n=20)[-1]
        peer = f"median {median(took):.1f} ms, {CLIENTS} clients; allowed {PAGE_MS:.0f} ms"
        yield Row("scale, page of batches, p95", f"{late:.1f} ms", peer, late / PAGE_MS, "< 1", late < PAGE_MS)
        first = server.get("/") / 1000
        words = f"allowed {FIRST_S:.0f} s"
        yield Row("scale, first page", f"{first:.2f} s", words, first / FIRST_S, "< 1", first < FIRST_S)
        every, helper = _until_answered(server)
        words = f"beside the pages, by helpers of {helper:.0f} MB; allowed {ANSWERS_S:.0f} s"
        yield Row("scale, every answer", f"{every:.0f} s", words, every / ANSWERS_S, "< 1", every < ANSWERS_S)
        peak = server.peak_mb()
        words = f"allowed {MEMORY_MB:.0f} MB"
        yield Row("scale, memory of serve", f"{peak:.0f} MB", words, peak / MEMORY_MB, "< 1", peak < MEMORY_MB)


def _until_answered(server: Server) -> tuple[float, float]:
    """Seconds until the first page has all its answers, and the most memory of a helper meanwhile."""
    began, most = time.perf_counter(), 0.0
    while b"being worked out" in server.read("/") and time.perf_counter() - began < ANSWERS_S * 2:
        most = max(most, server.helpers_mb())
        time.sleep(0.2)
    return time.perf_counter() - began, most


def _asked_by_many(server: Server, path: str) -> list[float]:
    took: list[float] = []

    def ask(first: int) -> None:
        connection = server.connect()
        some = [server.get(f"{path}?leaf={one % 50 + 1}", connection) for one in range(first, first + PAGES)]
        connection.close()
        took.extend(some)

    clients = [threading.Thread(target=ask, args=(number * 7,)) for number in range(CLIENTS)]
    for client in clients:
        client.start()
    for client in clients:
        client.join()
    assert len(took) == CLIENTS * PAGES
    return took


if __name__ == "__main__":
    print_rows(rows(int(sys.argv[1]) if sys.argv[1:] else 1))
