"""Components of variance by both methods against printed values and a general library (sources in expected.toml)."""

from __future__ import annotations

import tomllib
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its import meets deprecations of its own dependencies
    from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.statistics.components import LEVELS, variance_components
from pipeline.statistics.descriptive import nested
from pipeline.statistics.restricted_likelihood import restricted_components

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"


def batches(folder: str) -> tuple[pl.DataFrame, dict[str, float]]:
    """Return the spots of batches as lots and samples as parts, and what is printed by name."""
    document: dict[str, Any] = tomllib.loads((PUBLISHED / folder / "expected.toml").read_text("utf-8"))
    values, size = document["inputs"]["values"], document["inputs"]["per_batch"]
    place = pl.int_range(len(values), eager=True)
    frame = pl.DataFrame({"lot": place // size, "part": place % size, "spot": place * 0, "measured_at": place})
    spots = nested(frame.with_columns(pl.Series("value", values, dtype=pl.Float64))).spot_values
    return spots, document["value"]


def agree(printed: Any, found: dict[str, float]) -> None:
    assert {case["name"] for case in printed} == set(found)
    for case in printed:
        assert abs(found[case["name"]] - float(case["printed"])) <= float(case["tolerance"]) * (1 + 1e-9), case


def test_dyestuff() -> None:
    spots, printed = batches("davies_1947_dyestuff")
    anova = variance_components(spots)
    between, within = restricted_components(spots, anova).rows(named=True)[:2]
    agree(
        printed,
        {
            "mean square between batches": anova["lot"]["mean_square"],
            "mean square within batches": anova["part"]["mean_square"],
            "F": anova["lot"]["f_ratio"],
            "variance between batches": between["variance"],
            "variance within batches": within["variance"],
            "standard deviation between batches": between["standard_deviation"],
            "standard deviation within batches": within["standard_deviation"],
        },
    )
    assert between["percent_of_variance"] == pytest.approx(100 * 1764.05 / (1764.05 + 2451.25))


def test_a_negative_estimate_is_zero_and_the_rest_takes_it_in() -> None:
    spots, printed = batches("box_tiao_1973_dyestuff")
    anova = variance_components(spots)
    between, within = restricted_components(spots, anova).rows(named=True)[:2]
    agree(
        printed,
        {
            "mean square between batches": anova["lot"]["mean_square"],
            "mean square within batches": anova["part"]["mean_square"],
            "variance between batches": between["variance"],
            "standard deviation within batches": within["standard_deviation"],
        },
    )
    assert anova["lot"]["raw"] < 0
    assert (between["likelihood_ratio"], between["p_value"]) == (0.0, 1.0)


def uneven(seed: int, spreads: tuple[float, float, float, float]) -> pd.DataFrame:
    """Return single readings of 9 lots of 1 to 6 parts, 1 to 3 spots a part, 1 to 4 readings a spot. Invented numbers."""
    rng = np.random.default_rng(seed)
    rows = []
    for lot in range(9):
        of_lot = 58 + rng.normal(0, spreads[0])
        for part in range(rng.integers(1, 7)):
            of_part = of_lot + rng.normal(0, spreads[1])
            for spot in range(rng.integers(1, 4)):
                of_spot = of_part + rng.normal(0, spreads[2])
                readings = of_spot + rng.normal(0, spreads[3], rng.integers(1, 5))
                rows += [(lot, f"{lot}-{part}", f"{lot}-{part}-{spot}", value) for value in readings]
    return pd.DataFrame(rows, columns=["lot", "part", "spot", "value"])


@pytest.mark.parametrize("seed", [3, 5])
def test_unbalanced_components_and_their_ratios_are_those_of_a_mixed_model(seed: int) -> None:
    table = uneven(seed, (0.3, 0.2, 0.1, 0.1))
    spots = nested(pl.DataFrame(table.to_dict("list")).with_row_index("measured_at")).spot_values
    found = restricted_components(spots, variance_components(spots))
    nests = {"part": "0+C(part)", "spot": "0+C(spot)"}

    def fitted(nests: dict[str, str]) -> Any:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = MixedLM.from_formula("value ~ 1", table, groups="lot", re_formula="1", vc_formula=nests)
            return model.fit(reml=True, method="lbfgs", gtol=1e-9, maxiter=2000)

    whole = fitted(nests)
    expected = [float(whole.cov_re.iloc[0, 0]), *map(float, whole.vcomp), float(whole.scale)]
    assert found["variance"].to_list() == pytest.approx(expected, rel=2e-4)
    for place, level in ((1, "part"), (2, "spot")):
        without = fitted({name: formula for name, formula in nests.items() if name != level})
        assert found["likelihood_ratio"][place] == pytest.approx(2 * (whole.llf - without.llf), rel=1e-4)
    assert found["level"].to_list() == list(LEVELS)
