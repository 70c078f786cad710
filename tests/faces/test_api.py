"""Devices offer entries over HTTP and read what is new; other sites, wrong types and too much are refused."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from jsonschema import Draft202012Validator

from pinset.faces.web.api import MOST_BYTES
from pinset.faces.web.site import site
from pinset.farm import Farm
from pinset.journal.codes import new_id
from pinset.journal.kinds import KINDS
from tests.faces.serving import visited

MOMENT = "2026-03-02T12:30:00+01:00"


@pytest.fixture(scope="module")
def offering(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Farm, httpx.Client]]:
    with Farm.start(tmp_path_factory.mktemp("api"), "Api farm") as farm, visited(site(farm)) as client:
        yield farm, client


def note(**changes: Any) -> dict[str, Any]:
    made = {"id": new_id(), "kind": "note", "at": MOMENT, "noted_at": MOMENT, "by": "Ana", "body": {"text": "ü"}}
    return {**made, **changes}


def batch(*entries: dict[str, Any]) -> dict[str, Any]:
    return {"device": "phone", "client_sent_at": "2026-03-02T11:30:00Z", "entries": list(entries)}


def test_what_is_offered_is_kept_and_read_again(offering: tuple[Farm, httpx.Client]) -> None:
    farm, client = offering
    place = client.get("/api/entries").json()["next"]
    one, wrong = note(), note(body={"text": 7})
    reply = client.post("/api/entries", json=batch(one, wrong, one)).json()
    assert [result["word"] for result in reply["results"]] == ["kept", "refused", "already kept"]
    assert reply["epoch"] == farm.settings.epoch and reply["offset_ms"] > 0
    page = client.get("/api/entries", params={"since": place}).json()
    (told,) = page["entries"]
    assert (told["id"], told["body"], told["device"]) == (one["id"], one["body"], "phone")
    assert client.get("/api/entries", params={"since": page["next"]}).json()["entries"] == []
    assert farm.verify() == []


@pytest.mark.parametrize(("headers", "status"), [
    ({"Content-Type": "text/plain"}, 415),
    ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
    ({"Content-Type": ""}, 415),
    ({"Sec-Fetch-Site": "cross-site"}, 403),
    ({"Sec-Fetch-Site": "same-site"}, 403),
    ({"Origin": "https://elsewhere.example"}, 403),
    ({"Origin": "null"}, 403),
    ({"Host": "elsewhere.example"}, 421),
    ({"Sec-Fetch-Site": "same-origin", "Content-Type": "application/json; charset=utf-8"}, 200),
])  # fmt: skip
def test_only_our_own_pages_and_devices_are_heard(
    offering: tuple[Farm, httpx.Client], headers: dict[str, str], status: int
) -> None:
    farm, client = offering
    one = note()
    asked = client.post("/api/entries", json=batch(one), headers=headers)
    assert asked.status_code == status
    assert (farm.find(one["id"]) is not None) == (status == 200)


def test_our_own_origin_is_heard(offering: tuple[Farm, httpx.Client]) -> None:
    _, client = offering
    origin = str(client.base_url).rstrip("/")
    assert client.post("/api/entries", json=batch(note()), headers={"Origin": origin}).status_code == 200


@pytest.mark.parametrize("sent", [
    b"", b"{", b"[]", b"7", b"\xff\xfe", b'{"device": "x"}', b"[" * 100_000, b'{"a":' * 50_000,
    json.dumps({**batch(), "client_sent_at": "2026-03-02T11:30:00"}).encode(),
    json.dumps({**batch(), "entries": [7]}).encode(),
    json.dumps({**batch(), "entries": [{}] * 501}).encode(),
    json.dumps({**batch(), "colour": 1}).encode(),
    json.dumps(batch(note(body={"text": float("nan")}))).encode(),
    json.dumps(batch(note(body={"n": 1}))).replace('"n": 1', '"n": 1e999').encode(),
    json.dumps(batch(note(body={"n": 1}))).replace('"n": 1', '"n": ' + "9" * 5000).encode(),
])  # fmt: skip
def test_what_is_no_batch_is_refused_in_words(offering: tuple[Farm, httpx.Client], sent: bytes) -> None:
    _, client = offering
    asked = client.post("/api/entries", content=sent, headers={"Content-Type": "application/json"})
    assert asked.status_code == 400
    assert asked.json()["faults"][0]["needed"]


def test_an_offer_that_is_deep_or_odd_is_refused_by_itself(offering: tuple[Farm, httpx.Client]) -> None:
    _, client = offering
    deep: Any = "x"
    for _ in range(200):
        deep = [deep]
    odd = [note(body={"text": deep}), note(by="\ud83c"), note(body={"text": "\0"}), note(id=None), {}]
    content = json.dumps(batch(*odd, note())).encode()
    asked = client.post("/api/entries", content=content, headers={"Content-Type": "application/json"})
    assert [result["word"] for result in asked.json()["results"]] == ["refused"] * 5 + ["kept"]


def test_too_much_is_refused_before_it_is_read(offering: tuple[Farm, httpx.Client]) -> None:
    _, client = offering
    content = b" " * (MOST_BYTES + 1)
    assert client.post("/api/entries", content=content, headers={"Content-Type": "application/json"}).status_code == 413


@pytest.mark.parametrize("place", ["-1", "x", "1.5", "99999999999", "2147483648", "٣", ""])
def test_a_place_that_is_none_is_refused(offering: tuple[Farm, httpx.Client], place: str) -> None:
    _, client = offering
    assert client.get("/api/entries", params={"since": place}).status_code == 400


def test_the_description_fits_what_is_said(offering: tuple[Farm, httpx.Client]) -> None:
    _, client = offering
    described = client.get("/api/openapi.json").json()
    schemas = described["components"]["schemas"]
    assert {model.__name__ for model in KINDS.values()} <= set(schemas)
    posted = described["paths"]["/api/entries"]["post"]

    def fits(said: object, schema: dict[str, Any]) -> bool:
        return Draft202012Validator({**schema, "components": described["components"]}).is_valid(said)

    for kind, name in (("Batch", "requestBody"), ("Reply", "200"), ("Refusal", "415")):
        part = posted[name] if name == "requestBody" else posted["responses"][name]
        assert part["content"]["application/json"]["schema"] == {"$ref": f"#/components/schemas/{kind}"}
    sent = batch(note(), note(body={}))
    assert fits(sent, schemas["Batch"]) and all(fits(one, schemas["Offer"]) for one in sent["entries"])
    assert not fits({**sent, "device": 7}, schemas["Batch"])
    reply = client.post("/api/entries", json=sent).json()
    assert fits(reply, schemas["Reply"]) and not fits({**reply, "results": [{}]}, schemas["Reply"])
    assert fits(client.get("/api/entries").json(), schemas["Page"])
    assert fits(client.post("/api/entries", content=b"x").json(), schemas["Refusal"])
