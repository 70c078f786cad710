"""The pages in a real browser, at a desk and on a phone, in the light and in the dark."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from pinset.faces.web import pages
from pinset.farm import Farm
from tests import needs
from tests.faces import answers, farms

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-quic", "--no-first-run",
             "--disable-component-update", "--disable-sync"]  # fmt: skip
SIZES = {"desk": (1280, 900), "phone": (375, 740)}
PATHS = ["/", "/batches?recipe=straw", f"/batch/{quote(farms.UNSAFE, safe='')}", "/batch/KB001", "/units",
         "/unit/KB001-04", f"/lot/{quote(farms.ODD_LOT, safe='')}", "/ask", "/ask/yields", "/ask/yields?since=soon",
         "/batch/KB0"]  # fmt: skip
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
# The ring that shows where the keyboard is, of whatever has the focus.
RING = """(() => { const one = document.activeElement, style = getComputedStyle(one);
  return [one.tagName, style.outlineStyle, parseFloat(style.outlineWidth)] })()"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = needs.browser()
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield launched
        launched.close()


@pytest.fixture(params=[("desk", "light"), ("phone", "dark")], ids="-".join)
def context(request: pytest.FixtureRequest, browser: Browser) -> Iterator[BrowserContext]:
    size, scheme = request.param
    width, height = SIZES[size]
    opened = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    yield opened
    opened.close()


def faults(page: Page) -> list[str]:
    """What is wrong with a page by the rules of WCAG 2.2 AA, each with where."""
    found: list[dict[str, Any]] = Axe().run(page, options=RULES).response["violations"]
    return [f"{one['id']}: {node['target']} {node['failureSummary']}" for one in found for node in one["nodes"]]


def paths(farm: Farm) -> list[str]:
    """One address of every kind of page."""
    return [*PATHS, f"/entry/{farms.entry_ids(farm)['corrected']}"]


def test_pages_are_open_to_everybody_and_quiet(context: BrowserContext, address: str, farm: Farm) -> None:
    """No rule broken, nothing in the console but that a page is not there, nothing loaded from outside."""
    page = context.new_page()
    said: list[str] = []
    hosts: set[str] = set()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda fault: said.append(str(fault)))
    page.on("request", lambda request: hosts.add(urlsplit(request.url).netloc))
    for path in paths(farm):
        page.goto(address + path)
        assert faults(page) == [], path
        assert page.evaluate(OVERFLOW) == 0, path
    assert [words for words in said if "Failed to load resource" not in words] == []
    assert hosts <= {urlsplit(address).netloc, ""}


@pytest.mark.parametrize("make", [answers.verdict, answers.unsafe], ids=lambda make: make.__name__)
def test_a_page_in_one_file_is_open_to_everybody(context: BrowserContext, tmp_path: Path, make: Any) -> None:
    file = tmp_path / "answer.html"
    file.write_text(pages.brief_page([make(), answers.long()], "What the notes say", "Invented farm"), encoding="utf-8")
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("dialog", lambda dialog: said.append(dialog.message))
    page.goto(file.as_uri())
    assert faults(page) == []
    assert said == []
    assert page.evaluate(OVERFLOW) == 0
    assert page.evaluate("document.fonts.check('16px \"Atkinson Hyperlegible\"')")


def test_the_keyboard_reaches_everything_and_shows_where_it_is(context: BrowserContext, address: str) -> None:
    page = context.new_page()
    page.goto(f"{address}/ask/yields")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the page itself"
    reached = set()
    for _ in range(14):
        page.keyboard.press("Tab")
        tag, style, width = page.evaluate(RING)
        reached.add(tag)
        assert style == "solid", tag
        assert width >= 3, tag
    assert {"A", "SUMMARY"} <= reached


def test_a_question_is_asked_by_keyboard_alone(browser: Browser, address: str) -> None:
    page = browser.new_page()
    page.goto(f"{address}/ask/yields")
    page.locator("summary").focus()
    page.keyboard.press("Enter")
    page.locator("select[name=recipe]").focus()
    page.keyboard.type("straw + bran")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/ask/yields?*")
    assert "recipe=straw+%2B+bran" in page.url
    assert page.locator("h1").inner_text().startswith("6 batches gave")
    page.close()


@pytest.mark.parametrize("width", [640, 320])
def test_pages_fit_when_they_are_zoomed(browser: Browser, address: str, farm: Farm, width: int) -> None:
    """Twice and four times the size on a screen 1280 wide (WCAG 2.2, 1.4.4 and 1.4.10)."""
    page = browser.new_page(viewport={"width": width, "height": 500})
    for path in paths(farm):
        page.goto(address + path)
        assert page.evaluate(OVERFLOW) == 0, path
    page.close()


def test_pages_work_without_script(browser: Browser, address: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(address)
    page.get_by_role("link", name="Batches", exact=True).click()
    page.locator("summary").click()
    page.get_by_label("recipe").select_option("straw")
    page.get_by_role("button", name="Show").click()
    assert page.locator("h1").inner_text() == "6 of 13 batches match."
    page.get_by_role("link", name="KB012").click()
    assert page.locator("h1").inner_text().startswith("4 bags of 2.2")
    context.close()


def test_things_to_press_are_as_tall_as_a_thumb(browser: Browser, address: str) -> None:
    """Fields and buttons at least 48 CSS pixels; the words at the top at least 44 (WCAG 2.2, 2.5.5)."""
    page = browser.new_page(viewport={"width": 375, "height": 740})
    page.goto(f"{address}/ask/yields?recipe=straw")
    for what, least in (("input, select, button", 48), ("header a", 44)):
        heights = [box["height"] for one in page.locator(what).all() if (box := one.bounding_box())]
        assert heights
        assert min(heights) >= least, what
    page.close()


def test_print_leaves_out_what_paper_cannot_do(browser: Browser, address: str) -> None:
    page = browser.new_page()
    page.goto(f"{address}/ask/yields")
    page.emulate_media(media="print")
    assert not page.locator("header nav").is_visible()
    assert not page.locator("details").is_visible()
    assert page.locator("h1").is_visible()
    page.close()


def test_a_drawing_changes_its_colours_in_the_dark(browser: Browser, address: str) -> None:
    colours = set()
    for scheme in ("light", "dark"):
        context = browser.new_context(color_scheme=scheme)
        page = context.new_page()
        page.goto(f"{address}/ask/yields")
        colours.add(page.evaluate("getComputedStyle(document.querySelector('.picture svg text')).fill"))
        context.close()
    assert len(colours) == 2
