"""What the rod shop planted in the demo, by arithmetic of its own; and that the tool finds each thing and nothing else."""

from __future__ import annotations

import csv
from statistics import fmean, stdev
from typing import TYPE_CHECKING

import numpy as np
import pytest
from demo_parts import assess_meter, planted
from scipy.stats import norm

from fixtures.demo import build
from pipeline.judge.lots.budgets import with_budgets
from pipeline.questions.meter_budgets import with_meter_budgets

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.judge.assessment import Assessment

TRUTH = planted("rod_shop")
SLOPE = 0.0000681
BIAS = TRUTH["bias"]


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rod_shop")
    build(folder)
    return folder


@pytest.fixture(scope="module")
def found(root: Path) -> Assessment:
    return assess_meter(root, TRUTH)


def at_20(root: Path) -> list[tuple[dict[str, str], float]]:
    """Read the export, and correct each value by its own formula."""
    (path,) = (root / "inbox" / TRUTH["meter"]).glob("*.csv")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [(row, 1 / (1 / float(row["value"]) - SLOPE * (float(row["temperature_c"]) - 20.0))) for row in rows]


def planted_bias(level: float) -> float:
    return float(BIAS["at_52"] + BIAS["slope"] * (level - 52.0))


def test_each_lot_has_its_verdict_and_every_check_passes(found: Assessment) -> None:
    verdicts = {lot: result.verdict for lot, result in found.lots.items()}
    assert verdicts == {**dict.fromkeys(TRUTH["hold"], "hold"), **dict.fromkeys(TRUTH["accept"], "accept")}
    assert found.checks["passes"].all()
    assert not found.meters[TRUTH["meter"]].signals


def test_the_bias_that_grows_with_conductivity(root: Path, found: Assessment) -> None:
    (line,) = with_meter_budgets(found, found.meters[TRUTH["meter"]]).bias_lines
    levels = [point.certified_value for point in line.points]
    assert levels == list(BIAS["blocks"].values())
    # the meter did not move, so its level is the mean as far as the scatter of eight checks lets it be
    by_block = {
        block: fmean(value for row, value in at_20(root) if row["block"] == block) - certified
        for block, certified in BIAS["blocks"].items()
    }
    assert [point.bias for point in line.points] == pytest.approx(
        [by_block[block] for block in BIAS["blocks"]], abs=0.006
    )
    # all blocks have one certificate's uncertainty and as many checks: the line is that of plain least squares
    slope, intercept = np.polyfit(np.array(levels) - 52.0, [point.bias for point in line.points], 1)
    assert (line.slope, line.bias) == pytest.approx((slope, intercept + slope * ((line.centre or 0.0) - 52.0)))
    assert line.slope_interval is not None
    assert line.slope_interval[0] < BIAS["slope"] < line.slope_interval[1]
    assert line.slope_interval[0] > 0
    for lot in TRUTH["lots"]:
        (at,) = with_budgets(found, found.lots[lot]).bias_at_level
        assert (at.applied, at.beyond, at.blocks) == (False, 0.0, 3)
        assert at.bias is not None
        assert at.standard_uncertainty is not None
        assert abs(at.bias - planted_bias(at.level)) < 2 * at.standard_uncertainty


def test_the_lot_in_the_guard_band(root: Path, found: Assessment) -> None:
    truth = TRUTH["undecided"]
    result = found.lots[truth["lot"]]
    spots: dict[tuple[str, str], list[float]] = {}
    for row, value in at_20(root):
        if row["lot"] == truth["lot"]:
            spots.setdefault((row["part"], row["spot"]), []).append(value)
    means = [fmean(values) for values in spots.values()]
    assert all(mean > truth["lower"] for mean in means)
    assert result.limits_met == "undecided"
    conformity = result.conformity
    assert conformity is not None
    assert conformity.lowest == pytest.approx(min(means))
    assert conformity.guard_band_from == "conformance_probability"
    assert conformity.required_probability == truth["probability"]
    # at least what certificate and repeats make of it; and the lowest lies inside
    repeats = (fmean(stdev(values) ** 2 for values in spots.values()) / 3) ** 0.5
    assert conformity.guard_band is not None
    assert conformity.guard_band > norm.ppf(0.95) * (0.05**2 + repeats**2) ** 0.5
    assert min(means) < truth["lower"] + conformity.guard_band < max(means)


def test_hardness_missing_and_hardness_of_a_part_never_read(found: Assessment) -> None:
    truth = TRUTH["hardness"]
    missing = found.lots[truth["missing"]]
    assert missing.reasons[0].startswith("Conductivity in, hardness missing")
    beside = found.lots[truth["lot"]]
    assert [(one.part, one.read) for one in beside.hardness] == [
        (part, part != truth["never_read"]) for part in sorted(truth["parts"])
    ]
    assert all(one.within == "in" for one in beside.hardness)
    (flag,) = [flag for flag in beside.flags if flag.startswith("hardness_of_unread_part")]
    assert flag.endswith(f": {truth['never_read']}")
    others = {lot for lot, r in found.lots.items() if any("hardness" in flag for flag in r.flags)}
    assert others == {truth["lot"]}
