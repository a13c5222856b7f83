"""What goods-in planted in the demo, by arithmetic of its own; and that the tool finds each thing and nothing else."""

from __future__ import annotations

import csv
import math
from statistics import fmean
from typing import TYPE_CHECKING

import polars as pl
import pytest
from demo_parts import assess_meter, planted

from fixtures.demo import build
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.questions.trace_sensor import trace_sensor
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.judge.assessment import Assessment

TRUTH = planted("goods_in")
IACS = 0.58


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("goods_in")
    build(folder)
    return folder


@pytest.fixture(scope="module")
def found(root: Path) -> Assessment:
    return assess_meter(root, TRUTH)


def readings(root: Path, lot: str) -> list[dict[str, str]]:
    rows: list[dict[str, str]] = []
    for path in sorted((root / "inbox" / TRUTH["meter"]).glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows += [row for row in csv.DictReader(file) if row["lot"] == lot]
    return rows


def spot_means(rows: list[dict[str, str]], values: list[float]) -> list[float]:
    spots: dict[tuple[str, str], list[float]] = {}
    for row, value in zip(rows, values, strict=True):
        spots.setdefault((row["part"], row["spot"]), []).append(value)
    return [fmean(each) for each in spots.values()]


def codes(found: Assessment, lot: str) -> list[str]:
    return [flag.split(":")[0] for flag in found.lots[lot].flags]


def test_all_are_accepted(found: Assessment) -> None:
    assert {lot: result.verdict for lot, result in found.lots.items()} == dict.fromkeys(TRUTH["lots"], "accept")
    assert [str(at.date()) for at in found.meter_settings["at"]] == [TRUTH["setting_day"]]
    assert found.checks["passes"].all()


def test_the_relative_lot(root: Path, found: Assessment) -> None:
    truth = TRUTH["relative"]
    rows = readings(root, truth["lot"])
    assert {(row["temperature_state"], float(row["temperature_c"])) for row in rows} == {("relative", truth["metal_c"])}
    shown = [float(row["value"]) for row in rows]
    assert fmean(mean > truth["upper_limit_iacs"] for mean in spot_means(rows, shown)) > 0.5
    block = 1 + 0.0000681 * (truth["block_c"] - 20) * 58.02  # ρ(T)/ρ(20 °C) of the block the meter was set on
    at_20 = [1 / (1 / (value * IACS / block) - 0.000115 * (truth["metal_c"] - 20)) / IACS for value in shown]
    assert max(spot_means(rows, at_20)) < truth["upper_limit_iacs"]
    assert fmean(at_20) == pytest.approx(truth["mean_at_20_iacs"], abs=0.0005)
    result = found.lots[truth["lot"]]
    assert result.mean == pytest.approx(fmean(at_20) * IACS, rel=1e-9)
    assert codes(found, truth["lot"]) == []
    assert any(f"on {truth['block']} (copper) at {truth['block_c']} °C" in words for words in result.temperature_models)


def test_the_thin_sheet(root: Path, found: Assessment) -> None:
    truth = TRUTH["thin"]
    rows = readings(root, truth["lot"])
    at_20 = [
        1 / (1 / (float(row["value"]) * IACS) - 0.000115 * (float(row["temperature_c"]) - 20)) / IACS for row in rows
    ]
    assert min(spot_means(rows, at_20)) > truth["upper_limit_iacs"]
    depth = 660.855 / math.sqrt(60_000 * fmean(float(row["value"]) for row in rows))
    assert float(rows[0]["thickness_mm"]) / depth == pytest.approx(truth["depths"], abs=0.05)
    assert fmean(at_20) + truth["shift_iacs"] == pytest.approx(truth["mean_at_20_iacs"], abs=0.0005)
    result = found.lots[truth["lot"]]
    assert result.mean == pytest.approx((fmean(at_20) + truth["shift_iacs"]) * IACS, rel=1e-9)
    assert codes(found, truth["lot"]) == ["corrected_for_geometry"]
    assert [(each.correction, each.value, each.readings) for each in result.corrections] == [
        (truth["correction"], truth["shift_iacs"], len(rows))
    ]


def test_the_sensor_past_its_date(root: Path, found: Assessment) -> None:
    truth = TRUTH["sensor"]
    assert {row["sensor"] for row in readings(root, truth["lot"])} == {truth["sensor"]}
    assert codes(found, truth["lot"]) == ["sensor_overdue"]  # the failed check came later than the last reading
    workspace = find_workspace(root)
    with History.open(workspace.history) as history:
        later = assess(history, workspace.settings, as_of=found.as_of.replace(month=8, day=21))
    assert codes(later, truth["lot"]) == ["sensor_overdue", "sensor_in_doubt"]
    assert later.lots[truth["lot"]].verdict == "accept"
    flag = later.lots[truth["lot"]].flags[1]
    assert f"{truth['sensor']}, which was {truth['error_c']} °C off on {truth['failed_on']}" in flag
    assert f"last good check {truth['last_good_on']}" in flag
    # the error times the slope of resistivity times the square of the value
    moved = truth["error_c"] * 0.0000681 * (later.lots[truth["lot"]].mean or 0.0) ** 2
    assert f"by about {moved:+.2g} MS/m" in flag
    traced = trace_sensor(later, truth["sensor"])
    assert [lot.lot for lot in traced.lots] == [truth["lot"]]
    assert traced.last_check_passed is False
    assert traced.checks[-1].error_c == pytest.approx(truth["error_c"], abs=1e-9)


def test_nobody_else_reads_in_relative_state(found: Assessment) -> None:
    relative = found.readings.filter(pl.col("temperature_state") == "relative")
    assert relative.filter(pl.col("role") == "part")["lot"].unique().to_list() == [TRUTH["relative"]["lot"]]
    assert relative["no_reference_reason"].null_count() == relative.height
