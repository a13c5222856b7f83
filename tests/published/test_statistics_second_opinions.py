"""Statistics of lots against general-purpose libraries (SciPy, statsmodels) on published data and on invented numbers."""

from __future__ import annotations

import warnings
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from scipy import stats

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its import meets deprecations of its own dependencies
    from statsmodels.regression.mixed_linear_model import MixedLM
    from statsmodels.stats.diagnostic import normal_ad
    from statsmodels.stats.outliers_influence import OLSInfluence
    from statsmodels.stats.proportion import proportion_confint
    from statsmodels.tsa.stattools import acf

from statsmodels.regression.linear_model import OLS

from pipeline.statistics.components import variance_components
from pipeline.statistics.descriptive import nested
from pipeline.statistics.fraction_outside import observed_fraction
from pipeline.statistics.normality import anderson_darling
from pipeline.statistics.outliers import generalised_extreme_studentized_deviate
from pipeline.statistics.randomness import autocorrelation

if TYPE_CHECKING:
    from pathlib import Path


def wafers(reference_data: Path) -> np.ndarray:
    """Resistivity of 25 check-standard runs, NIST/SEMATECH e-Handbook 2.6.2 (MPC62)."""
    frame = pl.read_csv(reference_data / "nist_mpc62_check_standard" / "mpc62.csv")
    return frame["mean_of_6_ohm_cm"].to_numpy()


def gears(reference_data: Path) -> list[np.ndarray]:
    """Gear diameters of ten batches, NIST/SEMATECH e-Handbook 1.3.5 (GEAR)."""
    frame = pl.read_csv(reference_data / "nist_gear_subgroups" / "gear.csv")
    return [rows["diameter"].to_numpy() for rows in frame.partition_by("batch", maintain_order=True)]


def test_normality_and_its_p(reference_data: Path) -> None:
    for values in (wafers(reference_data), np.concatenate(gears(reference_data))):
        found = anderson_darling(values)
        statistic, p = normal_ad(values)
        assert found.statistic == pytest.approx(statistic, rel=1e-9)
        assert found.p_value == pytest.approx(p, rel=1e-6)


def test_autocorrelation(reference_data: Path) -> None:
    values = wafers(reference_data)
    expected = acf(values, nlags=5, fft=False)
    assert [autocorrelation(values, lag) for lag in range(1, 6)] == pytest.approx(list(expected[1:]), rel=1e-9)


def test_interval_of_a_count() -> None:
    for count, n in ((0, 15), (1, 45), (7, 30)):
        assert observed_fraction(count, n)[1] == pytest.approx(proportion_confint(count, n, method="beta"), rel=1e-9)


def test_components_of_a_balanced_study_are_those_of_a_mixed_model(reference_data: Path) -> None:
    """Restricted maximum likelihood of a balanced study with no negative estimate is the analysis of variance.

    Gear diameters: batch = part, ten readings of one spot (GEAR).
    """
    groups = gears(reference_data)
    values = np.concatenate(groups)
    batch = np.repeat(np.arange(len(groups)), len(groups[0]))
    frame = pl.DataFrame({"lot": 0, "part": batch, "spot": 0, "value": values, "measured_at": np.arange(values.size)})
    found = variance_components(nested(frame).spot_values)
    scaled = (values - values.mean()) * 1000
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = MixedLM(scaled, np.ones((values.size, 1)), groups=batch).fit(reml=True, method="powell")
    assert found["reading"]["variance"] == pytest.approx(model.scale / 1e6, rel=1e-4)
    assert found["part"]["raw"] == pytest.approx(float(model.cov_re[0, 0]) / 1e6, rel=1e-3)


def test_largest_residual_of_groups_is_the_studentised_one() -> None:
    rng = np.random.default_rng(12)
    sizes = [3, 5, 2, 4, 6]
    groups = np.repeat(np.arange(5), sizes)
    x = rng.normal(35, 0.2, groups.size)
    model = OLS(x, np.eye(5)[groups]).fit()
    studentised = np.abs(OLSInfluence(model).resid_studentized_internal)
    found = generalised_extreme_studentized_deviate(x, groups, most=1)
    assert found.removed == (int(np.argmax(studentised)),)
    assert found.statistics[0] == pytest.approx(float(studentised.max()), rel=1e-9)
    # the critical value belongs to Student's t of the residual that is left out of its own estimate
    nu = groups.size - 5
    critical = found.criticals[0]
    external = critical * sqrt((nu - 1) / (nu - critical**2))
    assert 2 * groups.size * stats.t.sf(external, nu - 1) == pytest.approx(0.05, rel=1e-6)
