"""Biological efficiencies of published crops come out as printed, and a misprint is told apart."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from pinset.science.yields import EFFICIENCY_LIMIT, DryBasis, Judgement, biological_efficiency, flush_shares, judge

LINES = (Path(__file__).parent / "crops.csv").read_text(encoding="utf-8").splitlines()
CROPS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
MISPRINTED = "rice straw"


def efficiency(crop: dict[str, str]) -> float:
    found = biological_efficiency([float(crop["picked"])], [float(crop["dry"])], basis=DryBasis.SUBSTRATE)
    return 100 * float(found.value[0])


@pytest.mark.parametrize(
    "crop", [crop for crop in CROPS if crop["substrate"] != MISPRINTED], ids=lambda crop: crop["substrate"]
)
def test_efficiency_as_printed(crop: dict[str, str]) -> None:
    """Tavarwisa's are 1 kg dry each, three flushes; Wu's bag holds 400 g dry, which follows from its two figures."""
    decimals = len(crop["efficiency"].partition(".")[2])
    assert efficiency(crop) == pytest.approx(float(crop["efficiency"]), abs=0.51 * 10.0**-decimals)


def test_rice_straw_is_misprinted() -> None:
    """399.70 g per kg of substrate is 39.97 %; 39.40 is printed, and the same abstract's 13.54 g per kg as 1.35."""
    (crop,) = (crop for crop in CROPS if crop["substrate"] == MISPRINTED)
    assert f"{efficiency(crop):.2f}" == "39.97"
    assert efficiency(crop) - float(crop["efficiency"]) > 0.5


def test_flushes_of_p_fossulatus() -> None:
    """30.8 % on day 21 and 14.6 % on day 38 (abstract, rice straw at 22 °C) are 67.8 and 32.2 % of the crop."""
    assert (100 * flush_shares([30.8, 14.6], [1, 2])).round(1).tolist() == [67.8, 32.2]


def test_published_efficiencies_are_plausible() -> None:
    """The highest read: 106.93 %, straw in fungicide steep (Jaramillo Mejía & Albertó 2013, abstract)."""
    values = [float(crop["efficiency"]) / 100 for crop in CROPS] + [1.0693]
    assert set(judge(values, EFFICIENCY_LIMIT)) == {Judgement.PLAUSIBLE}


def test_percent_taken_for_a_fraction_is_not() -> None:
    assert judge(np.array([68.2]), EFFICIENCY_LIMIT) == [Judgement.IMPLAUSIBLE]
