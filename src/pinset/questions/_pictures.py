"""Pictures of a trial: what was measured with the arms' means, differences from the control, and times as curves."""

from __future__ import annotations

from typing import Any

import numpy as np

from pinset.questions._compare import ArmResult
from pinset.questions._measures import Measure, Timed, Times, ends, word
from pinset.questions._trial import Trial
from pinset.questions._words import span
from pinset.questions.answer import Chart
from pinset.science.arrays import Floats
from pinset.science.intervals import estimate

CURVE_POINTS = 61


def pictures(trial: Trial, kilos: Measure, decides: Measure, times: list[Times]) -> list[Chart]:
    """All pictures of a verdict, what decides first."""
    shown = [decides] if decides is kilos else [decides, kilos]
    charts = [chart for measure in shown for chart in (_differences(trial, measure, decides), _points(trial, measure))]
    return [*charts, *(_curves(one) for one in times)]


def _points(trial: Trial, measure: Measure) -> Chart:
    compared = measure.compared
    points = [{"arm": one.arm, "value": measure.scale * one.value, "made": one.block} for one in compared.measured]
    means = [
        {"arm": one.arm, "mean": measure.scale * one.mean.value, "low": measure.scale * one.mean.low,
         "high": measure.scale * one.mean.high}
        for one in compared.arms
    ]  # fmt: skip
    thing = "batch" if trial.given_to == "batch" else "unit"
    x = {"type": "quantitative", "title": f"{measure.name}, {measure.unit}"}
    y = {"field": "arm", "type": "nominal", "title": None, "sort": [one.arm for one in compared.arms]}
    spec = {
        "layer": [
            {"data": {"values": points}, "mark": {"type": "point", "filled": False, "size": 50, "opacity": 0.7},
             "encoding": {"y": y, "x": {"field": "value", **x}}},
            {"data": {"values": means}, "mark": {"type": "rule", "size": 3},
             "encoding": {"y": y, "x": {"field": "low", **x}, "x2": {"field": "high"}}},
            {"data": {"values": means}, "mark": {"type": "point", "filled": True, "shape": "diamond", "size": 130},
             "encoding": {"y": y, "x": {"field": "mean", **x}}},
        ],
    }  # fmt: skip
    told = "; ".join(f"{one['arm']} {span(*_three(one))} {measure.unit}" for one in means)
    title = f"Each {thing} as a ring, each arm's mean as a diamond with its 95 % interval over the days of the trial"
    return Chart(f"{measure.name}-points", title, f"{title}: {told}.", spec)


def _three(one: dict[str, Any]) -> tuple[float, float, float]:
    return one["mean"], one["low"], one["high"]


def _differences(trial: Trial, measure: Measure, decides: Measure) -> Chart:
    results = [result for result in measure.compared.arms if result.difference is not None]
    axis = {"type": "quantitative", "title": f"{measure.name} less {trial.control}, {measure.unit}"}
    arm = {"field": "arm", "type": "nominal", "title": None}
    lines = [{"mark": {"type": "rule", "strokeDash": [4, 4]}, "encoding": {"x": {"datum": 0}}}]
    if measure is decides and trial.difference:
        lines.append({"mark": {"type": "rule", "strokeDash": [1, 3]}, "encoding": {"x": {"datum": trial.difference}}})
    bars = [_bar(measure, result) for result in results]
    spec = {
        "data": {"values": bars},
        "layer": [
            *lines,
            {"mark": {"type": "rule", "size": 2},
             "encoding": {"y": arm, "x": {"field": "low", **axis}, "x2": {"field": "high"}}},
            {"mark": {"type": "point", "filled": True, "size": 110},
             "encoding": {"y": arm, "x": {"field": "difference", **axis},
                          "shape": {"field": "verdict", "type": "nominal", "title": "verdict"}}},
        ],
    }  # fmt: skip
    told = "; ".join(f"{bar['arm']} {span(bar['difference'], bar['low'], bar['high'], measure.unit)}" for bar in bars)
    line = "it pays to the right of the broken line" if measure.name == "money" else "the broken line is no difference"
    if len(lines) > 1:
        line += ", the dotted one what would change the practice"
    title = f"Each arm less {trial.control}, with intervals that hold together; {line}"
    return Chart(f"{measure.name}-differences", title, f"{title}: {told}.", spec)


def _bar(measure: Measure, result: ArmResult) -> dict[str, Any]:
    assert result.difference is not None, "a difference of the control from itself"
    one = result.difference
    low, value, high = (measure.scale * each for each in (one.low, one.value, one.high))
    return {"arm": result.arm, "difference": value, "low": low, "high": high, "verdict": word(measure, result)}


def _curves(times: Times) -> Chart:
    """One panel for each arm: its curve with its band, the control's curve beside it."""
    finite = [one.right for one in times.timed if np.isfinite(one.right)] + [one.left for one in times.timed]
    days = np.linspace(0.0, max(finite), CURVE_POINTS)
    curves = {arm.arm: _curve([one for one in times.timed if one.arm == arm.arm], days) for arm in times.arms}
    control, *others = curves
    values = [{"panel": arm, "arm": one, **row} for arm in others for one in (arm, control) for row in curves[one]]
    x = {"field": "day", "type": "quantitative", "title": "days since made"}
    y = {"type": "quantitative", "scale": {"domain": [0, 100]}, "title": "% of units"}
    own = [{"filter": "datum.arm == datum.panel"}]
    spec = {
        "data": {"values": values},
        "facet": {"row": {"field": "panel", "type": "nominal", "title": None, "sort": others}},
        "spec": {
            "width": 330, "height": 130,
            "layer": [
                {"transform": own, "mark": {"type": "area"},
                 "encoding": {"x": x, "y": {"field": "least", **y}, "y2": {"field": "most"}}},
                {"mark": {"type": "line"},
                 "encoding": {"x": x, "y": {"field": "done", **y},
                              "color": {"field": "arm", "type": "nominal", "title": None}}},
            ],
        },
    }  # fmt: skip
    medians = "; ".join(f"{arm.arm} half by day {span(arm.median.value, arm.median.low, arm.median.high)}"
                        for arm in times.arms)  # fmt: skip
    title = f"{times.what.capitalize()}: share of units done, the band being what the checks leave open"
    return Chart(f"{times.name}-curves", title, f"{title}: {medians}.", spec)


def _curve(some: list[Timed], days: Floats) -> list[dict[str, float]]:
    left = estimate(*ends(some)).survival(days)
    shares = zip(days, 100 * (1 - left.high), 100 * (1 - left.value), 100 * (1 - left.low), strict=True)
    return [
        {"day": round(float(day), 2), "least": round(float(least), 2), "done": round(float(done), 2),
         "most": round(float(most), 2)}
        for day, least, done, most in shares
    ]  # fmt: skip
