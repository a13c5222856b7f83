"""How early the drift charts speak, how often falsely, and how well the forecast holds: 200 seeded repeats of the demo's meter.

The drifting meter of the demo (EC-02: its blocks, scatter, times of checks and planted drift) is repeated with fresh
random numbers; the product's own functions judge it. Invented data; what it is compared with is computed exactly.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy import stats

from fixtures.demo.diary import diary
from fixtures.demo.scenario import BLOCKS, METERS, SETTINGS, drift_iacs
from pipeline import rules
from pipeline.judge.meters.drift import add_drift_charts
from pipeline.metrology.block_checks import SERIES
from pipeline.metrology.drift import DriftLine, drift_line
from pipeline.statistics.run_lengths import (
    Pattern,
    cusum_interval,
    cusum_run_length,
    estimated_rate,
    ewma_run_length,
    ewma_width,
    pattern_run_length,
)
from pipeline.workspace.settings import Settings

METER = METERS["EC-02"]
REPEATS, BASELINE = 200, 20
BLOCK_NAMES = ("BL-A1", "BL-A2")
NEVER = 10**6


@cache
def times(block: str) -> tuple[datetime, ...]:
    """Return when the demo's meter is checked on a block, without the readings of its setting."""
    found: list[datetime] = []
    for line in diary("EC-02"):
        if line.role == "block" and line.block == block and (not found or line.at - found[-1] > timedelta(minutes=10)):
            found.append(line.at)
    return tuple(found)


def days(block: str) -> np.ndarray:
    origin = datetime.combine(SETTINGS["EC-02"][0], datetime.min.time())
    return np.array([(at - origin) / timedelta(days=1) for at in times(block)])


def biases(block: str, *, slower: float | None = 1.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return biases of checks in %IACS, shape (repeats, checks), and what the setting left, shape (repeats,).

    `slower` divides the speed of the drift; None: no drift at all.
    """
    rng = np.random.default_rng([20260302, BLOCK_NAMES.index(block), seed])
    certified, moments = BLOCKS[block].certified_value, times(block)
    left = certified * METER.between_runs * rng.uniform(-0.5, 0.5, REPEATS)
    scatter = certified * np.hypot(METER.between_runs, METER.repeatability / np.sqrt(5))
    planted = np.array([drift_iacs("EC-02", at) for at in moments]) / (slower or np.inf)
    return left[:, None] + planted + scatter * rng.standard_normal((REPEATS, len(moments))), left


def judge(frame: pl.DataFrame) -> pl.DataFrame:
    """Apply the multi-rule scheme and the drift charts."""
    found = rules.apply(frame.sort("meter", "block", "at"), series=SERIES, run=["meter", "run"])
    return add_drift_charts(found, Settings())


def judged(values: np.ndarray, *, blocks: int = 1, known: bool = False, charts: bool = True) -> pl.DataFrame:
    """Judge repeats, shape (repeats, checks) or (repeats, blocks, checks), against limits from their first checks.

    Limits are known (0 and 1), or the mean and standard deviation of the baseline; only later checks are returned.
    """
    values = values.reshape(values.shape[0], blocks, -1)
    repeats, _, checks = values.shape
    if known:
        z = values
    else:
        first = values[..., :BASELINE]
        z = ((values - first.mean(-1, keepdims=True)) / first.std(-1, ddof=1, keepdims=True))[..., BASELINE:]
        checks -= BASELINE
    repeat, block, place = np.meshgrid(np.arange(repeats), np.arange(blocks), np.arange(checks), indexing="ij")
    frame = pl.DataFrame(
        {
            "meter": repeat.ravel(), "probe": "P", "frequency_khz": 60.0, "block": block.ravel(), "check": place.ravel(),
            "run": place.ravel(), "z": z.ravel(),
        }
    ).with_columns(
        pl.lit(datetime(2026, 1, 1, tzinfo=UTC)).alias("phase"),
        (pl.lit(datetime(2026, 1, 1, tzinfo=UTC)) + pl.duration(hours=pl.col("check"))).alias("at"),
        pl.lit("frozen").alias("limits_kind"), pl.lit(False).alias("in_baseline"), pl.lit(BASELINE).alias("baseline_checks"),
        pl.lit(1.0).alias("limit_widening"),
    )  # fmt: skip
    return judge(frame) if charts else frame


def first_of(frame: pl.DataFrame, hit: pl.Expr) -> np.ndarray:
    """Return the place of the first hit of each repeat, NEVER where there is none."""
    firsts = frame.group_by("meter").agg(pl.col("check").filter(hit).min().alias("first")).sort("meter")
    return firsts["first"].fill_null(NEVER).to_numpy()


def first_trend(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return at which check after the baseline the 95 % interval of the slope so far first leaves zero out."""
    n = np.arange(1, x.size + 1, dtype=float)
    x = x - x.mean()
    y = y - y.mean(axis=1, keepdims=True)
    sx, sxx = np.cumsum(x), np.cumsum(x * x)
    sy, sxy, syy = np.cumsum(y, 1), np.cumsum(x * y, 1), np.cumsum(y * y, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        cxx, cxy, cyy = sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n
        slope = cxy / cxx
        t = np.abs(slope) / np.sqrt((cyy - slope * cxy) / (n - 2) / cxx)
    hit = (t > stats.t.ppf(0.975, np.maximum(n - 2, 1)))[:, BASELINE:]
    return np.where(hit.any(1), hit.argmax(1), NEVER)


@pytest.mark.parametrize("slower", [1.0, 4.0])
def test_how_early_the_drift_charts_speak(slower: float, capsys: pytest.CaptureFixture[str]) -> None:
    """Beside 1-3s as it is, and beside single checks whose limit gives the same false signals as the charts."""
    lines = []
    for block in BLOCK_NAMES:
        x = days(block)
        # single checks with a limit that gives one false signal in 370 with limits from 20 checks (Student's t)
        honest = stats.t.isf(0.5 / 370, BASELINE - 1) * np.sqrt(1 + 1 / BASELINE)
        firsts: dict[str, dict[str, np.ndarray]] = {}
        for case, speed in (("drift", slower), ("steady", None)):
            values, _ = biases(block, slower=speed)
            frame = judged(values)
            firsts[case] = {
                "1-3s": first_of(frame, pl.col("z").abs() > 3),
                "single, 1 in 370": first_of(frame, pl.col("z").abs() > honest),
                "multi-rule": first_of(frame, pl.col("rejects") != ""),
                "EWMA": first_of(frame, pl.col("drift").str.contains("EWMA")),
                "CUSUM": first_of(frame, pl.col("drift").str.contains("CUSUM")),
                "EWMA or CUSUM": first_of(frame, pl.col("drift") != ""),
                "trend": first_trend(x, values),
            }
        last = len(times(block)) - BASELINE
        for name, first in firsts["drift"].items():
            said = first < NEVER
            sooner = [firsts["drift"][other] for other in ("1-3s", "single, 1 in 370")]
            # a chart that never spoke within the half year is counted as speaking at its end
            gained = [np.median(np.minimum(other, last) - np.minimum(first, last)) for other in sooner]
            lines.append(
                f"{block:7}{name:18}{100 * said.mean():8.1f}{np.median(np.minimum(first, last)):9.0f}"
                f"{100 * (first < sooner[0]).mean():11.1f}{gained[0]:9.0f}{100 * (first < sooner[1]).mean():13.1f}{gained[1]:9.0f}"
                f"{100 * (firsts['steady'][name] < NEVER).mean():12.1f}"
            )
        drift, steady = firsts["drift"], firsts["steady"]
        assert (drift["EWMA or CUSUM"] < NEVER).mean() > 0.9
        # sooner than single checks of the same honesty, more often than not
        assert (drift["EWMA"] < drift["single, 1 in 370"]).mean() > 0.5
        # and with far fewer false signals than 1-3s with limits from 20 checks
        assert (steady["EWMA"] < NEVER).mean() < 0.6 * (steady["1-3s"] < NEVER).mean()
    with capsys.disabled():
        print(
            f"\n{REPEATS} repeats of the drifting meter, drift {slower:g} times slower than planted; checks after the baseline"
        )
        print(
            f"{'block':7}{'by':18}{'signals':>8}{'median':>9}{'before 1-3s':>11}{'sooner':>9}{'before equal':>13}{'sooner':>9}"
            f"{'in control':>12}"
        )
        print(f"{'':25}{'%':>8}{'check':>9}{'%':>11}{'checks':>9}{'%':>13}{'checks':>9}{'% signal':>12}")
        print("\n".join(lines))


def test_the_forecast_holds_the_planted_date(capsys: pytest.CaptureFixture[str]) -> None:
    lines = []
    for block in BLOCK_NAMES:
        x = days(block)
        values, left = biases(block, seed=1)
        begins = (datetime(2026, 5, 1) - datetime(2026, 3, 2)) / timedelta(days=1)  # noqa: DTZ001
        a_day = 0.36 / ((datetime(2026, 8, 28) - datetime(2026, 5, 1)) / timedelta(days=1))  # noqa: DTZ001
        true = begins + (0.5 - left) / a_day
        for when in ("2026-06-15", "2026-07-01", "2026-08-01"):
            seen = x < (datetime.fromisoformat(when) - datetime(2026, 3, 2)) / timedelta(days=1)  # noqa: DTZ001
            held, widths, endless, off = 0, [], 0, []
            for one, day in zip(values, true, strict=True):
                line = drift_line(x[seen], one[seen])
                assert isinstance(line, DriftLine)
                first, last = line.crossing_interval(0.5)
                held += first <= day <= last
                endless += last == np.inf
                widths.append(last - first)
                crossing = line.crossing(0.5)
                off.append(np.inf if crossing is None else crossing - day)
            lines.append(
                f"{block:7}{when:12}{int(seen.sum()):7}{100 * held / REPEATS:9.1f}{np.median(widths):13.0f}"
                f"{100 * endless / REPEATS:11.1f}{np.median(off):+11.1f}"
            )
            assert 0.90 <= held / REPEATS <= 0.99
    with capsys.disabled():
        print(f"\nforecast of the day the meter leaves 0.5 %IACS, {REPEATS} repeats, 95 % intervals")
        print(
            f"{'block':7}{'seen from':12}{'checks':>7}{'holds %':>9}{'median width':>13}{'endless %':>11}{'median off':>11}"
        )
        print(f"{'':28}{'':7}{'days':>13}{'':11}{'days':>11}")
        print("\n".join(lines))


ONE_BLOCK = [Pattern(1, 1, 3.0), Pattern(2, 2, 2.0), Pattern(4, 4, 1.0), Pattern(10, 10, 0.0)]


def restarted(values: np.ndarray, hit: pl.Expr, *, blocks: int, known: bool) -> np.ndarray:
    """Return how many signals each repeat gives if the watch starts anew after each, shape (repeats,)."""
    frame = judged(values, blocks=blocks, known=known, charts=False)
    count = np.zeros(values.shape[0])
    while frame.height:
        found = judge(frame)
        first = found.filter(hit).group_by("meter").agg(pl.col("check").min().alias("first"))
        count[first["meter"].to_numpy()] += 1
        frame = frame.join(first, on="meter").filter(pl.col("check") > pl.col("first")).drop("first")
    return count


@pytest.mark.parametrize("known", [True, False], ids=["known limits", "limits from 20 checks"])
def test_false_signals_beside_the_computed_ones(known: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """Seeded, in control: signals with a new start after each, per 1,000 checks; within four standard errors."""
    rng = np.random.default_rng([1981, known])
    behind = None if known else BASELINE
    lines = []

    def compare(title: str, count: np.ndarray, checks: int, exact: float, least: float = 1.0) -> None:
        rate, error = count.mean() / checks, count.std(ddof=1) / np.sqrt(count.size) / checks
        assert least * exact - 4 * error < rate < exact + 4 * error, (title, rate, exact, error)
        lines.append(f"{title:44}{1000 * rate:10.2f}{1000 * error:8.2f}{1000 * exact:10.2f}")

    repeats, checks = 800, 200
    values = rng.standard_normal((repeats, checks + (0 if known else BASELINE)))
    single = estimated_rate(lambda m, s: pattern_run_length([Pattern(1, 1, 3.0)], m, s), behind)
    compare("1-3s", restarted(values, pl.col("z").abs() > 3, blocks=1, known=known), checks, single)
    # the wider window of a pattern is not full at the start, so a watch that ends after 200 checks sees a little less
    one_block = estimated_rate(lambda m, s: pattern_run_length(ONE_BLOCK, m, s), behind)
    compare(
        "multi-rule on one block",
        restarted(values, pl.col("rejects") != "", blocks=1, known=known), checks, one_block, 0.95,
    )  # fmt: skip
    charts = Settings()
    for chart, run_length, parameter, factor in (
        ("EWMA", ewma_run_length, charts.drift_ewma_weight, ewma_width(0.2, charts.drift_run_length, BASELINE)),
        ("CUSUM", cusum_run_length, charts.drift_cusum_reference_value, cusum_interval(0.5, charts.drift_run_length, BASELINE)),
    ):  # fmt: skip
        rate = estimated_rate(lambda m, s, f=run_length, p=parameter, a=factor: f(p, a, m, s), behind)
        count = restarted(values, pl.col("drift").str.contains(chart), blocks=1, known=known)
        # the charts begin at the centre, far from their limits
        compare(f"{chart}, limits widened for 20 checks", count, checks, rate, 0.85)
    # two blocks a run: twice one block, and both blocks beyond 2 s in one run; what does both is counted twice
    beyond = float(estimated_rate(lambda m, s: pattern_run_length([Pattern(1, 1, 2.0)], m, s), behind))
    whole = (2 * one_block + beyond**2) / 2
    pairs = rng.standard_normal((repeats, 2, checks + (0 if known else BASELINE)))
    compare(
        "whole scheme, runs of two blocks",
        restarted(pairs, pl.col("rejects") != "", blocks=2, known=known), 2 * checks, whole, 0.85,
    )  # fmt: skip
    with capsys.disabled():
        print(f"\nfalse signals per 1,000 checks in control, {'known limits' if known else 'limits from 20 checks'}")
        print(f"{'scheme':44}{'simulated':>10}{'+-':>8}{'computed':>10}")
        print("\n".join(lines))
