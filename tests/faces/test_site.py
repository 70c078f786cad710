"""The pages over real HTTP: every address, what it says, and the rules that it sends along."""

from __future__ import annotations

from urllib.parse import quote, urlsplit

import httpx
import pytest

from pinset.faces.web.guard import HEADERS, Guard
from pinset.faces.web.site import site
from pinset.farm import Farm
from pinset.questions.catalogue import NoSuchOption, Question, names
from tests.faces import farms
from tests.faces.markup import Read
from tests.faces.serving import visited

UNSAFE = quote(farms.UNSAFE, safe="")
LOT = quote(farms.ODD_LOT, safe="")
ADDRESSES = [
    "/", "/batches", "/batches?recipe=straw&code=KB", "/batches?leaf=999", "/units", "/units?batch=KB001", "/lots",
    "/lots?what=spawn", "/batch/KB001", f"/batch/{UNSAFE}", "/unit/KB001-04", f"/lot/{LOT}", "/lot/P-1", "/ask",
    "/ask/yields", "/ask/yields?since=2026-02-05&recipe=straw",
]  # fmt: skip
SORRY = {
    "/nowhere": 404, "/batch/KB999": 404, "/unit/kb001-1": 404, "/lot/zzz": 404, "/entry/none": 404,
    "/ask/weather": 404,
    "/ask/yields?since=yesterday": 400, "/ask/yields?colour=red": 400, "/ask/yields.json?since=yesterday": 400,
    f"/batch/{UNSAFE}x": 404, f"/ask/{UNSAFE}": 404, f"/ask/yields?{UNSAFE}=1": 400, f"/ask/yields?since={UNSAFE}": 400,
    "/typeface/Italic.ttf": 404,
}  # fmt: skip


def read(client: httpx.Client, address: str, status: int = 200) -> Read:
    answer = client.get(address)
    assert answer.status_code == status, address
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return Read(answer.text)


@pytest.mark.parametrize("path", [*ADDRESSES, *SORRY])
def test_a_page_is_well_formed_and_needs_neither_script_nor_inner_style(client: httpx.Client, path: str) -> None:
    page = read(client, path, SORRY.get(path, 200))
    assert page.faults == []
    assert (page.tags["h1"], page.tags["main"], page.tags["script"], page.tags["style"]) == (1, 1, 0, 0)
    forbidden = [(tag, name) for tag, name, _ in page.attributes if name == "style" or name.startswith("on")]
    assert forbidden == []
    assert not [link for link in page.links if link.casefold().startswith(("javascript:", "data:", "http", "//"))]


@pytest.mark.parametrize("path", [*ADDRESSES, *SORRY, "/pinset.css", "/typeface/Bold.ttf", "/ask/yields.json"])
def test_every_response_carries_the_rules(client: httpx.Client, path: str) -> None:
    headers = client.get(path).headers
    assert {name: headers.get(name) for name in HEADERS} == HEADERS
    policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == policy["object-src"] == "'none'"
    assert (policy["style-src"], policy["form-action"]) == ("'self'", "'self'")
    assert "unsafe" not in headers["content-security-policy"]
    assert "server" not in headers
    assert headers["cache-control"].startswith(("private, no-cache", "public, max-age=31536000, immutable"))


def test_every_link_of_every_page_leads_somewhere(client: httpx.Client) -> None:
    known: set[str] = set()
    ask = ["/"]
    while ask:
        path = ask.pop()
        # entries are alike: a few of them stand for all
        enough = path.startswith("/entry/") and sum(one.startswith("/entry/") for one in known) > 12
        if path in known or enough or urlsplit(path).path.endswith((".pdf", ".json")):
            continue
        known.add(path)
        ask += [link.split("#")[0] for link in read(client, path).links if not link.startswith("#")]
    assert {urlsplit(one).path.split("/")[1] for one in known} == {
        "", "batches", "units", "lots", "ask", "batch", "unit", "lot", "entry",
    }  # fmt: skip


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "192.168.1.5:8420", "localhost.evil.example"]
)
def test_another_name_gets_nothing(client: httpx.Client, host: str) -> None:
    answer = client.get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert "Hollow" not in answer.text
    assert answer.headers["content-security-policy"] == HEADERS["Content-Security-Policy"]


@pytest.mark.parametrize("host", ["localhost", "localhost:9", "[::1]:8420", "LOCALHOST", "farm.localhost"])
def test_the_names_of_this_machine_are_answered(client: httpx.Client, host: str) -> None:
    assert client.get("/ask", headers={"Host": host}).status_code == 200


def test_a_name_it_was_started_for_is_answered(farm: Farm) -> None:
    with visited(site(farm, ["Farm.Example"])) as client:
        assert client.get("/ask", headers={"Host": "farm.example:8420"}).status_code == 200
        assert client.get("/ask", headers={"Host": "other.example"}).status_code == 421


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_pages_only_show(client: httpx.Client, method: str) -> None:
    answer = client.request(method, "/batches")
    assert answer.status_code == 405
    assert "These pages only show the record." in Read(answer.text).words


def test_the_first_page_says_what_is_on_record_and_what_was_asked(client: httpx.Client, farm: Farm) -> None:
    page = read(client, "/").words
    assert "13 batches with 49 units on record" in page
    assert farm.ask("yields").headline in page
    assert "Picked 0.311\xa0kg from KB001-01".replace("\xa0", " ") in page


def test_a_batch_shows_its_units_its_spawn_and_what_was_noted(client: httpx.Client) -> None:
    page = read(client, "/batch/KB001")
    assert "4 bags of 2.2 kg, made on 2 February 2026, gave 1.334 kg; 1 thrown out." in page.words
    assert f"/lot/{LOT}" in page.links
    assert {f"/unit/KB001-0{n}" for n in range(1, 5)} <= set(page.links)
    assert "Moved KB001 to Fruit 1" in page.words
    assert "Door left open all night." in page.words


def test_a_batch_counts_what_was_thrown_out_by_unit_and_as_a_whole(tmp_path_factory: pytest.TempPathFactory) -> None:
    with Farm.start(tmp_path_factory.mktemp("culled"), "Culled") as farm, visited(site(farm)) as client:
        farm.note("make", {"batch": "A", "units": "6"}, "2026-03-01")
        assert "6 units, made on 1 March 2026, nothing picked yet." in read(client, "/batch/A").words
        farm.note("cull", {"unit": "A-01", "reason": "contaminated"}, "2026-03-05")
        farm.note("cull", {"batch": "A", "number": "2", "reason": "stalled"}, "2026-03-20")
        assert "nothing picked yet; 3 thrown out." in read(client, "/batch/A").words


def test_a_batch_weight_that_repeats_its_units_is_counted_once(farm: Farm, tmp_path: object) -> None:
    from pathlib import Path

    from pinset.faces.web.lists import picked_mg
    from pinset.faces.web.record import opened

    assert isinstance(tmp_path, Path)
    with Farm.start(tmp_path, "Two scales") as other:
        other.note("make", {"batch": "A", "units": "2", "fill": "2 kg"}, "2026-03-01")
        for kind, said, at in (
            ("pick", {"unit": "A-01", "weight": "0.3 kg"}, "2026-03-20"),
            ("pick", {"unit": "A-02", "weight": "0.2 kg"}, "2026-03-20"),
            ("pick", {"batch": "A", "weight": "0.505 kg"}, "2026-03-20"),
            ("pick", {"batch": "A", "weight": "0.4 kg"}, "2026-04-02"),
        ):
            other.note(kind, said, at)
        with opened(other) as record:
            assert picked_mg(record, ["A"]) == {"A": 900_000}
            (batch,) = other.ask("yields").table("batches").rows
            assert 0.9 in batch


def test_a_unit_shows_what_was_seen_of_it(client: httpx.Client) -> None:
    page = read(client, "/unit/KB001-04").words
    assert "thrown out on 5 March 2026: contaminated." in page
    assert "green mould or green spots" in page
    assert "stands in Fruit 1" in page


def test_a_lot_leads_to_its_parents_and_its_children(client: httpx.Client) -> None:
    page = read(client, f"/lot/{LOT}")
    assert {"/lot/C-01", "/lot/RYE-7", "/batch/KB001", "/batch/KB012"} <= set(page.links)
    assert "/batch/KB001" in read(client, "/lot/P-1").links


def test_an_entry_shows_the_history_of_its_corrections(client: httpx.Client, farm: Farm) -> None:
    ids = farms.entry_ids(farm)
    old = read(client, f"/entry/{ids['corrected']}")
    assert "This was corrected since." in old.words
    (newer,) = {link for link in old.links if link.startswith("/entry/")} - {f"/entry/{ids['corrected']}"}
    new = read(client, newer)
    assert "This is in force." in new.words
    assert "Its corrections" in new.words


@pytest.mark.parametrize("kind", ["define", "receive", "draw", "make", "check", "move", "pick", "cull", "pack",
                                  "dispatch", "note"])  # fmt: skip
def test_every_kind_of_entry_is_told_in_words(client: httpx.Client, farm: Farm, kind: str) -> None:
    page = read(client, f"/entry/{farms.entry_ids(farm)[kind]}")
    assert page.faults == []
    assert "_mg" not in page.words
    assert "{" not in page.words


def test_lists_are_narrowed_and_leafed_through(client: httpx.Client) -> None:
    assert "6 of 13 batches match." in read(client, "/batches?recipe=straw").words
    assert "3 of 13 batches match." in read(client, "/batches?code=KB01").words
    assert "4 of 49 units match." in read(client, "/units?batch=KB001").words
    assert "No" not in read(client, "/lots").words.split()
    assert "0 of 13 batches match." in read(client, "/batches?code=%25").words


def test_long_lists_come_in_leaves(tmp_path_factory: pytest.TempPathFactory) -> None:
    with Farm.start(tmp_path_factory.mktemp("long"), "Long list") as farm:
        farm.note("make", {"batch": "A", "units": "120"}, "2026-03-01")
        with visited(site(farm)) as client:
            first, last = read(client, "/units?arm=&leaf=1"), read(client, "/units?leaf=3")
            assert "Page 1 of 3" in first.words
            assert [link for link in first.links if "leaf=" in link] == ["/units?leaf=2"]
            assert [link for link in last.links if "leaf=" in link] == ["/units?leaf=2"]
            assert sum(link.startswith("/unit/") for link in last.links) == 20
            for odd in ("0", "-1", "x", "99999999999999999999", "１"):
                assert client.get(f"/units?leaf={odd}").status_code == 200


def test_a_code_that_is_nearly_right_is_helped_on(client: httpx.Client) -> None:
    page = read(client, "/unit/kb001-1", 404)
    assert "There is no unit kb001-1 on record." in page.words
    assert "/unit/KB001-01" in page.links
    assert "/ask/yields" in read(client, "/ask/weather", 404).links


def test_the_form_offers_what_is_on_record_and_keeps_what_was_chosen(client: httpx.Client) -> None:
    page = client.get("/ask/yields?recipe=straw&since=2026-02-05").text
    assert "<option selected>straw</option>" in page
    assert 'name="since" type="date" value="2026-02-05"' in page
    assert "<details open>" in page
    assert "<details>" in client.get("/ask/yields").text


def test_the_json_twin_is_the_answer(client: httpx.Client, farm: Farm) -> None:
    answer = client.get("/ask/yields.json?recipe=straw")
    assert answer.headers["content-type"] == "application/json"
    assert answer.json() == farm.ask("yields", recipe="straw").as_dict()


def test_the_paper_twin_is_a_pdf(client: httpx.Client) -> None:
    answer = client.get("/ask/yields.pdf?recipe=straw")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")
    assert 'filename="yields.pdf"' in answer.headers["content-disposition"]


@pytest.mark.parametrize("name", names())
def test_every_question_there_is_has_its_page(client: httpx.Client, name: str) -> None:
    page = read(client, f"/ask/{name}")
    assert page.faults == []
    assert page.words


def test_an_answer_is_worked_out_once_until_something_is_noted(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    worked: list[str] = []
    answer = Question.answer

    def counting(self: Question, *given: object, **options: object) -> object:
        worked.append(self.name)
        return answer(self, *given, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(Question, "answer", counting)
    with Farm.start(tmp_path_factory.mktemp("kept"), "Kept") as farm:
        farm.note("make", {"batch": "A", "units": "2", "fill": "2 kg"}, "2026-03-01")
        with visited(site(farm)) as client:
            for _ in range(3):
                client.get("/ask/yields")
            client.get("/ask/yields?recipe=")
            assert worked == ["yields"]
            client.get("/ask/yields?since=2026-01-01")
            assert worked == ["yields"] * 2
            farm.note("pick", {"batch": "A", "weight": "0.4 kg"}, "2026-03-20")
            assert "0.4" in Read(client.get("/ask/yields").text).words
            assert worked == ["yields"] * 3


def test_what_a_question_lacks_is_said_as_a_sentence(
    farm: Farm, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def lacks(self: Question, *given: object, **options: object) -> object:
        raise NoSuchOption("needed the name of a trial; none is on record")

    monkeypatch.setattr(Question, "answer", lacks)
    with visited(site(farm)) as client:
        assert "Needed the name of a trial; none is on record." in read(client, "/ask/yields", 400).words
        assert "Needed the name of a trial; none is on record." in read(client, "/").words
        assert client.get("/ask/yields.json").status_code == 400
        assert client.get("/ask/yields.pdf").status_code == 400
    assert caplog.records == []


def test_a_fault_of_the_program_is_said_in_plain_words_and_kept_to_ourselves(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(self: Question, *given: object, **options: object) -> object:
        raise ZeroDivisionError("secret 4711")

    monkeypatch.setattr(Question, "answer", breaks)
    with visited(site(farm)) as client:
        broken = client.get("/ask/yields")
        assert broken.status_code == 500
        assert "Something went wrong in pinset." in Read(broken.text).words
        assert "4711" not in broken.text
        assert {name: broken.headers.get(name) for name in HEADERS} == HEADERS
        first = client.get("/")
        assert first.status_code == 200
        assert "4711" not in first.text


def test_an_empty_record_says_how_to_begin(tmp_path_factory: pytest.TempPathFactory) -> None:
    farm = Farm.start(tmp_path_factory.mktemp("empty"), "New farm")
    with farm, visited(site(farm)) as client:
        assert "pinset take FILE" in read(client, "/").words
        assert "No batch on record yet." in read(client, "/batches").words


def test_the_guard_lets_what_is_not_http_pass(farm: Farm) -> None:
    assert isinstance(site(farm), Guard)
