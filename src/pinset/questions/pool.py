"""What do several farms' trials say together?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pinset.ledger.read import Reader
from pinset.questions._sharing import LARGEST, NotASharedTrial, SharedEffect, SharedTrial, read_shared
from pinset.questions._words import digits_for, number, several, span
from pinset.questions.answer import Answer, Basis, Chart, Column, Figure, Standing, Table
from pinset.questions.catalogue import question
from pinset.science.confidence import Confidence, Interval
from pinset.science.pooling import FEWEST_FARMS, Effect, Pooled, Synthesis, synthesis

ASKS = "what do several farms' trials say together?"
METHOD = (
    "one effect a farm, arm less control made on the same days, with its variance; random effects by restricted "
    "maximum likelihood, interval of the mean by modified Knapp-Hartung, and the interval in which another such farm "
    "would lie"
)
SOURCES = (
    "Viechtbauer 2005, J. Educ. Behav. Stat. 30:261 (from memory)",
    "Röver, Knapp & Friede 2015, PMC4647507 (modified Knapp-Hartung)",
)


class NoSharedTrials(ValueError):
    """There is nothing to pool in the files that are named."""


@dataclass(frozen=True, slots=True)
class Farm:
    """One farm's effect, under a number instead of a name."""

    label: str
    trial: SharedTrial
    found: SharedEffect
    effect: Effect

    @property
    def interval(self) -> Interval:
        """The farm's own 95 % interval, by its own degrees of freedom."""
        return Confidence(self.effect.value, float(np.sqrt(self.effect.variance)), self.found.df).interval()


@dataclass(frozen=True, slots=True)
class Scale:
    """How effects are pooled and shown: yields as ratios, for one farm's units are larger than another's."""

    ratio: bool
    unit: str

    def effect(self, found: SharedEffect) -> Effect | None:
        """What is pooled."""
        return found.log_ratio if self.ratio else found.difference

    def shown(self, value: float) -> float:
        """A pooled number as it is shown: a logarithm of a ratio as % more."""
        return float(100 * np.expm1(value)) if self.ratio else float(value)

    def three(self, value: float, interval: Interval) -> tuple[float, float, float]:
        """A value and its interval as they are shown."""
        return self.shown(value), self.shown(interval.low), self.shown(interval.high)


@question("pool", ASKS)
def pool(ledger: Reader, *, files: str | None = None, measure: str = "yield") -> Answer:
    """Trials that farms have shared, pooled as far as they carry.

    files: the shared files, with commas between, or a folder of them
    measure: what to pool: yield, yield of all that went in, or contamination
    """
    if not files:
        return _nothing_named()
    read = _read(files)
    scale = _scale(read, measure)
    farms = _farms(read, measure, scale)
    if not farms:
        raise NoSharedTrials(f"needed trials that compared {measure!r}; came {several(len(read), 'file')} without it")
    found = synthesis([farm.effect for farm in farms])
    return Answer(
        question="pool", asks=ASKS, headline=_headline(farms, found, measure, scale), standing=_standing(farms, found),
        figures=tuple(_figures(farms, found, measure, scale)), basis=_basis(farms),
        tables=(_farms_table(farms, found, scale), *_without_table(farms, found, scale)),
        charts=(_forest(farms, found, measure, scale),), cautions=tuple(_cautions(farms, len(read) - len(farms))),
        next=tuple(_next(farms)), options={"measure": measure, "files": str(len(read))},
    )  # fmt: skip


def _nothing_named() -> Answer:
    return Answer(
        "pool", ASKS, "No shared trials were named.", Standing("open", "there is nothing to pool"), (),
        Basis({"farms": 0}, "farm", None, None, METHOD, SOURCES),
        next=(
            "Name the files that farms have given: pinset ask pool --files FOLDER",
            "Give a trial of your own: pinset share TRIAL FILE",
        ),
    )  # fmt: skip


def _read(files: str) -> list[tuple[str, SharedTrial]]:
    """Every file named, in the order of names; a folder stands for the JSON files in it."""
    paths = [path for each in files.split(",") if each.strip() for path in _paths(Path(each.strip()))]
    if not paths:
        raise NoSharedTrials("needed one or more files of shared trials; found none")
    read = []
    for path in paths:
        try:
            if path.stat().st_size > LARGEST:
                raise NotASharedTrial(f"needed a file of at most {LARGEST} bytes")
            read.append((path.name, read_shared(path.read_text(encoding="utf-8"))))
        except (OSError, UnicodeDecodeError, NotASharedTrial) as fault:
            why = str(fault) if isinstance(fault, NotASharedTrial) else "needed a file of text that can be read"
            raise NoSharedTrials(f"{path.name}: {why}") from fault
    return read


def _paths(path: Path) -> list[Path]:
    return sorted(path.glob("*.json")) if path.is_dir() else [path]


def _scale(read: list[tuple[str, SharedTrial]], measure: str) -> Scale:
    """How the measure is pooled; all trials must have asked the same question."""
    asked = {trial.question for _, trial in read}
    if len(asked) > 1:
        raise NoSharedTrials(f"needed trials of one question; came {len(asked)} different ones")
    if measure.startswith("yield"):
        return Scale(True, "% more")
    units = {trial.effects[measure].unit for _, trial in read if measure in trial.effects}
    if len(units) > 1:
        raise NoSharedTrials(f"needed one unit of {measure}; came {', '.join(sorted(units))}")
    return Scale(False, next(iter(units), ""))


def _farms(read: list[tuple[str, SharedTrial]], measure: str, scale: Scale) -> list[Farm]:
    """The farms that compared the measure, numbered in the order of their files."""
    has = [(trial, trial.effects[measure]) for _, trial in read if measure in trial.effects]
    known = [(trial, found, effect) for trial, found in has if (effect := scale.effect(found)) is not None]
    return [Farm(f"farm {n}", *each) for n, each in enumerate(known, start=1)]


def _headline(farms: list[Farm], found: Synthesis, measure: str, scale: Scale) -> str:
    if found.pooled is None:
        one = farms[0]
        alone = (
            f" It found {span(*scale.three(one.effect.value, one.interval), scale.unit)}." if len(farms) == 1 else ""
        )
        return f"{several(len(farms), 'farm')} together claim nothing general: {found.reach.value}.{alone}"
    pooled = found.pooled
    said = span(*scale.three(pooled.mean, pooled.interval), scale.unit)
    low, high = (scale.shown(end) for end in pooled.prediction)
    digits = digits_for((high - low) / 4)
    return (
        f"Over {several(len(farms), 'farm')} the arm changed {measure} by {said} on average; "
        f"on another such farm by {number(low, digits)} to {number(high, digits)} {scale.unit}."
    )


def _standing(farms: list[Farm], found: Synthesis) -> Standing:
    pooled = found.pooled
    if pooled is None:
        return Standing("open", found.reach.value)
    if pooled.interval.low <= 0 <= pooled.interval.high:
        return Standing("open", "the interval of the mean holds both more and less")
    lone = [other for other in found.without_each if other.interval.low <= 0 <= other.interval.high]
    if lone or any(farm.trial.flaws for farm in farms):
        why = "it hangs on a single farm" if lone else "some of the trials have flaws of their own"
        return Standing("leaning", why)
    if pooled.prediction.low <= 0 <= pooled.prediction.high:
        return Standing("leaning", "it holds on average, but another farm may see the opposite")
    return Standing("settled", "it holds on average, without any single farm, and for another such farm")


def _figures(farms: list[Farm], found: Synthesis, measure: str, scale: Scale) -> Iterator[Figure]:
    pooled, count = found.pooled, len(farms)
    if pooled is None:
        return
    unit, width = scale.unit, pooled.width.value
    yield Figure(f"{measure}: mean over farms", *_around(scale, pooled.mean, pooled.interval, unit), count, width)
    another = f"{measure}: on another such farm"
    yield Figure(another, *_around(scale, pooled.mean, pooled.prediction, unit), count, "95 % prediction interval")
    between = float(np.sqrt(pooled.between))
    spread = Interval(*np.sqrt(pooled.between_interval).tolist())
    how = "standard deviation between farms, interval by Q-profile"
    yield Figure("farms differ by", *_around(scale, between, spread, unit.split()[0]), count, how)
    yield Figure("share of variance between farms", 100 * pooled.inconsistency, "%", count=count, how="I²")
    chance = 100 * pooled.chance_elsewhere()
    yield Figure("chance of more on another such farm", chance, "%", count=count, how="by the prediction distribution")


def _around(scale: Scale, value: float, interval: Interval, unit: str) -> tuple[float, str, float, float]:
    middle, low, high = scale.three(value, interval)
    return middle, unit, low, high


def _basis(farms: list[Farm]) -> Basis:
    counts = {
        "farms": len(farms), "days": sum(farm.trial.days for farm in farms),
        "batches": sum(farm.trial.batches for farm in farms),
    }  # fmt: skip
    asked = f"asked: {farms[0].trial.question}"
    return Basis(
        counts, "the farm is the unit: farms differ in more than chance", None, None, f"{METHOD}; {asked}", SOURCES
    )


def _farms_table(farms: list[Farm], found: Synthesis, scale: Scale) -> Table:
    columns = (
        Column("farm"), Column("days"), Column("batches"), Column("unit"), Column("control", "", 3),
        Column("arm", "", 3), Column("difference", scale.unit, 2), Column("from", scale.unit, 2),
        Column("to", scale.unit, 2), Column("weight", "%", 0), Column("flaws"),
    )  # fmt: skip
    shares = found.pooled.shares if found.pooled else (None,) * len(farms)
    rows = tuple(
        (farm.label, farm.trial.days, farm.trial.batches, farm.found.unit, farm.found.control.value,
         farm.found.arm.value, *scale.three(farm.effect.value, farm.interval), None if share is None else 100 * share,
         ", ".join(farm.trial.flaws) or "none")
        for farm, share in zip(farms, shares, strict=True)
    )  # fmt: skip
    return Table("farms", "What each farm found, with its own 95 % interval", columns, rows)


def _without_table(farms: list[Farm], found: Synthesis, scale: Scale) -> list[Table]:
    if not found.without_each:
        return []
    columns = (
        Column("without"), Column("mean", scale.unit, 2), Column("from", scale.unit, 2), Column("to", scale.unit, 2),
    )  # fmt: skip
    rows = tuple(
        (farm.label, *scale.three(other.mean, other.interval))
        for farm, other in zip(farms, found.without_each, strict=True)
    )
    return [Table("without each", "What is left when one farm is left out", columns, rows)]


def _forest(farms: list[Farm], found: Synthesis, measure: str, scale: Scale) -> Chart:
    bars = [(farm.label, "one farm", scale.three(farm.effect.value, farm.interval)) for farm in farms]
    bars += _together(found.pooled, scale) if found.pooled else []
    rows = [
        {"farm": name, "what": what, "value": each[0], "low": each[1], "high": each[2]} for name, what, each in bars
    ]
    y = {"field": "farm", "type": "nominal", "title": None, "sort": [name for name, _, _ in bars]}
    x = {"type": "quantitative", "title": f"{measure}: arm against control, {scale.unit}"}
    shape = {"field": "what", "type": "nominal", "title": None}
    spec = {
        "data": {"values": rows},
        "layer": [
            {"mark": {"type": "rule", "strokeDash": [4, 4]}, "encoding": {"x": {"datum": 0}}},
            {"mark": {"type": "rule", "size": 2},
             "encoding": {"y": y, "x": {"field": "low", **x}, "x2": {"field": "high"}}},
            {"mark": {"type": "point", "filled": True, "size": 110},
             "encoding": {"y": y, "x": {"field": "value", **x}, "shape": shape}},
        ],
    }  # fmt: skip
    told = "; ".join(f"{name} {span(*each, scale.unit)}" for name, _, each in bars)
    title = "Each farm's difference with its 95 % interval, and what they say together"
    return Chart("forest", title, f"{title}: {told}.", spec)


def _together(pooled: Pooled, scale: Scale) -> list[tuple[str, str, tuple[float, float, float]]]:
    return [
        ("mean", "the mean of farms", scale.three(pooled.mean, pooled.interval)),
        ("another farm", "another such farm", scale.three(pooled.mean, pooled.prediction)),
    ]


def _cautions(farms: list[Farm], left_out: int) -> list[str]:
    said = ["Farms that share are not drawn by lot, and a farm whose trial found nothing may not have shared it."]
    flawed = sum(bool(farm.trial.flaws) for farm in farms)
    if flawed:
        said.append(f"{several(flawed, 'trial has', 'trials have')} flaws of their own; the table names them.")
    if left_out:
        said.append(f"{several(left_out, 'file')} without this measure left out.")
    return said


def _next(farms: list[Farm]) -> list[str]:
    missing = FEWEST_FARMS - len(farms)
    if missing <= 0:
        return []
    return [f"Ask {several(missing, 'more farm')} to share the same trial: from {FEWEST_FARMS} on, farms are pooled."]
