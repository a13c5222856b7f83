"""Texts of a meter's page: strips, disclosures, the page of its checks. English."""

from __future__ import annotations

__all__ = ["FIGURE", "FIGURE_OF", "FOLD", "HEADING", "SAY"]

HEADING = {
    "strips": "Bias, block by block", "then": "After that", "more": "More of this meter", "checks": "Checks and signals",
    "kind": "Checks of a meter",
}  # fmt: skip

SAY = {
    "order": "The block that needs a look first stands on top; all share one axis of time.",
    "used": "last bias {share} of the tolerance", "beyond": "last bias {share} of the tolerance: failed",
    "drift_since": "drift signal since {day} ({charts})", "leaves": "drifts by {slope} {unit} in 30 days since {since} and leaves the tolerance about {day} (95 % interval {first} to {last})",
    "leaves_open": "drifts by {slope} {unit} in 30 days since {since} and leaves the tolerance about {day}, {first} at the earliest; the checks so far "
    "set no latest day",
    "rejected": "the last check carries {rules}",
    "linked": "Every check, signal and forecast of this meter, with its numbers:",
    "link": "checks and signals of {meter}",
    "back": "The verdict on this meter, and what to do next:",
    "back_link": "meter {meter}",
    "cut": "The line is cut at {limit}; the farthest value is {value}.",
    "outside": "{checks} beyond {limit} % of the tolerance, drawn as an arrow at the edge; the table has their values.",
    "check": "check {n}, {at}", "z": "z = {z}",
}  # fmt: skip

FIGURE = {
    "strip": "Bias on block {block} in percent of its tolerance.",
    "key_strip": "Circle: check that passed. Filled diamond: check that failed. Open diamond: signal of the rules, named below the "
    "axis where it first appears in a stretch. Dash and dot: tolerance. Solid: limits of control, frozen; long dashes: provisional. Short "
    "upright line: setting; long one: calibration. Ticks at the foot: lots that were read. Bar on top: drift signal.",
    "key_forecast": "Dotted: where the bias goes if the meter goes on as it did, with its 95 % interval; wedge: the day it leaves the tolerance.",
}  # fmt: skip

FIGURE_OF = {
    "axis": "Bias, % of tolerance", "tolerance": "tolerance {value}", "drift": "drift signal since {day}", "calibration": "calibration",
    "calibration_failed": "calibration failed", "setting": "setting", "leaves": "leaves {day}", "last": "last {share}",
}  # fmt: skip

FOLD = {
    "charts": "Block {block}: control chart, EWMA, CUSUM, scatter within checks",
    "uncertainty": "Uncertainty of a single reading, block by block",
    "settings": "Settings and actions", "bias_line": "How the line was found, and its points",
    "intervals": "What one failed check would put on hold",
    "checks": "Checks on block {block}",
}  # fmt: skip
