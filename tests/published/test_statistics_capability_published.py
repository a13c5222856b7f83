"""Capability indices and their intervals, acceptance by variables (sources in expected.toml)."""

from __future__ import annotations

import tomllib
from math import sqrt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from one_by_one import capability, moments

from pipeline.statistics.acceptance import accept_by_k, estimated_nonconforming, operating_characteristic

if TYPE_CHECKING:
    from types import SimpleNamespace

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"


def read(folder: str) -> dict[str, Any]:
    return tomllib.loads((PUBLISHED / folder / "expected.toml").read_text(encoding="utf-8"))


def compare(folder: str, found: dict[str, float | None]) -> None:
    """Compare every published value of a folder; none may be left out."""
    printed = read(folder)["value"]
    assert {case["name"] for case in printed} == set(found)
    for case in printed:
        number = found[case["name"]]
        assert number is not None, case
        assert abs(number - float(case["printed"])) <= float(case["tolerance"]) * (1 + 1e-6), (case, number)


def summary(
    parts: int, mean: float, s: float, lower: float | None, upper: float | None, confidence: float = 0.95
) -> SimpleNamespace:
    """Return the indices of parts that have this mean and standard deviation, all of one subgroup."""
    z = np.arange(parts) - (parts - 1) / 2
    values = mean + s * z / z.std(ddof=1)
    return capability(values.tolist(), lower, upper, subgroup_size=parts, confidence=confidence)


def test_capability_example() -> None:
    x = read("nist_capability_example")["inputs"]
    args = (50, x["mean"], x["standard_deviation"])
    both = summary(*args, x["lower"], x["upper"])
    assert both.cp is not None
    assert both.cpk is not None
    compare(
        "nist_capability_example",
        {
            "Cp": both.cp,
            "Cpk": both.cpk,
            "Cpu": summary(*args, None, x["upper"]).cpk,
            "Cpl": summary(*args, x["lower"], None).cpk,
            "k": 1 - both.cpk / both.cp,
        },
    )


def test_furnace() -> None:
    x = read("nist_furnace_capability")["inputs"]
    found = summary(x["values"], x["mean"], x["standard_deviation"], x["lower"], x["upper"])
    assert found.cp_interval is not None
    assert found.cpk_interval is not None
    compare(
        "nist_furnace_capability",
        {
            "Cp": found.cp,
            "Cpk": found.cpk,
            "Cp low": found.cp_interval[0],
            "Cp high": found.cp_interval[1],
            "Cpk low, normal approximation": found.cpk_interval[0],
            "Cpk high, normal approximation": found.cpk_interval[1],
        },
    )
    # overall and within figures are the same here, so Pp and Ppk must be too
    assert found.pp == pytest.approx(found.cp, rel=1e-12)
    assert found.ppk_interval == pytest.approx(found.cpk_interval, rel=1e-12)


def test_interval_of_the_index() -> None:
    one = summary(20, 0.0, 1.0, None, 3 * 1.33)
    one_sided = summary(20, 0.0, 1.0, None, 3 * 1.33, confidence=0.90)
    two = summary(20, 0.0, 1.0, -3 * 2.29, 3 * 2.29)
    assert one.cpk_interval is not None
    assert one_sided.cpk_interval is not None
    assert two.cp_interval is not None
    low, high = one.cpk_interval
    compare(
        "bissell_1990_capability_interval",
        {
            "half width, Cpk 1.33, n 20": (high - low) / 2,
            "low, Cpk 1.33, n 20": low,
            "high, Cpk 1.33, n 20": high,
            "one-sided 95 % lower limit, Cpk 1.33, n 20": one_sided.cpk_interval[0],
            "Cp 2.29, n 20, low": two.cp_interval[0],
            "Cp 2.29, n 20, high": two.cp_interval[1],
        },
    )
    # a textbook's 0.99 to 1.67 is an error and must not come out
    assert abs(low - 0.99) > 0.1
    assert abs(high - 1.67) > 0.1


def test_acceptance_by_variables() -> None:
    x = read("mil_std_414_variables")["inputs"]
    values, n, k = x["values"], len(x["values"]), x["k"]
    m = moments(values)
    assert m.standard_deviation is not None
    result = accept_by_k(n, m.mean, m.standard_deviation, k, None, x["upper"])
    assert result.accepted
    assert result.quality_upper is not None
    assert result.most_nonconforming is not None
    # form 2 enters its table with the rounded quality index
    estimated = 100 * float(estimated_nonconforming(round(result.quality_upper, 2), n))
    assert estimated <= x["table_most_percent"]
    chance = operating_characteristic([0.01, 0.05, 0.10], n, k)
    compare(
        "mil_std_414_variables",
        {
            "sum": sum(values),
            "sum of squares": sum(value * value for value in values),
            "mean": m.mean,
            "standard deviation": m.standard_deviation,
            "quality index": result.quality_upper,
            "estimated percent nonconforming": estimated,
            "acceptance probability at 1 %": float(chance[0]),
            "acceptance probability at 5 %": float(chance[1]),
            "acceptance probability at 10 %": float(chance[2]),
            "percent nonconforming that k stands for": 100 * result.most_nonconforming,
        },
    )
    # example B-3: both limits, form 2, with rounded quality indices and the table's M
    both = accept_by_k(
        n,
        m.mean,
        m.standard_deviation,
        None,
        read("mil_std_414_two_limits")["inputs"]["lower"],
        x["upper"],
        x["table_most_percent"],
    )
    assert both.accepted
    assert both.quality_lower is not None
    low = 100 * float(estimated_nonconforming(round(both.quality_lower, 2), n))
    compare(
        "mil_std_414_two_limits", {"estimated percent below": low, "estimated percent beyond both": low + estimated}
    )
    limit = m.mean + k * m.standard_deviation
    assert accept_by_k(n, m.mean, m.standard_deviation, k, None, limit * (1 + 1e-9)).accepted
    assert not accept_by_k(n, m.mean, m.standard_deviation, k, None, limit * (1 - 1e-9)).accepted
    assert result.quality_upper == pytest.approx((209 - 195) / sqrt(77.5), rel=1e-12)
