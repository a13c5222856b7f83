"""NIST handbook and StRD: check standards, gauge studies, resistor drift, comparison of groups (sources in expected.toml)."""

from __future__ import annotations

import tomllib
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from one_by_one import moments
from scipy import special

from pipeline.metrology.agreement import MeterMean, compare_meters
from pipeline.metrology.interlaboratory import compared
from pipeline.statistics.charts import individuals
from pipeline.statistics.components import variance_components
from pipeline.statistics.constants import d2
from pipeline.statistics.descriptive import nested, pooled_deviation
from pipeline.statistics.gauge_study import crossed_study
from pipeline.statistics.intervals import mean_interval
from pipeline.statistics.quantiles import quantile
from pipeline.statistics.randomness import autocorrelation, autocorrelation_bound
from pipeline.statistics.tolerance_factors import one_sided_factor, two_sided_factor
from pipeline.statistics.trend import precision_limit, slope, slopes

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"
VALUE, SPREAD = "mean_of_6_ohm_cm", "sd_of_6_ohm_cm"


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


def known(number: float | None) -> float:
    assert number is not None
    return number


def test_check_standard_for_resistivity(reference_data: Path) -> None:
    frame = pl.read_csv(reference_data / "nist_mpc62_check_standard" / "mpc62.csv")
    expected = read("nist_mpc62_check_standard")["inputs"]
    pooled = pooled_deviation(frame[SPREAD], frame["df"])
    level_1 = known(pooled.standard_deviation)
    level_2 = moments(frame[VALUE])
    s = known(level_2.standard_deviation)
    limit = precision_limit(level_1, 5, pooled.degrees_of_freedom)
    chart = individuals(frame[VALUE])
    in_time = individuals(frame.sort("month", "day", "hour", "minute")[VALUE])
    assert chart.sigma is not None
    assert in_time.sigma is not None
    by_table = 3 * chart.sigma * d2(2) / 1.128
    z = (frame[VALUE].to_numpy() - level_2.mean) / s
    compare(
        "nist_mpc62_check_standard",
        {
            "level-1 standard deviation": level_1,
            "level-1 degrees of freedom": pooled.degrees_of_freedom,
            "level-2 standard deviation": s,
            "level-2 degrees of freedom": level_2.count - 1,
            "F(0.95; 5, 125)": (limit / level_1) ** 2,
            "upper limit of the precision chart": limit,
            "2-sigma lower limit": level_2.mean - 2 * s,
            "2-sigma centre": level_2.mean,
            "2-sigma upper limit": level_2.mean + 2 * s,
            "mean moving range, file order": chart.sigma * d2(2),
            "mean moving range, time order": in_time.sigma * d2(2),
            "individuals lower limit with d2 1.128, file order": level_2.mean - by_table,
            "individuals upper limit with d2 1.128, file order": level_2.mean + by_table,
            "largest |z|": float(np.abs(z).max()),
        },
    )
    assert frame.filter(pl.col(SPREAD) > limit)["row"].to_list() == expected["rows_above_precision_limit"]
    # row 20 lies 0.00024 below the limit: a limit rounded to two decimals would change the count
    assert frame.filter(pl.Series(np.abs(z) > 2))["row"].to_list() == expected["rows_outside_2_sigma"]


def nested_checks(frame: pl.DataFrame) -> pl.DataFrame:
    """Give the handbook's levels our names: wafer = lot, run = part, day = spot, six readings each."""
    return frame.with_row_index("measured_at").with_columns(count=pl.lit(6), spot=pl.col("measured_at"))


def levels(frame: pl.DataFrame, **names: str) -> pl.DataFrame:
    """Return checks under the names of levels."""
    return nested_checks(frame).rename({**names, VALUE: "value", SPREAD: "standard_deviation"})


def test_gauge_study_of_resistivity_probes(reference_data: Path) -> None:
    frame = pl.read_csv(reference_data / "nist_mpc61_gauge_study" / "mpc61.csv")
    probe = frame.filter(pl.col("probe") == 2362)
    found: dict[str, float | None] = {}
    summary = nested(levels(probe, wafer="lot", run="part"))
    table = variance_components(summary.spot_values)
    assert table.balanced
    part, day, reading = table["part"], table["spot"], table["reading"]

    def root(row: dict[str, Any], readings: int) -> float:
        return sqrt(row["mean_square"] / readings)

    found["level 1, pooled"], found["level 1 degrees of freedom"] = root(reading, 1), reading["degrees_of_freedom"]
    found["level 2, pooled"], found["level 2 degrees of freedom"] = root(day, 6), day["degrees_of_freedom"]
    found["level 3, pooled"], found["level 3 degrees of freedom"] = root(part, 36), part["degrees_of_freedom"]
    found["level 3, sum of squares"] = known(part["sum_of_squares"]) / 36
    for (run,), rows in probe.group_by("run"):
        found[f"level 1, run {run}"] = pooled_deviation(rows[SPREAD], rows["df"]).standard_deviation
        spreads = []
        for (wafer,), days in rows.group_by("wafer"):
            m = moments(days[VALUE])
            spreads.append(known(m.standard_deviation))
            found[f"mean of wafer {wafer}, run {run}"] = m.mean
            found[f"standard deviation of wafer {wafer}, run {run}"] = m.standard_deviation
        found[f"level 2, run {run}"] = pooled_deviation(spreads, [5] * 5).standard_deviation
    for row in summary.lot_values.iter_rows(named=True):
        found[f"level 3, wafer {row['lot']}"] = row["standard_deviation"]
    # the differences of the probes from their average are the numerators of Mandel's h
    for (run, wafer), rows in frame.group_by("run", "wafer"):
        means = [(str(name), known(moments(days[VALUE]).mean)) for (name,), days in rows.group_by("probe")]
        held = compared("wafer", [MeterMean(name, mean, None, 6, None) for name, mean in means])
        assert held is not None
        scatter = known(moments([mean for _, mean in means]).standard_deviation)
        for meter in held.meters:
            found[f"probe {meter.meter}, wafer {wafer}, run {run}"] = known(meter.h) * scatter
    own = {
        run: [v for k, v in found.items() if k.startswith("probe 2362,") and k.endswith(f"run {run}")] for run in (1, 2)
    }
    for run in (1, 2):
        found[f"bias of probe 2362, run {run}"] = moments(own[run]).mean
    bias = moments(own[1] + own[2])
    found["bias of probe 2362"] = bias.mean
    found["standard deviation of the differences of probe 2362"] = bias.standard_deviation
    compare("nist_mpc61_gauge_study", found)


def test_negative_between_day_variance_is_kept_and_taken_as_zero(reference_data: Path) -> None:
    frame = pl.read_csv(reference_data / "nist_mpc411_small_grr" / "mpc411.csv").with_columns(lot=pl.lit("140"))
    table = variance_components(nested(levels(frame, run="part")).spot_values)
    days = table["spot"]
    by_run = {
        f"level-2 standard deviation, run {run}": moments(rows[VALUE]).standard_deviation
        for (run,), rows in frame.group_by("run")
    }
    compare(
        "nist_mpc411_small_gauge_study",
        {
            **by_run,
            "level-2 standard deviation, pooled": sqrt(known(days["mean_square"]) / 6),
            "between-day variance": days["raw"],
        },
    )
    assert days["variance"] == 0.0
    assert days["low"] == 0.0


def test_standard_resistor(reference_data: Path) -> None:
    frame = pl.read_csv(reference_data / "nist_dziuba1_resistor_drift" / "dziuba1.csv")
    values = frame["resistor_value"].to_numpy()
    m = moments(values)
    s = known(m.standard_deviation)
    line = slope(frame["row"], values)
    dated = frame.select(
        pl.lit("resistor").alias("block"),
        pl.datetime(1900 + pl.col("year") % 100, "month", "day", time_zone="UTC").alias("at"),
        "resistor_value",
    )
    yearly = slopes(dated, by=["block"], x="at", y="resistor_value")["slope"][0] * 365.25
    compare(
        "nist_dziuba1_resistor_drift",
        {
            "values": m.count,
            "mean": m.mean,
            "standard deviation": s,
            "standard deviation of the mean": s / sqrt(m.count),
            "variance": s * s,
            "range": float(np.ptp(values)),
            "interquartile range by hinges": quantile(values, 0.75, "type_7") - quantile(values, 0.25, "type_7"),
            "lag-1 autocorrelation": autocorrelation(values),
            "slope": line.slope,
            "standard error of the slope": line.standard_error,
            "t of the slope": known(line.slope) / known(line.standard_error),
            "intercept": line.intercept,
            "residual standard deviation": line.residual_standard_deviation,
            "R squared": line.r_squared,
            "autocorrelation bound": autocorrelation_bound(m.count),
            "slope per year": yearly,
        },
    )


def test_tolerance_factors() -> None:
    x = read("nist_tolerance_factors")["inputs"]
    n, coverage, confidence = x["n"], x["coverage"], x["confidence"]
    k1 = one_sided_factor(n, coverage, confidence)
    exact = two_sided_factor(n, coverage, confidence)
    assert abs(exact - 2.210167) > 0.01
    compare(
        "nist_tolerance_factors",
        {
            "noncentrality": float(special.ndtri(coverage)) * sqrt(n),
            "noncentral t": k1 * sqrt(n),
            "exact k1": k1,
            "exact k2": exact,
            "erratum: what the listing's call computes": two_sided_factor(n, 0.99, 0.05),
        },
    )


@pytest.mark.parametrize(
    ("n", "one", "two"),
    [(2, 26.260, 36.519), (5, 4.203, 5.077), (10, 2.911, 3.393), (20, 2.396, 2.760), (30, 2.220, 2.555)],
)
def test_tolerance_factors_of_tables(n: int, one: float, two: float) -> None:
    """95 % of the population with 95 % confidence (ISO 16269-6:2014, annexes C and D, as in Odeh and Owen 1980; from memory)."""
    assert one_sided_factor(n, 0.95, 0.95) == pytest.approx(one, abs=6e-4)
    assert two_sided_factor(n, 0.95, 0.95) == pytest.approx(two, abs=6e-4)


def test_interval_of_a_mean() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.2, ZARR13.DAT: 195 values, mean 9.261460, s 0.022789; printed 9.258242 to 9.264679 (from memory)."""
    low, high = mean_interval(195, 9.261460, 0.022789, confidence=0.95)
    assert low == pytest.approx(9.258242, abs=2e-6)
    assert high == pytest.approx(9.264679, abs=2e-6)


def test_strd_sirstv(reference_data: Path) -> None:
    frame = pl.read_csv(reference_data / "nist_strd_anova" / "sirstv.csv")
    groups = [rows["resistance"].to_numpy() for rows in frame.partition_by("instrument", maintain_order=True)]
    study = crossed_study(frame.with_columns(operator=pl.lit("one")), part="instrument", value="resistance")
    between, within = (
        study.anova.row(by_predicate=pl.col("source") == name, named=True) for name in ("part", "repeatability")
    )
    component = study.components.filter(pl.col("source") == "part")["raw"][0]
    means = {f"mean of instrument {i}": moments(group).mean for i, group in enumerate(groups, start=1)}
    compare(
        "nist_strd_sirstv",
        {
            "between sum of squares": between["sum_of_squares"],
            "within sum of squares": within["sum_of_squares"],
            "F": between["f_ratio"],
            "p": between["p_value"],
            "residual standard deviation": known(within["mean_square"]) ** 0.5,
            "R squared": between["sum_of_squares"] / (between["sum_of_squares"] + within["sum_of_squares"]),
            "between-instrument component": component,
            **means,
        },
    )
    # differences of all pairs of instruments make up the certified sum of squares between them: n/k times their squares
    spreads = [moments(group) for group in groups]
    pairs = compare_meters(
        [
            MeterMean(str(i), m.mean, m.standard_deviation, len(g), None)
            for i, (m, g) in enumerate(zip(spreads, groups, strict=True))
        ]
    )
    assert len(pairs) == 10
    certified = next(v for v in read("nist_strd_sirstv")["value"] if v["name"] == "between sum of squares")
    total = sum(pair.difference**2 for pair in pairs) * len(groups[0]) / len(groups)
    assert total == pytest.approx(float(certified["printed"]), rel=1e-9)


def test_strd_norris() -> None:
    x = read("nist_strd_norris")["inputs"]
    line = slope(x["x"], x["y"])
    compare(
        "nist_strd_norris",
        {
            "intercept": line.intercept,
            "slope": line.slope,
            "standard error of the slope": line.standard_error,
            "residual standard deviation": line.residual_standard_deviation,
            "R squared": line.r_squared,
        },
    )


def test_strd_univariate(reference_data: Path) -> None:
    found: dict[str, float | None] = {}
    for name in ("lew", "mavro", "numacc1", "numacc2", "numacc3"):
        frame = pl.read_csv(reference_data / "nist_strd_univariate" / f"{name}.csv")
        values = frame[frame.columns[-1]].cast(pl.Float64)
        m = moments(values)
        found |= {
            f"{name} mean": m.mean,
            f"{name} standard deviation": m.standard_deviation,
            f"{name} autocorrelation": autocorrelation(values),
        }
    compare("nist_strd_univariate", found)


def test_strd_univariate_keeps_its_digits_in_frames(reference_data: Path) -> None:
    """The vectorised path must not be a one-pass one: NumAcc3 as parts of one lot and as readings of one spot."""
    frame = pl.read_csv(reference_data / "nist_strd_univariate" / "numacc3.csv").with_columns(
        lot=pl.lit("N"), part=pl.col("index"), spot=pl.lit(1), measured_at=pl.col("index"), value=pl.col("y")
    )
    by_part = nested(frame).lot_values.row(0, named=True)
    by_spot = nested(frame.with_columns(part=pl.lit(1))).lot_values.row(0, named=True)
    for number in (by_part["standard_deviation"], by_spot["repeatability"]):
        assert number == pytest.approx(0.1, abs=1e-10)


def test_lew_autocorrelation(reference_data: Path) -> None:
    values = pl.read_csv(reference_data / "nist_strd_univariate" / "lew.csv")["deflection"]
    compare("nist_lew_autocorrelation", {f"lag {lag}": autocorrelation(values, lag) for lag in range(1, 9)})
