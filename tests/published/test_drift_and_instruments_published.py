"""A real instrument: a resistor that drifted for six years (NIST, public domain).

DZIUBA1: NIST/SEMATECH e-Handbook 1.4.2.7, doi:10.18434/M32189.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.metrology.drift import DriftLine, drift_line

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_the_forecast_on_a_resistor_that_slowed_down(reference_data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the forecast is worth on a real drift: its speed is right, and it comes early where a drift slows down.

    From the first readings the day is forecast on which the resistor reaches a later value; the day it did is that of the
    running mean of 20. Neighbouring readings are alike (r about 0.3 to 0.4), which the interval allows for; that the drift
    slows from 0.05 to 0.04 a year it cannot know, and the page says that a meter need not go on as it did.
    """
    frame = (
        pl.read_csv(reference_data / "nist_dziuba1_resistor_drift" / "dziuba1.csv")
        .with_columns(at=pl.date(1900 + pl.col("year") % 100, "month", "day"))
        .sort("at", "row")
    )
    days = (frame["at"] - frame["at"][0]).dt.total_days().to_numpy().astype(np.float64)
    values = frame["resistor_value"].to_numpy()
    running = np.convolve(values, np.ones(20) / 20, "valid")
    lines = []
    for seen, limit in ((300, 28.05), (500, 28.05), (500, 28.08), (700, 28.08)):
        line = drift_line(days[:seen], values[:seen])
        assert isinstance(line, DriftLine)
        reached = float(days[int(np.argmax(running > limit)) + 10])
        day, (first, last) = line.crossing(limit), line.crossing_interval(limit)
        assert day is not None
        assert first < day < last
        # early, by less than half the time ahead: an adjustment planned on it comes in time
        assert reached - 0.5 * (reached - line.last_day) < last
        assert day < reached
        # 0.0411 a year over all six years (published slope), more in the first ones
        assert 0.041 < line.slope * 365.25 < 0.055
        assert 0.2 < line.correlation < 0.5
        lines.append(
            f"{seen:6}{line.last_day:8.0f}{limit:8.2f}{day:9.0f}{first:8.0f}{last:8.0f}{reached:9.0f}{line.inflation:9.1f}"
        )
    with capsys.disabled():
        print("\nNIST's resistor: day on which it reaches a value, forecast from its first readings")
        print(f"{'seen':>6}{'day':>8}{'value':>8}{'forecast':>9}{'from':>8}{'to':>8}{'reached':>9}{'kappa':>9}")
        print("\n".join(lines))
