"""Charts drawn from their Vega-Lite description in the house's one look, without a browser and without a network.

A drawing carries its colours as the few hex values below. The pages' style sheet exchanges exactly these for others in
the dark, so one drawing serves both. Series differ in shape or dash as well as in colour: they can be told apart in
black and white print.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache, lru_cache
from html import escape
from typing import Any, Final

from pinset.faces import typeface
from pinset.questions.answer import Chart

# Drawn small and shown larger: on a phone the words stay readable, on a desk they match the text around them.
WIDTH: Final = 400
HEIGHT: Final = 240
TEXT: Final = 14

INK, QUIET, HAIR = "#1b2b30", "#5a6a6e", "#cdd5d3"
SERIES: Final = ("#14566b", "#b4691f", "#7a4b86", "#6b7d1f", "#3b8fb0", "#a03c4a")
SHAPES: Final = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down")
DASHES: Final = ([1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [4, 4], [1, 3])

_AXIS: Final[dict[str, Any]] = {
    "labelColor": INK, "labelFontSize": TEXT, "labelLimit": 170, "labelPadding": 6, "titleColor": QUIET,
    "titleFontSize": TEXT, "titleFontWeight": "normal", "titlePadding": 8, "gridColor": HAIR, "domainColor": QUIET,
    "tickColor": QUIET, "tickSize": 4, "labelOverlap": True, "labelSeparation": 8,
    "labelFlush": False,
}  # fmt: skip
_DAY_OR_YEAR: Final = (
    "utcFormat(datum.value, utcmonth(datum.value) == 0 && utcdate(datum.value) == 1 ? '%Y' : '%-d %b')"
)
THEME: Final[dict[str, Any]] = {
    "aria": False, "background": None, "font": typeface.FAMILY, "padding": 4,
    "range": {"category": list(SERIES), "symbol": list(SHAPES), "ramp": ["#d7e3e4", "#14566b"]},
    "view": {"stroke": None, "continuousWidth": WIDTH, "continuousHeight": HEIGHT, "step": 34},
    "axis": _AXIS, "axisQuantitative": {"tickCount": 6, "domain": False, "ticks": False},
    "axisBand": {"grid": False, "ticks": False, "domain": False},
    "axisTemporal": {"tickCount": 5, "grid": False, "labelExpr": _DAY_OR_YEAR},
    "legend": {"orient": "top", "direction": "horizontal", "columns": 3, "titleColor": QUIET, "labelColor": INK,
               "titleFontSize": TEXT, "titleFontWeight": "normal", "labelFontSize": TEXT, "labelLimit": 240,
               "symbolSize": 90, "offset": 10, "columnPadding": 16},
    "header": {"labelColor": INK, "labelFontSize": TEXT, "titleColor": QUIET, "titleFontSize": TEXT},
    "point": {"filled": True, "size": 90, "opacity": 1, "color": SERIES[0]},
    "line": {"strokeWidth": 2, "color": SERIES[0]},
    "bar": {"color": SERIES[0]}, "area": {"color": SERIES[0], "opacity": 0.25}, "rect": {"color": SERIES[0]},
    "rule": {"color": INK, "strokeWidth": 2}, "tick": {"color": INK, "thickness": 2},
    "text": {"color": INK, "fontSize": TEXT}, "title": {"color": INK, "fontSize": TEXT, "anchor": "start"},
    "errorbar": {"ticks": True, "color": INK}, "trail": {"color": SERIES[0]},
}  # fmt: skip
_TAG: Final = re.compile(r"<[^>]*>")
_SPOKEN: Final = re.compile(r' (?:role|aria-[a-z]+)="[^"]*"')
# What makes a series of a colour visible without it, by kind of mark.
_BESIDE_COLOUR: Final = {"point": "shape", "line": "strokeDash"}


def themed(spec: Mapping[str, Any]) -> dict[str, Any]:
    """The description in the house's look; what the spec itself sets stands.

    >>> themed({"mark": "point", "encoding": {"color": {"field": "arm"}}})["encoding"]["shape"]
    {'field': 'arm'}
    """
    dressed = _told_apart(spec)
    joined = any(key in spec for key in ("facet", "concat", "hconcat", "vconcat", "repeat"))
    room = {} if joined else {"width": WIDTH, "autosize": {"type": "fit-x", "contains": "padding"}}
    return room | dressed | {"config": _merged(THEME, spec.get("config", {}))}


def _told_apart(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Give every coloured series of points or lines a shape or dash of its own, and days the same date everywhere."""
    dressed = dict(spec)
    for parts in ("layer", "concat", "hconcat", "vconcat"):
        if parts in spec:
            dressed[parts] = [_told_apart(part) for part in spec[parts]]
    if isinstance(spec.get("spec"), Mapping):
        dressed["spec"] = _told_apart(spec["spec"])
    if "encoding" in spec:
        mark = spec.get("mark", "")
        dressed["encoding"] = _encoding(mark["type"] if isinstance(mark, Mapping) else mark, spec["encoding"])
    return dressed


def _encoding(mark: str, given: Mapping[str, Any]) -> dict[str, Any]:
    # a plain date is read as midnight UTC: on a local scale it would be the day before in half of the world
    encoding = {
        channel: {"scale": {"type": "utc"}, **said} if said.get("type") == "temporal" else said
        for channel, said in given.items()
        if isinstance(said, Mapping)
    }
    beside, colour = _BESIDE_COLOUR.get(mark), encoding.get("color", {})
    if beside and "field" in colour and colour.get("type") not in ("quantitative", "temporal"):
        encoding.setdefault(beside, _dashed(colour) if beside == "strokeDash" else dict(colour))
    return encoding | {channel: said for channel, said in given.items() if channel not in encoding}


def _dashed(colour: Mapping[str, Any]) -> dict[str, Any]:
    same = {name: value for name, value in colour.items() if name != "scale"}
    return same | {"scale": dict(colour.get("scale", {})) | {"range": [list(dash) for dash in DASHES]}}


def _merged(under: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    both = dict(under)
    for name, value in over.items():
        known = both.get(name)
        both[name] = _merged(known, value) if isinstance(known, Mapping) and isinstance(value, Mapping) else value
    return both


def svg(spec: Mapping[str, Any]) -> str:
    """The chart as SVG, without style attributes, so that a strict content security policy lets it pass."""
    return _svg(_key(spec))


def png(spec: Mapping[str, Any], scale: float = 2.0) -> bytes:
    """The chart as PNG on white, ``scale`` pixels to one of the drawing."""
    white = dict(themed(spec))
    white["config"] = white["config"] | {"background": "white"}
    drawn: bytes = _drawing().vegalite_to_png(white, scale=scale)
    return drawn


def picture(chart: Chart, mark: str) -> str:
    """The chart as SVG to set into a page, named and described for those who do not see it.

    ``mark`` is text that no other picture of the page has; it makes the ids of name and description.
    """
    name, words = f"{mark}-name", f"{mark}-words"
    head, body = svg(chart.spec).split(">", 1)
    said = f'<title id="{name}">{escape(chart.title)}</title><desc id="{words}">{escape(chart.alt)}</desc>'
    return f'{head} role="img" aria-labelledby="{name}" aria-describedby="{words}">{said}{body}'


def _key(spec: Mapping[str, Any]) -> str:
    return json.dumps(themed(spec), sort_keys=True, default=str)


@lru_cache(maxsize=256)
def _svg(key: str) -> str:
    drawn: str = _drawing().vegalite_to_svg(json.loads(key))
    # the picture is described as a whole: parts that call themselves pictures too would be read aloud without a name
    return _TAG.sub(lambda tag: _SPOKEN.sub("", tag[0]), drawn)


@cache
def _drawing() -> Any:
    import vl_convert

    vl_convert.register_font_directory(str(typeface.folder()))
    return vl_convert
