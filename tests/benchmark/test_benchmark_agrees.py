"""The product and the pandas script of the benchmark give the same verdicts and figures: an independent check of both."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from benchmark import baseline_pandas, generate

from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.load.load import load_files
from pipeline.load.take_over import take_over_reference
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from schemas.results import LotResult

READINGS, LOTS = 20_000, 100
FIGURES = (
    "mean", "standard_deviation", "minimum", "maximum", "repeatability", "cp", "cpk", "pp", "ppk", "expanded_uncertainty",
)  # fmt: skip


@dataclass
class Both:
    product: dict[str, LotResult]
    script: pd.DataFrame


def both(folder: Path, **given: int) -> Both:
    """Load and assess with the product, and analyse the same file with the script."""
    export = folder / "inbox" / "readings.csv"
    generate.write_workspace(folder, LOTS)
    generate.write_readings(export, READINGS, LOTS, **given)
    return analysed(folder, export)


def analysed(folder: Path, export: Path) -> Both:
    workspace, now = find_workspace(folder), datetime(2026, 1, 1, tzinfo=UTC)
    take_over_reference(workspace, now=now)
    (report,) = load_files(workspace, [export], now=now)
    assert report.status == "loaded", report.sentence
    assert report.fates["quarantined"] == report.fates["duplicate"] == report.conflicts == 0
    with History.open(workspace.history) as history:
        found = assess(history, workspace.settings, as_of=None)
    script = baseline_pandas.analyse(
        baseline_pandas.read_readings(export), baseline_pandas.read_reference(folder / "reference")
    )
    assert report.readings == pl.read_csv(export).height
    return Both(found.lots, script)


def agree(pair: Both) -> None:
    assert list(pair.product) == list(pair.script.index)
    for name in ("verdict", "support", "readings", "parts"):
        of_product = {lot: getattr(result, name) for lot, result in pair.product.items()}
        assert of_product == pair.script[name].to_dict(), name
    for name in FIGURES:
        close(pair, name, [getattr(result, name) for result in pair.product.values()], pair.script[name], 1e-9)
    soft = {lot for lot, result in pair.product.items() if any("spots_differ" in flag for flag in result.flags)}
    assert soft == set(pair.script.index[pair.script["soft"]])
    for name in ("cp", "cpk", "pp", "ppk"):
        for side, place in (("low", 0), ("high", 1)):
            intervals = [getattr(result, f"{name}_interval") for result in pair.product.values()]
            numbers = [None if interval is None else interval[place] for interval in intervals]
            close(pair, f"{name}_{side}", numbers, pair.script[f"{name}_{side}"], 1e-8)


def close(pair: Both, name: str, product: list[float | None], script: pd.Series, relative: float) -> None:
    got = np.array([np.nan if number is None else number for number in product])
    assert np.isfinite(script.to_numpy()).sum() >= LOTS // 2, f"{name}: too few figures to compare"
    np.testing.assert_allclose(got, script.to_numpy(), rtol=relative, atol=0, equal_nan=True, err_msg=name)


def test_all_checks_pass(tmp_path: Path) -> None:
    pair = both(tmp_path)
    agree(pair)
    verdicts = pair.script["verdict"].value_counts()
    assert set(verdicts.index) == {"accept", "reject"}, "the limits must let most lots pass and stop some"
    assert verdicts["accept"] > verdicts["reject"]


def test_failed_runs_make_lots_suspect(tmp_path: Path) -> None:
    pair = both(tmp_path, failed_runs=4, seed=7)
    agree(pair)
    assert {"accept", "hold"} <= set(pair.script["verdict"])
    assert {"supported", "suspect"} == set(pair.script["support"])


@pytest.mark.parametrize(("last_of", "expected"), [("M-2", "open"), ("M-1", "unsupported")])
def test_checks_left_out(tmp_path: Path, last_of: str, expected: str) -> None:
    """Without the checks of the last days, one meter's lots wait or have lost their support."""
    generate.write_workspace(tmp_path, LOTS)
    whole, export = tmp_path / "whole.csv", tmp_path / "inbox" / "readings.csv"
    generate.write_readings(whole, READINGS, LOTS)
    frame = pl.read_csv(whole, infer_schema=False)
    of_meter = frame.filter((pl.col("meter") == last_of) & (pl.col("role") == "block"))["measured_at"].unique().sort()
    # for the lots that wait, only the closing run is missing; else every check after the first run of checks
    keep_until = of_meter[-11] if expected == "open" else of_meter[9]
    gone = (pl.col("meter") == last_of) & (pl.col("role") == "block") & (pl.col("measured_at") > keep_until)
    frame.filter(~gone).write_csv(export)
    pair = analysed(tmp_path, export)
    agree(pair)
    assert expected in set(pair.script["support"])
