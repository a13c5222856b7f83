"""Real readings through the whole pipeline: NIST's check standard for resistivity.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.6.2, doi:10.18434/M32189; figures as printed by NIST's R code,
kept with their citation in fixtures/published/nist_mpc62_check_standard/expected.toml.
"""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest

from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.statistics.trend import precision_limit
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def printed() -> dict[str, tuple[float, float]]:
    text = (FIXTURES / "published" / "nist_mpc62_check_standard" / "expected.toml").read_text(encoding="utf-8")
    return {v["name"]: (float(v["printed"]), float(v["tolerance"])) for v in tomllib.loads(text)["value"]}


@pytest.fixture
def check_standard(shell: Shell, reference_data: Path) -> Shell:
    shell("init", str(shell.root))
    real = FIXTURES / "real" / "mpc62"
    shutil.copy(real / "annealog.toml", shell.root)
    shutil.copy(real / "blocks.csv", shell.root / "reference")
    shutil.copy(real / "layout.toml", shell.root / "layouts")
    data = reference_data / "nist_mpc62_check_standard" / "mpc62.csv"
    report = shell.load(data)
    assert report["files"][0]["layout"] == "check_standard_means"
    assert report["files"][0]["fates"]["accepted"] == 25
    shell("record", "baseline", "--meter", "2362", "--block", "137", "--by", "NIST", "--why", "all 25 occasions")
    assert shell.code == 0, shell.err
    return shell


def test_the_meter_reproduces_the_published_figures(check_standard: Shell) -> None:
    meter: dict[str, Any] = check_standard.json("meter", "2362")
    block = meter["blocks"][0]
    found = {
        "level-1 standard deviation": block["within_standard_deviation"],
        "level-1 degrees of freedom": block["within_degrees_of_freedom"],
        "level-2 standard deviation": block["standard_deviation"],
        "level-2 degrees of freedom": block["checks"] - 1,
        # the chart of the handbook counts every check into its pool; ours leaves outlying ones out of the limit
        "upper limit of the precision chart": precision_limit(
            block["within_standard_deviation"], 5, block["within_degrees_of_freedom"]
        ),
        # the handbook draws s as estimated; our limits carry what 25 checks leave unknown of it
        "2-sigma lower limit": block["centre"]
        + (block["warning_limits"][0] - block["centre"]) / block["limit_widening"],
        "2-sigma centre": block["centre"],
        "2-sigma upper limit": block["centre"]
        + (block["warning_limits"][1] - block["centre"]) / block["limit_widening"],
    }
    expected = printed()
    for name, value in found.items():
        figure, tolerance = expected[name]
        # half a unit of the last printed digit, and the rounding of the comparison itself
        assert abs(value - figure) <= tolerance * (1 + 1e-9), (name, value, figure)
    assert (meter["unit"], block["limits_kind"], block["baseline_checks"], block["checks"]) == (
        "Ohm.cm",
        "frozen",
        25,
        25,
    )
    assert block["bias"] is None
    assert "certificate" in block["not_computable"]["bias"]


def test_warnings_and_no_reject(check_standard: Shell) -> None:
    """Derived from the data (reference notes A1): rows 6 and 20 lie outside 2 sigma, and nothing rejects."""
    workspace = find_workspace(check_standard.root)
    with History.open(workspace.history) as history:
        checks = assess(history, workspace.settings, as_of=None).checks
        rows = history.readings(columns=["sequence", "value", "measured_at"])
    seen = checks.join(rows, left_on="at", right_on="measured_at")
    seen = seen.with_columns((pl.col("z") * pl.col("limit_widening")).alias("z"))  # against s as estimated
    assert sorted(seen.filter(pl.col("z").abs() > 2)["sequence"].to_list()) == [6, 20]
    assert checks.filter(pl.col("rejects") != "").height == 0
    figure, tolerance = printed()["largest |z|"]
    assert abs(seen["z"].abs().max() - figure) <= tolerance
    # the value in the working unit is the value as written, to the last bit
    assert (seen["mean"] == seen["value"]).all()
    block = check_standard.json("meter", "2362")["blocks"][0]
    precision = precision_limit(block["within_standard_deviation"], 5, block["within_degrees_of_freedom"])
    assert sorted(seen.filter(pl.col("within_standard_deviation") > precision)["sequence"].to_list()) == [8, 20]
