"""Texts of a meter's drift: charts, signals, forecast, what a failed check would hold. English."""

from __future__ import annotations

__all__ = ["CHART", "COLUMN", "FIGURE", "FIGURE_OF", "NOTE", "POINT", "SIDE", "STEP", "TABLE"]

CHART = {"EWMA": "EWMA", "CUSUM": "CUSUM"}
SIDE = {"high": "reads higher", "low": "reads lower"}

FIGURE = {
    "ewma": "EWMA of the checks on block {block}: a weighted mean that remembers, in standard deviations of check means.",
    "cusum": "CUSUM of the checks on block {block}: what has added up beyond the reference value, in standard deviations of check means.",
    "forecast": "When the bias on block {block} leaves the tolerance.",
    "key_ewma": "Open diamond: first and last check of a stretch beyond the limit; the latest stretches are named by the day they began. The chart runs against frozen limits only and begins "
    "again at each setting.",
    "key_cusum": "The larger of the two sums is drawn, the one for low values downward. Open diamond: first and last check of a stretch beyond the limit.",
    "design": "Designed for one false signal in {run_length} checks, with limits from {behind} checks counted in: L = {width} and h = "
    "{interval}. With the factors for known limits there would be one in {known}.",
    "columns": "{total} checks are drawn in columns of {size}: an upright line from the lowest to the highest, a line through the means of the "
    "columns. Every signal and failure has its own mark; marks at one place are drawn once. {warnings} are counted in the table.",
    "columns_plain": "{total} checks are drawn in columns of {size}: an upright line from the lowest to the highest.",
    "names_last": "The latest {shown} signals are named; the table names more.",
    "lines_last": "Limits and settings are drawn for the latest {shown} stretches.",
    "provisional": "Provisional limits have the certificate as their centre, so beyond them or on one side of them (10-x) lies a steady bias, "
    "not a change of the meter: the rules warn here and suspend nothing. Setting a meter for such a bias is over-adjustment.",
    "above": "{above} of {total} checks lay above the limit when they were made.",
}

FIGURE_OF = {
    "ewma_axis": "EWMA in s of the baseline", "cusum_axis": "CUSUM in s of the baseline", "upper": "limit +{value}", "lower": "limit −{value}", "zero": "centre",
    "pooled": "pooled s {value}", "leaves": "leaves {day}", "first_day": "from {day}", "last_day": "to {day}",
}  # fmt: skip

TABLE = {
    "drift_signals": "Stretches of checks at which a drift chart lies beyond its limit. They warn; the meter is not suspended by them.",
    "check_intervals": "What one failed check would put on hold if the meter were checked every so many hours, counted in its own history at "
    "{moments} moments at which it had just read a lot.",
    "forecast": "The forecast for block {block}.",
    "columns": "Checks on block {block} in columns as drawn.",
}

COLUMN = {
    "chart": "Chart", "begins": "Since", "until": "Until", "side": "The meter", "largest": "Farthest", "limit": "Limit", "state": "State",
    "hours": "Check every", "lots_median": "Lots on hold, median", "lots_largest": "Lots on hold, largest",
    "readings_median": "Readings, median", "readings_largest": "Readings, largest", "day": "Day", "line": "Bias by the line",
    "low": "Lower bound", "high": "Upper bound", "day_interval": "95 % interval of the day", "drifting": "Drifting since",
    "slope_since": "Slope since then, 30 days", "ewma": "EWMA", "cusum": "CUSUM", "numbers": "Numbers", "lowest": "Lowest mean",
    "highest": "Highest mean", "mean": "Mean of means", "warnings": "Warnings", "signals": "Checks with signals", "failed": "Failed",
    "first_check": "First check",
}  # fmt: skip

NOTE = {
    "open": "still beyond",
    "over": "over",
    "no_end": "no end: the checks are also compatible with no drift",
    "first_check": "the first check",
    "every_hours": "{hours} h",
    "every_days": "{days} days",
    "every_day": "1 day",
    "every_week": "1 week",
    "site": "your site's interval",
    "no_signals": "No drift chart lies or lay beyond its limit.",
    "no_chart": "Block {block}: no drift chart yet, because {reason}.",
    "design": "EWMA (weight {weight}) and CUSUM (k = {k}) run on the distance of a check mean from the frozen centre in standard deviations of "
    "the baseline. "
    "Each is set to one false signal in {run_length} checks on average over baselines, because a baseline of {behind} checks leaves centre and "
    "scatter uncertain; factors for known limits would signal falsely once in {known} checks. Both together signal a little more often than one.",
    "model": "The forecast takes a level that begins to drift along a straight line at some check. Its interval holds every day that the checks "
    "do not contradict, with the scatter between checks and the likeness of neighbouring checks counted in. A meter need not go on as it did.",
    "crowded": "{shown} of {total} checks are shown, the latest ones and the latest with a signal; the table of columns counts all.",
    "earlier": "{checks} with earlier signals are left out here; the table of checks counts them.",
    "line_today": "last check",
    "line_day": "most likely",
    "line_first": "first possible",
    "line_last": "last possible",
}

POINT = {
    "hold": "A failed check would put {now} on hold with checks every {hours} h (median; {worst} at worst), {week} with one check a week.",
}  # fmt: skip

STEP = {
    "signal": "Look into the drift on block {block}. {charts} beyond the limit since {day}. Clean block and probe and check again; if it stays, set the "
    "meter, which begins a new history, and write a disposition.",
    "leaves": "Plan an adjustment or a calibration before {first}: on block {block} the bias may leave the tolerance from then on, most likely on {day}.",
}
