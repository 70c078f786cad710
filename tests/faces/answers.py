"""Answers made by hand, one of each shape that a face must show. All numbers are invented."""

from __future__ import annotations

from datetime import date

from pinset.questions.answer import Answer, Basis, Chart, Column, Figure, Standing, Table

UNSAFE = "<script>alert('x')</script>"

_ARMS = (
    ("Straw alone (control)", 21.4, 18.9, 23.9),
    ("Straw, 5 % bran", 24.9, 22.3, 27.5),
    ("Straw, 10 % bran", 25.6, 22.8, 28.4),
    ("Straw, lime soaked", 19.2, 16.5, 21.9),
)


def arms_chart() -> Chart:
    values = [{"arm": arm, "mean": mean, "low": low, "high": high} for arm, mean, low, high in _ARMS]
    across = {"type": "quantitative", "scale": {"zero": False}}
    spec = {
        "data": {"values": values},
        "encoding": {"y": {"field": "arm", "type": "nominal", "title": None, "sort": None}},
        "layer": [
            {
                "mark": "rule",
                "encoding": {
                    "x": {"field": "low", "title": "yield, % of wet substrate", **across},
                    "x2": {"field": "high"},
                },
            },
            {"mark": "point", "encoding": {"x": {"field": "mean", **across}}},
        ],
    }
    alt = "Four arms with their yields and intervals: bran 5 % and 10 % lie right of the control, lime left of it."
    return Chart("arms", "Yield per unit made, by arm", alt, spec)


def lines_chart() -> Chart:
    values = [
        {"day": f"2026-0{3 + week // 4}-{1 + 7 * (week % 4):02d}", "kg": 1.8 + 0.1 * week + 0.3 * n, "room": room}
        for week in range(8)
        for n, room in enumerate(("North room", "South room", "Cellar"))
    ]
    spec = {
        "data": {"values": values},
        "mark": "line",
        "encoding": {
            "x": {"field": "day", "type": "temporal", "title": None},
            "y": {"field": "kg", "type": "quantitative", "title": "kg a day"},
            "color": {"field": "room", "type": "nominal"},
        },
    }
    return Chart("rooms", "Picked a day, by room", "Three lines that rise from March to April.", spec)


def verdict() -> Answer:
    """A comparison with intervals, a table with links, a chart, cautions."""
    figures = tuple(
        Figure(arm, mean, "%", low, high, 10, "picked over wet substrate, per unit made; culled units count as zero")
        for arm, mean, low, high in _ARMS
    )
    rows = tuple((arm, f"B{n:03d}", 80, 100 * n, mean) for n, (arm, mean, _, _) in enumerate(_ARMS, 1))
    columns = (Column("arm"), Column("first batch", link="batch"), Column("units"), Column("picked", "kg", 1),
               Column("yield", "%", 1))  # fmt: skip
    return Answer(
        "verdict", "is the other way really better, and does it pay?",
        "Bran at 5 % gave 3.5 % of wet substrate more than straw alone (0.4 to 6.6, 10 blocks): use it.",
        Standing("leaning", "ten blocks carry the direction, and one bad week could still turn it"),
        (*figures, Figure("days to full run", 16.2, "days", 15.1, 17.3, 320, "Turnbull's estimate of the median")),
        Basis({"batches": 40, "units": 320}, "weighed by unit", date(2026, 3, 2), date(2026, 6, 9),
              "mixed model with blocks, Satterthwaite degrees of freedom; Dunnett's simultaneous 95 % intervals",
              ("Dunnett 1955 (from memory)",)),
        (Table("arms", "What each arm gave", columns, rows),), (arms_chart(), lines_chart()),
        ("Green mould: bag it before it is moved, and do not open it indoors.",),
        ("Note the moisture of each mix: it gives the biological efficiency.",), {"trial": "bran"},
    )  # fmt: skip


def long() -> Answer:
    """A table too long for a screen."""
    rows = tuple((f"B{n:03d}", n * 1234.5, None if n % 7 == 0 else 0.25 + n / 1000) for n in range(1, 61))
    columns = (Column("batch", link="batch"), Column("picked", "kg", 1), Column("per unit made", "kg", 3))
    return Answer(
        "yields", "what did each batch really give?", "60 batches gave 2 259 kg.",
        Standing("settled", "every weight belongs to a batch"), (Figure("picked", 2259135.0, "kg", count=60),),
        Basis({"batches": 60}, "weighed by batch", None, None, "a sum"), (Table("batches", "Batches", columns, rows),),
    )  # fmt: skip


def nothing() -> Answer:
    """An answer that the notes cannot carry."""
    return Answer(
        "cost", "what does a kilo cost me, and where does the money go?", "No price is on record, so there is no cost.",
        Standing("open", "nothing was noted that costs"), (), Basis({}, "none", None, None, "none"),
        next=("Note a price: pinset note define what=price name=straw amount=0.12 per=kg",),
    )  # fmt: skip


def unsafe() -> Answer:
    """Every text field holds markup, as a grower or a stranger might type it."""
    return Answer(
        "lines", UNSAFE, UNSAFE, Standing("open", UNSAFE), (Figure(UNSAFE, 1.0, UNSAFE, 0.5, 1.5, 3, UNSAFE),),
        Basis({UNSAFE: 1}, UNSAFE, None, None, UNSAFE, (UNSAFE,)),
        (Table("t", UNSAFE, (Column(UNSAFE, link="batch"), Column("n")), ((UNSAFE, 1),)),),
        (Chart("c", UNSAFE, UNSAFE, {"data": {"values": [{"a": UNSAFE, "b": 1}]}, "mark": "point",
                                     "encoding": {"y": {"field": "a", "type": "nominal"}}}),),
        (UNSAFE,), (UNSAFE,), {"trial": UNSAFE},
    )  # fmt: skip


ALL = (verdict, long, nothing, unsafe)
