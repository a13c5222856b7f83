"""GUM H.1, H.5, coverage factors, JCGM 106 and E_n (each with its source in expected.toml)."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from one_by_one import lot_mean_budget
from scipy.optimize import brentq
from scipy.stats import f as f_distribution

from pipeline.metrology.guard_band import conformance_probability, guard_band
from pipeline.metrology.lot_budget import LotMeanInputs
from pipeline.metrology.uncertainty import combine, coverage_factor, normalised_error
from schemas.results import Contribution

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"


def read(folder: str) -> dict[str, Any]:
    return tomllib.loads((PUBLISHED / folder / "expected.toml").read_text(encoding="utf-8"))


def compare(folder: str, found: dict[str, float]) -> None:
    """Compare every published value of a folder; none may be left out."""
    printed = read(folder)["value"]
    assert {case["name"] for case in printed} == set(found)
    for case in printed:
        assert abs(found[case["name"]] - float(case["printed"])) <= float(case["tolerance"]) * (1 + 1e-9), (
            case,
            found[case["name"]],
        )


def line(name: str, u: float, nu: float | None) -> Contribution:
    return Contribution(name, u, nu, False, "JCGM 100:2008, H.1")


def test_end_gauge() -> None:
    x = read("jcgm_2008_end_gauge")["inputs"]
    difference = combine(
        [
            line("difference", u, nu)
            for u, nu in zip(x["difference_nm"], x["difference_degrees_of_freedom"], strict=True)
        ]
    )
    length_nm = x["length_mm"] * 1e6
    expansion = (
        length_nm * abs(x["temperature_deviation_c"]) * x["expansion_difference_half_width_per_c"] / math.sqrt(3)
    )
    temperature = length_nm * x["expansion_per_c"] * x["temperature_difference_half_width_c"] / math.sqrt(3)
    total = combine(
        [
            line("standard", x["standard_nm"], x["standard_degrees_of_freedom"]),
            line("difference", difference.standard_uncertainty, difference.degrees_of_freedom),
            line("difference of expansion", expansion, x["expansion_difference_degrees_of_freedom"]),
            line("difference of temperature", temperature, x["temperature_difference_degrees_of_freedom"]),
        ],
        coverage=0.99,
    )
    assert total.degrees_of_freedom is not None
    assert difference.degrees_of_freedom is not None
    compare(
        "jcgm_2008_end_gauge",
        {
            "combined standard uncertainty in nm": total.standard_uncertainty,
            "combined standard uncertainty in nm, not rounded": total.standard_uncertainty,
            "effective degrees of freedom": total.degrees_of_freedom,
            "degrees of freedom used": math.floor(total.degrees_of_freedom),
            "coverage factor for 99 %": total.coverage_factor,
            "expanded uncertainty in nm": total.expanded_uncertainty,
            "standard uncertainty of the difference in nm": difference.standard_uncertainty,
            "effective degrees of freedom of the difference": difference.degrees_of_freedom,
            "contribution of the difference of expansion in nm": expansion,
            "contribution of the difference of temperature in nm": temperature,
        },
    )


def test_between_day() -> None:
    x = read("jcgm_2008_between_day")["inputs"]
    means = np.array(x["day_means_v"])
    per_day, days = x["per_day"], len(means)
    within_uv = math.sqrt(np.mean(np.square(x["day_standard_deviations_uv"])))
    of_means_uv = means.std(ddof=1) * 1e6
    # days are to a voltage what parts are to a lot: the scatter of the means is what the mean of all stands on
    budget = lot_mean_budget(
        LotMeanInputs(
            mean=float(means.mean()),
            readings=per_day * days,
            parts=days,
            part_standard_deviation=of_means_uv,
        )
    )
    scatter = budget.contributions[0]
    assert scatter.degrees_of_freedom == days - 1
    compare(
        "jcgm_2008_between_day",
        {
            "mean in V": float(means.mean()),
            "standard deviation of day means in uV": of_means_uv,
            "s_a in uV": of_means_uv * math.sqrt(per_day),
            "s_b in uV": within_uv,
            "F": per_day * of_means_uv**2 / within_uv**2,
            "standard uncertainty of the mean in uV": scatter.standard_uncertainty,
            "between-day standard deviation in uV": math.sqrt(of_means_uv**2 - within_uv**2 / per_day),
            "F critical, 9 and 40, 5 %": float(f_distribution.isf(0.05, days - 1, days * (per_day - 1))),
            "F critical, 9 and 40, 2.5 %": float(f_distribution.isf(0.025, days - 1, days * (per_day - 1))),
        },
    )


def test_conformity() -> None:
    x = read("jcgm_2012_conformity")["inputs"]
    zener = conformance_probability(x["zener_v"], x["zener_standard_uncertainty_v"], upper=x["zener_limit_v"])
    speed, u = x["speed_limit_km_per_h"], x["speed_relative_standard_uncertainty"]
    guard = guard_band(0.95, 1.0, upper=0.0).width
    assert guard is not None

    def exceeding(chance: float) -> float:
        return float(brentq(lambda v: conformance_probability(v, u * v, lower=speed) - chance, speed, 1.5 * speed))

    compare(
        "jcgm_2012_conformity",
        {
            "conformance of the Zener diode": zener,
            "conformance of the Zener diode, four digits": zener,
            "speed that exceeds 100 km/h with 95 %": exceeding(0.95),
            "speed that exceeds 100 km/h with 99.9 %": exceeding(0.999),
            "guard band of one limit for 95 %, in u": guard,
        },
    )


def test_normalised_error() -> None:
    compare(
        "iso_13528_normalised_error",
        {
            case["name"]: normalised_error(
                case["value"], case["expanded"], case["reference"], case["reference_expanded"]
            )
            for case in read("iso_13528_normalised_error")["value"]
        },
    )


@pytest.mark.parametrize("case", read("student_t_coverage")["value"], ids=lambda case: case["name"])
def test_coverage_factor(case: dict[str, Any]) -> None:
    found = coverage_factor(case.get("degrees_of_freedom"), coverage=case["coverage_percent"] / 100)
    assert abs(found - float(case["printed"])) <= float(case["tolerance"])
