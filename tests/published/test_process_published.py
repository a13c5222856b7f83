"""Process charts, lots together and gauge studies against printed values (sources in expected.toml of each folder)."""

from __future__ import annotations

import tomllib
from math import sqrt
from pathlib import Path

import polars as pl
import pytest

from pipeline.statistics import patterns
from pipeline.statistics.between_lots import lots_together
from pipeline.statistics.constants import d2
from pipeline.statistics.gauge_study import crossed_study
from pipeline.statistics.process_control import ChartRules, ProcessLimits, charted, process_limits

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"
ISO = patterns.chosen(["beyond-limit", "same-side", "rising-falling"], {})


def printed(folder: str) -> dict[str, tuple[float, float]]:
    found = tomllib.loads((PUBLISHED / folder / "expected.toml").read_text(encoding="utf-8"))
    return {case["name"]: (float(case["printed"]), float(case["tolerance"])) for case in found["value"]}


def close(found: float | None, expected: tuple[float, float]) -> bool:
    assert found is not None
    return abs(found - expected[0]) <= expected[1] * (1 + 1e-6)


@pytest.fixture
def gear(reference_data: Path) -> pl.DataFrame:
    frame = pl.read_csv(reference_data / "nist_gear_subgroups" / "gear.csv")
    batch, value = "batch", "diameter"
    return frame.group_by(batch, maintain_order=True).agg(
        pl.col(value).mean().alias("mean"),
        pl.col(value).std().alias("s"),
        (pl.col(value).max() - pl.col(value).min()).alias("range"),
        pl.len().alias("n"),
    )


def test_gear_subgroups_give_the_limits_within(gear: pl.DataFrame) -> None:
    expected = printed("nist_gear_subgroups")
    for spread, column, name in (("standard_deviation", "s", "s"), ("range", "range", "R")):
        limits = process_limits(gear["mean"], gear["n"], gear[column], spread=spread)
        rules = ChartRules(spread, "within", ISO, 0.2, 2.962)
        points = charted(gear["mean"], gear["n"], gear[column], [True] * gear.height, limits, rules)
        assert close(points["lower"][0], expected[f"X-bar lower limit by {name}"])
        assert close(points["upper"][0], expected[f"X-bar upper limit by {name}"])
        assert close(points["spread_upper"][0], expected[f"{name} upper limit"])
        # the fifth subgroup lies beyond, in both charts
        assert [n + 1 for n, rule in enumerate(points["rules"]) if "beyond-limit" in rule.split()] == [5]
        beyond_between = charted(
            gear["mean"],
            gear["n"],
            gear[column],
            [True] * gear.height,
            limits,
            ChartRules(spread, "between", ISO, 0.2, 2.962),
        )
        assert (beyond_between["upper"][0] > points["upper"][0]) == (limits.sigma > limits.within_sigma / sqrt(10))


def test_gear_lots_together_carry_the_f_ratio(gear: pl.DataFrame) -> None:
    found = lots_together(gear["mean"], gear["s"] ** 2, gear["n"])
    assert found.between_standard_deviation is not None
    assert found.within_standard_deviation is not None
    ratio = 1.0 + 10 * (found.between_standard_deviation / found.within_standard_deviation) ** 2
    assert close(ratio, printed("nist_gear_subgroups")["analysis of variance F"])
    assert close(found.mean, printed("nist_gear_subgroups")["grand mean"])


def test_strd_instruments_together(reference_data: Path) -> None:
    """StRD SiRstv: F and residual standard deviation certified; the component between instruments follows from them."""
    frame = pl.read_csv(reference_data / "nist_strd_anova" / "sirstv.csv")
    group, value = "instrument", "resistance"
    lots = frame.group_by(group, maintain_order=True).agg(
        pl.col(value).mean().alias("mean"), pl.col(value).var().alias("variance"), pl.len().alias("n")
    )
    found = lots_together(lots["mean"], lots["variance"], lots["n"])
    assert found.within_standard_deviation == pytest.approx(1.04076068334656e-01, rel=1e-9)
    assert found.between_standard_deviation is not None
    ratio = 1.0 + 5 * (found.between_standard_deviation / found.within_standard_deviation) ** 2
    assert ratio == pytest.approx(1.18046237440255, rel=1e-7)


def test_individuals_example_as_limits_of_means() -> None:
    x = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    limits = process_limits(x, [1] * 10, [0.0] * 10, spread="range")
    assert limits.centre == pytest.approx(50.81, abs=5e-3)
    # the page divides by 1.128, d2 rounded
    assert limits.sigma is not None
    half = 3 * limits.sigma * d2(2) / 1.128
    assert 50.81 + half == pytest.approx(55.8041, abs=5e-5)
    assert 50.81 - half == pytest.approx(45.8159, abs=5e-5)


def test_ewma_example() -> None:
    x = [
        52.0,
        47.0,
        53.0,
        49.3,
        50.1,
        47.0,
        51.0,
        50.1,
        51.2,
        50.5,
        49.6,
        47.6,
        49.9,
        51.3,
        47.8,
        51.2,
        52.6,
        52.4,
        53.6,
        52.1,
    ]
    z = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73,
         51.23, 51.94, 51.99]  # fmt: skip
    limits = ProcessLimits(20, 50.0, 2.0539, None)
    found = charted(x, [1] * 20, [0.0] * 20, [True] * 20, limits, ChartRules("range", "between", ISO, 0.3, 3.0))
    assert found["ewma"].to_list() == pytest.approx(z, abs=5.1e-3)
    assert found["ewma_upper"][-1] == pytest.approx(52.5884, abs=2e-3)  # the page draws the limit of a long run
    assert not found["ewma_beyond"].any()


def test_probes_as_a_crossed_study(reference_data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """MPC61 as a crossed study: wafers by probes, days as repeats. Nothing is published for that use, so a sense check.

    Of the published figures two must come back: probe 2362 lies lowest, by about 0.04 below the mean, and its day-to-day
    scatter, 0.036, is of the size of the repeatability found over all probes.
    """
    frame = pl.read_csv(reference_data / "nist_mpc61_gauge_study" / "mpc61.csv")
    value = "mean_of_6_ohm_cm"
    for run in (1, 2):
        own = frame.filter(pl.col("run") == run).rename({"wafer": "item", "probe": "group"})
        found = crossed_study(own, part="item", operator="group", value=value, pool_interaction_above=None)
        s = {row["source"]: row["standard_deviation"] for row in found.components.iter_rows(named=True)}
        cube = own.sort("item", "group").get_column(value).to_numpy().reshape(5, 5, 6)
        assert s["repeatability"] == pytest.approx(sqrt(cube.var(2, ddof=1).mean()))
        assert 0.02 < s["repeatability"] < 0.06
        assert s["part"] > 5 * s["gauge"]
        means = own.group_by("group").agg(pl.col(value).mean()).sort(value)
        assert means["group"][0] == 2362
        assert 0.01 < float(means[value].mean()) - means[value][0] < 0.07
        with capsys.disabled():
            print(
                f"\nMPC61 run {run}, crossed: " + ", ".join(f"{name} {number:.4f}" for name, number in s.items()),
                end="",
            )
