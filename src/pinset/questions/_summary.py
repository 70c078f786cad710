"""Whether a published table's letters and p-values follow from its own means, deviations and counts."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pinset.questions._words import listed, several
from pinset.questions.answer import Answer, Basis, Column, Standing, Table
from pinset.science.mixed import NoVariationLeft
from pinset.science.summaries import (
    Agreement,
    CannotCheck,
    CheckedP,
    Comparison,
    Pair,
    Summary,
    check_letters,
    check_p,
    pair_p,
    printed,
    read_as_standard_errors,
    units_that_fit,
)

LARGEST = 1_000_000
"""Bytes; a printed table is a few thousand."""
METHOD = (
    "one-way analysis of variance repeated from means, standard deviations and counts, with what the last printed "
    "digit leaves open; pairs by the common error"
)
SOURCES = (
    "Kramer 1956, Biometrics 12:307 (Tukey-Kramer; from memory)",
    "Duncan 1955, Biometrics 11:1 (multiple ranges; from memory)",
)


class NotASummary(ValueError):
    """A file is no table of means, deviations and counts."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What of one measure of the table was checked."""

    measure: str
    arms: tuple[Summary, ...]
    against_first: tuple[float, ...]
    """The p of each arm against the first, all pairs of the table together (Tukey)."""
    p: CheckedP | None
    letters: Mapping[Comparison, tuple[Pair, ...]]
    """Empty where there are no letters, or nothing differs at all."""


def summary_answer(asks: str, path: str) -> Answer:
    """The answer about a published table in a CSV file: arm, mean, sd (or se), n; measure, letters and p if printed."""
    tables = dict(_tables(Path(path)))
    checked = [found for measure, rows in tables.items() if (found := _checked(measure, rows)) is not None]
    if not checked:
        raise NotASummary("needed two or more arms with a spread; found none")
    ways = _comparisons(checked)
    count = sum(arm.units for one in checked for arm in one.arms)
    return Answer(
        question="verdict", asks=asks, headline=_headline(checked, ways), standing=_standing(checked, ways), figures=(),
        basis=Basis({"measures": len(checked), "means": sum(len(one.arms) for one in checked), "replicates": count},
                    "a printed table", None, None, METHOD, SOURCES),
        tables=(*_p_table(checked), *_letters_table(checked, ways), _pairs_table(checked)),
        cautions=tuple(_cautions(tables, checked)), next=tuple(_next(checked)),
        options={"summary": Path(path).name},
    )  # fmt: skip


def _tables(path: Path) -> Iterator[tuple[str, list[dict[str, str]]]]:
    """The rows of each measure, in the order of the file."""
    try:
        if path.stat().st_size > LARGEST:
            raise NotASummary(f"{path.name}: needed a table of at most {LARGEST} bytes")
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as fault:
        raise NotASummary(f"{path.name}: needed a file of text that can be read") from fault
    rows = list(csv.DictReader(line for line in lines if line.strip() and not line.startswith("#")))
    columns = {name.strip().casefold() for name in (rows[0] if rows else {}) if name}
    if not {"arm", "mean", "n"} <= columns or not {"sd", "se"} & columns:
        raise NotASummary(
            f"{path.name}: needed columns arm, mean, sd (or se) and n, and measure, letters, p if printed"
        )
    plain = [{str(name).strip().casefold(): str(cell or "").strip() for name, cell in row.items()} for row in rows]
    for measure in dict.fromkeys(row.get("measure", "") for row in plain):
        yield measure or "value", [row for row in plain if row.get("measure", "") == measure]


def _checked(measure: str, rows: list[dict[str, str]]) -> Checked | None:
    """The checks of one measure; None where its arms have no spread to compare with."""
    arms = _arms(measure, rows)
    given = next((row["p"] for row in rows if row.get("p")), None)
    lettered = all(arm.letters for arm in arms)
    try:
        against_first = tuple(pair_p(arms, Comparison.TUKEY)[0].tolist())
        p = None if given is None else check_p(arms, given.replace(" ", ""))
        letters = {way: check_letters(arms, way) for way in Comparison} if lettered else {}
    except NoVariationLeft:
        return None
    except ValueError as fault:
        raise NotASummary(f"{measure}: {fault}") from fault
    return Checked(measure, tuple(arms), against_first, p, letters)


def _arms(measure: str, rows: list[dict[str, str]]) -> list[Summary]:
    try:
        found = [
            printed(row["arm"], row["mean"], row.get("sd") or row["se"], int(row["n"]), row.get("letters", ""))
            for row in rows
        ]
    except (CannotCheck, KeyError, ValueError) as fault:
        raise NotASummary(f"{measure}: needed a number for each mean, sd and n") from fault
    return found if rows[0].get("sd") else read_as_standard_errors(found)


def _comparisons(checked: list[Checked]) -> list[Comparison]:
    """The ways of comparing pairs by which most letters follow; none where no letters are printed."""
    if not any(one.letters for one in checked):
        return []
    counts = {way: sum(_not(one, way) for one in checked) for way in Comparison}
    return [way for way, count in counts.items() if count == min(counts.values())]


def _not(one: Checked, way: Comparison) -> int:
    return sum(pair.agreement is Agreement.DOES_NOT for pair in one.letters.get(way, ()))


def _headline(checked: list[Checked], ways: list[Comparison]) -> str:
    with_p = [one for one in checked if one.p is not None]
    wrong = [one.measure for one in with_p if one.p is not None and one.p.agreement is Agreement.DOES_NOT]
    said = []
    if wrong:
        count = several(len(with_p), "printed p", "printed p")
        said.append(f"Of {count}, {len(wrong)} cannot follow from the table's own numbers: {listed(wrong)}.")
    elif with_p:
        said.append(f"All {len(with_p)} printed p follow from the table's own numbers, as far as their digits go.")
    if ways:
        missed = sum(_not(one, ways[0]) for one in checked)
        pairs = sum(len(one.letters.get(ways[0], ())) for one in checked)
        verb = "all follow" if not missed else f"{missed} do not follow even"
        said.append(f"Of what the letters say of {several(pairs, 'pair')}, {verb} by {_named(ways)}.")
    return " ".join(said) or "The table prints neither p nor letters; its pairs are compared here."


def _named(ways: list[Comparison]) -> str:
    return " or ".join(way.value if way is Comparison.LEAST else f"{way.value}'s way" for way in ways)


def _standing(checked: list[Checked], ways: list[Comparison]) -> Standing:
    agreed = [one.p.agreement for one in checked if one.p is not None]
    agreed += [pair.agreement for one in checked for pair in (one.letters.get(ways[0], ()) if ways else ())]
    if Agreement.DOES_NOT in agreed:
        return Standing("open", "some of what is printed does not follow from the table's own numbers")
    if not agreed:
        return Standing("open", "nothing is printed that could be checked")
    if Agreement.WITHIN_ROUNDING in agreed:
        return Standing("leaning", "what is printed follows only within what rounding leaves open")
    return Standing("settled", "everything printed follows from the table's own numbers")


def _p_table(checked: list[Checked]) -> list[Table]:
    columns = (
        Column("measure"), Column("printed p"), Column("p from the table", "", 4), Column("from", "", 4),
        Column("to", "", 4), Column("it"),
    )  # fmt: skip
    rows = tuple(
        (one.measure, one.p.printed, one.p.anova.p, *one.p.open, one.p.agreement.value) for one in checked if one.p
    )
    return [Table("p", "The printed p beside that of a one-way analysis of the table", columns, rows)] if rows else []


def _letters_table(checked: list[Checked], ways: list[Comparison]) -> list[Table]:
    if not ways:
        return []
    columns = (
        Column("measure"), Column("arm"), Column("and"), Column("share a letter"), Column("p", "", 4), Column("it"),
    )  # fmt: skip
    rows = tuple(
        (one.measure, pair.first, pair.second, "yes" if pair.share_letter else "no", pair.p, pair.agreement.value)
        for one in checked
        for pair in one.letters.get(ways[0], ())
    )
    return [Table("letters", f"What the letters say of each pair, by {_named(ways[:1])}", columns, rows)]


def _pairs_table(checked: list[Checked]) -> Table:
    """Every arm against the first by Tukey's way: what the table itself says."""
    columns = (
        Column("measure"), Column("arm"), Column("mean", "", 3), Column("less the first", "", 3),
        Column("p of all pairs at once", "", 4),
    )  # fmt: skip
    rows = []
    for one in checked:
        first = one.arms[0].mean
        rows += [(one.measure, arm.name, arm.mean, arm.mean - first, each)
                 for arm, each in zip(one.arms[1:], one.against_first[1:], strict=True)]  # fmt: skip
    return Table("pairs", "Each arm against the first of the table, by Tukey's way", columns, tuple(rows))


def _cautions(tables: Mapping[str, object], checked: list[Checked]) -> list[str]:
    left = [measure for measure in tables if measure not in {one.measure for one in checked}]
    said = [
        "Blocks, bags counted as replicates and other error terms cannot be seen in a table: one that does not follow "
        "may come from another design, which is for the paper to say.",
    ]
    if left:
        said.append(f"Not checked, for its arms have no spread at all: {listed(left)}.")
    return said


def _next(checked: list[Checked]) -> list[str]:
    wrong = [one for one in checked if one.p is not None and one.p.agreement is Agreement.DOES_NOT]
    if not wrong:
        return []
    with_p = [one for one in checked if one.p is not None]
    fits = units_that_fit([one.arms for one in with_p], [one.p.printed for one in with_p if one.p is not None])
    units, many = max(fits.items(), key=lambda fit: fit[1])
    return [
        f"With {units} replicates a mean {many} of the {len(with_p)} printed p would follow: ask how many there were."
    ]
