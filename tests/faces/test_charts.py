"""Charts: one look, told apart without colour, safe under a policy without inline styles, the same day everywhere."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree

import pytest

from pinset.faces import charts, typeface
from pinset.faces.web import pages
from pinset.questions.answer import Chart
from tests.faces import answers

SVG = "{http://www.w3.org/2000/svg}"
CHARTS = [chart for make in answers.ALL for chart in make().charts]


@pytest.mark.parametrize("chart", CHARTS, ids=lambda chart: chart.name)
def test_a_picture_is_named_and_described_and_holds_no_style(chart: Chart) -> None:
    root = ElementTree.fromstring(charts.picture(chart, "q"))
    assert (root.get("role"), root.get("aria-labelledby"), root.get("aria-describedby")) == ("img", "q-name", "q-words")
    assert [(one.tag, one.get("id"), one.text) for one in list(root)[:2]] == [
        (f"{SVG}title", "q-name", chart.title), (f"{SVG}desc", "q-words", chart.alt),
    ]  # fmt: skip
    inside = [one for one in root.iter() if one is not root]
    assert not [one for one in inside if one.get("style") or one.tag in (f"{SVG}style", f"{SVG}script")]
    assert not [one for one in inside if one.get("role") or one.get("aria-label")]


def test_what_somebody_typed_stays_text() -> None:
    (chart,) = answers.unsafe().charts
    drawn = charts.picture(chart, "q")
    assert "<script" not in drawn
    assert answers.UNSAFE in [one.text for one in ElementTree.fromstring(drawn).iter(f"{SVG}text")]


def test_every_colour_of_a_drawing_has_one_for_the_dark() -> None:
    sheet = pages.style()
    drawn = "".join(charts.svg(chart.spec) for chart in CHARTS)
    used = set(re.findall(r'(?:fill|stroke)="(#[0-9a-f]+)"', drawn))
    house = {charts.INK, charts.QUIET, charts.HAIR, *charts.SERIES}
    assert used and used <= house
    for colour in house:
        assert f'[fill="{colour}"]' in sheet
        assert f'[stroke="{colour}"]' in sheet


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition of that name)."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of that name)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def variables(sheet: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z0-9]+): (#[0-9a-f]{6});", sheet))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_marks_and_words_stand_out_in_the_light_and_in_the_dark(scheme: str) -> None:
    """WCAG 2.2: 1.4.11 asks 3 to 1 of marks, 1.4.3 asks 4.5 to 1 of words."""
    light, dark = pages.style().split("@media screen and (prefers-color-scheme: dark)")
    colours = variables(light if scheme == "light" else dark.split("\n}\n")[0])
    assert {name for name in colours if name.startswith("s") and name[1:].isdigit()} == {f"s{n}" for n in range(1, 7)}
    for ground in ("paper", "sheet"):
        for mark in (f"s{n}" for n in range(1, 7)):
            assert contrast(colours[mark], colours[ground]) >= 3, (mark, ground)
        for text in ("ink", "quiet", "lead", "care"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)


def test_the_colours_of_a_drawing_are_the_light_ones() -> None:
    colours = variables(pages.style().split("@media screen")[0])
    assert [colours[f"s{n}"] for n in range(1, 7)] == list(charts.SERIES)
    assert (colours["ink"], colours["hair"]) == (charts.INK, charts.HAIR)


@pytest.mark.parametrize(("mark", "beside"), [("point", "shape"), ("line", "strokeDash")])
def test_series_are_told_apart_without_colour(mark: str, beside: str) -> None:
    spec = {"layer": [{"mark": {"type": mark}, "encoding": {"color": {"field": "arm", "type": "nominal"}}}]}
    (layer,) = charts.themed(spec)["layer"]
    assert layer["encoding"][beside]["field"] == "arm"


def test_what_a_question_chose_itself_stands() -> None:
    spec = {"mark": "point", "encoding": {"color": {"field": "arm"}, "shape": {"value": "cross"}}, "width": 99}
    dressed = charts.themed(spec | {"config": {"axis": {"grid": False}}})
    assert (dressed["encoding"]["shape"], dressed["width"]) == ({"value": "cross"}, 99)
    assert dressed["config"]["axis"] == charts.THEME["axis"] | {"grid": False}
    assert spec["encoding"] == {"color": {"field": "arm"}, "shape": {"value": "cross"}}


def test_a_day_is_the_same_day_in_every_time_zone() -> None:
    program = (
        "from pinset.faces import charts\n"
        "spec = {'data': {'values': [{'d': '2026-03-02', 'y': 1}, {'d': '2026-03-03', 'y': 2}]}, 'mark': 'point',\n"
        " 'encoding': {'x': {'field': 'd', 'type': 'temporal', 'axis': {'values': ['2026-03-02']}},"
        " 'y': {'field': 'y', 'type': 'quantitative'}}}\n"
        "print(charts.svg(spec))"
    )
    drawn = {
        subprocess.run(
            [sys.executable, "-c", program], env={**os.environ, "TZ": zone}, capture_output=True, text=True, check=True
        ).stdout
        for zone in ("Pacific/Kiritimati", "America/Los_Angeles")
    }
    assert len(drawn) == 1
    assert ">2 Mar<" in drawn.pop()


def test_words_are_set_in_the_one_typeface() -> None:
    families = set(re.findall(r'font-family="([^"]*)"', charts.svg(answers.arms_chart().spec)))
    assert families == {typeface.FAMILY}
    assert all(typeface.data(weight).startswith(b"\0\1\0\0") for weight in typeface.WEIGHTS)


def test_a_png_is_drawn_on_white() -> None:
    image = pytest.importorskip("PIL.Image", reason="reads the picture back").open(
        io.BytesIO(charts.png(answers.arms_chart().spec))
    )
    assert image.width == pytest.approx(2 * charts.WIDTH, abs=40)
    assert image.convert("RGB").getpixel((1, 1)) == (255, 255, 255)
