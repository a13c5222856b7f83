"""What the meter page shows of drift: charts, signals, forecast, what a failed check would hold, long histories."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pytest
from sample_pages import DAY, meter_page

import reports
from reports.kit.numbers import Clock
from reports.meter import charts as meter_charts
from reports.meter import drift as meter_drift
from reports.meter.series import Series
from reports.meter.strip import Beside, shared_axis, strip_plot
from schemas.results import ChecksPage

if TYPE_CHECKING:
    from schemas.results import MeterPage

OSLO = Clock("Europe/Oslo")


def series(page: MeterPage, most: int = 200) -> Series:
    checks = page.checks.filter(pl.col("block") == "B1")
    return Series("B1", checks, tuple(page.settings["at"]), "MS/m", OSLO, most)


def rows_of(of: Series) -> list[dict[str, Any]]:
    return of.frame.rows(named=True)


def marks(plot: meter_charts.Plot, *meanings: str) -> list[tuple[float, float]]:
    wanted = {f"mark-{meaning}" for meaning in meanings or ("signal", "out")}
    return [(point["x"], point["y"]) for point in plot.points if point["mark"] in wanted]


@pytest.mark.parametrize("chart", ["ewma", "cusum"])
def test_a_drift_chart_draws_every_value_its_limit_and_where_it_signals(chart: str) -> None:
    page = meter_page("M3", drift_per_check=0.004, seed=11)
    of = series(page)
    found = {"ewma": meter_drift.ewma_plot, "cusum": meter_drift.cusum_plot}[chart](of)
    assert found is not None
    plot, cut = found
    known = [(i + 1, row) for i, row in enumerate(rows_of(of)) if row["ewma"] is not None]
    values = {
        number: row["ewma"] if chart == "ewma" else max(row["cusum_high"], row["cusum_low"], key=abs)
        for number, row in known
    }
    drawn = {point["x"]: point["y"] for point in plot.path}
    limit = known[-1][1][f"{chart}_limit"]
    # limits stay apart: what lies beyond four times the limit is drawn at that edge, and said
    assert {x: abs(y) for x, y in drawn.items()} == pytest.approx(
        {n: min(abs(v), 4 * limit) for n, v in values.items()}
    )
    assert bool(cut) == (max(map(abs, values.values())) > 4 * limit)
    assert plot.y_domain[1] <= 4.6 * limit
    beyond = [number for number, value in values.items() if abs(value) > limit]
    assert beyond
    flagged = [x for x, _ in marks(plot)]
    assert flagged[0] == beyond[0]
    assert flagged[-1] == beyond[-1] or cut
    assert OSLO.day(of.row(beyond[0] - 1)["at"]) in [name for _, name, _ in plot.names_row]
    assert {segment["y"] for segment in plot.segments} >= {limit, -limit}


def test_a_drift_chart_begins_again_at_a_setting() -> None:
    """The line is broken there: two phases are never joined."""
    of = series(meter_page("M3"))
    later = of.row(-1)["at"] + timedelta(days=1)
    again = of.frame[30:].with_columns(pl.lit(later).alias("phase"), pl.col("at") + timedelta(days=40))
    checks = pl.concat([of.frame, again], how="vertical_relaxed")
    plot, _ = meter_drift.ewma_plot(Series("B1", checks, of.settings, "MS/m", OSLO)) or (None, "")
    assert plot is not None
    breaks = [point["x"] for point in plot.path if point["y"] is None]
    assert breaks == [len(of) + 1]


def test_no_drift_chart_without_frozen_limits() -> None:
    of = series(meter_page("M4", checks=14))
    assert meter_drift.ewma_plot(of) is None
    assert meter_drift.cusum_plot(of) is None


def forecast_page() -> MeterPage:
    return meter_page("M3", drift_per_check=0.004, seed=11)


def test_the_forecast_meets_the_tolerance_and_its_table_has_the_days() -> None:
    page = forecast_page()
    of = series(page)
    forecast = meter_drift.forecast_of(of, page.result.drift[0])
    assert forecast is not None
    axis = shared_axis([of], [forecast], OSLO)
    plot, _ = strip_plot(of, axis, (), forecast, Beside((), ())) or (None, [])
    assert plot is not None
    assert [(point["x"], point["y"]) for point in plot.points if point["mark"] == "mark-ahead"] == [
        (axis.place(DAY + timedelta(days=41)), 100.0)
    ]
    assert [name for *_, name, _ in plot.names if "leaves" in name] == [f"leaves {OSLO.day(DAY + timedelta(days=41))}"]
    ahead = [s for s in plot.segments if s["colour"] == "var(--limit)" and s["x"] >= axis.place(of.row(-1)["at"])]
    assert {tuple(segment["dash"]) for segment in ahead} == {(4, 3), (1.5, 3.5)}
    # the table holds the three days of the forecast and the last check
    html = reports.render(ChecksPage(page))
    table = re.search(r'id="table-forecast-1".*?</table>', html, re.DOTALL)
    assert table is not None
    for day in (DAY + timedelta(days=30), DAY + timedelta(days=41), DAY + timedelta(days=60)):
        assert OSLO.day(day) in table[0]
    low, high = forecast.line.band(np.array([forecast.line.last_day, forecast.line.last_day + 100.0]))
    assert high[1] - low[1] > high[0] - low[0]


def test_no_forecast_where_the_result_gives_no_day() -> None:
    page = meter_page("M1")
    assert meter_drift.forecast_of(series(page), page.result.drift[0]) is None
    assert meter_drift.forecast_of(series(page), None) is None


def test_the_page_says_what_to_do_about_a_drift() -> None:
    html = re.sub(r"<[^>]+>", " ", reports.render(forecast_page()))
    assert "Look into the drift on block B1." in html
    assert "EWMA beyond the limit since" in html
    assert "drift signal since" in html
    assert "one false signal in 370 checks" in re.sub(r"<[^>]+>", " ", reports.render(ChecksPage(forecast_page())))
    assert "What one failed check would put on hold" in html
    steady = re.sub(r"<[^>]+>", " ", reports.render(meter_page("M1")))
    assert "Look into the drift" not in steady


def test_ten_on_one_side_of_a_certificate_is_explained_where_limits_are_provisional() -> None:
    def control(**given: object) -> str:
        found = meter_charts.control_plot(series(meter_page("M", **given)))  # type: ignore[arg-type]
        assert found is not None
        return " ".join(found[1])

    assert "a steady bias, not a change of the meter" in control(checks=14)
    assert "a steady bias, not a change of the meter" not in control(checks=46)


def test_a_long_history_is_drawn_in_columns_and_keeps_every_signal() -> None:
    page = meter_page("M8", checks=12_000, blocks=1, days_apart=0.1)
    of = series(page)
    assert of.crowded
    found = meter_charts.control_plot(of)
    assert found is not None
    plot, notes = found
    assert "12000 checks are drawn in columns of 113" in notes[0]
    assert plot.y_domain[0] < page.checks["mean"].min()  # type: ignore[operator]
    assert plot.y_domain[1] > page.checks["mean"].max()  # type: ignore[operator]
    # each signal has a mark within a column's width and a row's height
    wide, high = (plot.x_domain[1] - plot.x_domain[0]) / 107, (plot.y_domain[1] - plot.y_domain[0]) / 42
    drawn = marks(plot)
    signals = [(i + 1, row["mean"]) for i, row in enumerate(rows_of(of)) if row["rejects"] or row["passes"] is False]
    assert signals
    for x, y in signals:
        assert any(abs(x - a) <= 1.01 * wide and abs(y - b) <= 1.01 * high for a, b in drawn), (x, y)
    # the columns hold every check: lowest and highest of each are those of its checks
    bars = [s for s in plot.segments if s["x"] == s["x2"] and s["colour"] == "var(--point)"]
    assert len(bars) == 107
    assert min(bar["y"] for bar in bars) == page.checks["mean"].min()
    html = reports.render(page)
    assert len(html.encode()) < 300_000
    assert "columns-1" not in re.findall(r'id="table-([a-z0-9-]+)"', html)
    html = reports.render(ChecksPage(page))
    assert len(html.encode()) < 300_000
    table = re.search(r'id="table-columns-1".*?</table>', html, re.DOTALL)
    assert table is not None
    counted = [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in re.findall(r"<tr.*?</tr>", table[0], re.DOTALL)[1:]]
    assert sum(int(row[-2]) for row in counted) == sum(bool(row["rejects"]) for row in rows_of(of))
    assert sum(int(row[-3]) for row in counted) == page.result.warnings


def test_a_check_that_warns_and_rejects_needs_one_look() -> None:
    """Each reject beyond three deviations is a warning, too: 150 of 600 checks still have room among 200 points."""
    page = meter_page("M1", checks=600, blocks=1, seed=3)
    hit = pl.int_range(pl.len()) % 4 == 0
    rejects = pl.when(hit).then(pl.lit("1-3s")).otherwise(pl.lit(""))
    checks = series(page).frame.with_columns(warning=hit, rejects=rejects, passes=pl.lit(True))
    of = Series("B1", checks, (), "MS/m", OSLO)
    assert not of.crowded
    assert len(of.chosen) == 200
    assert set(range(0, 600, 4)) <= set(of.chosen)


def test_the_precision_limit_follows_the_readings_of_each_check() -> None:
    page = meter_page("M1")
    later = pl.int_range(pl.len()) >= 20
    checks = series(page).frame.with_columns(
        pl.when(later).then(3).otherwise("readings").alias("readings"),
        # fewer readings, a wider limit: F has fewer degrees of freedom in the numerator
        pl.when(later).then(0.041).otherwise(0.034).alias("precision_limit"),
        (pl.int_range(pl.len()) == 25).alias("imprecise"),
    )
    plot, note = meter_charts.within_plot(Series("B1", checks, (), "MS/m", OSLO), page.result.blocks[0]) or (None, "")
    assert plot is not None
    limits = [segment["y"] for segment in plot.segments if segment["colour"] == "var(--limit)"]
    assert limits == [0.034, 0.041]
    # beyond is what was beyond on its own day, whatever the line drawn says of it
    assert note.startswith("1 of ")
