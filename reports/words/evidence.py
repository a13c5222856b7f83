"""Texts of hardness beside conductivity and of readings left out, in English."""

from __future__ import annotations

__all__ = ["EXCLUSION", "HARDNESS", "HEAT_TREATMENT"]

HARDNESS = {
    "sentence": "{conductivity}, {hardness}.",
    "conductivity_in": "Conductivity in",
    "conductivity_out": "Conductivity out",
    "conductivity_undecided": "Conductivity undecided",
    "conductivity_none": "Conductivity not judged",
    "missing": "hardness missing",
    "in": "hardness in",
    "out": "hardness out",
    "no_limits": "hardness stated without limits",
    "some_parts": " (some of the parts that were read)",
    "all_parts": " (every part that was read)",
    "table": "Hardness beside the conductivity of the same part.",
    "part": "Part",
    "conductivity": "Conductivity, part mean",
    "hardness": "Hardness",
    "scale": "Scale",
    "limits": "Limits of hardness",
    "result": "Hardness against limits",
    "remark": "Remark",
    "whole_lot": "the lot as a whole",
    "unread": "this part was never read for conductivity",
    "untied": "the export names no parts, so the result cannot be tied to one",
    "at_least": "at least {low}",
    "at_most": "at most {high}",
}

HEAT_TREATMENT = {
    "pair": "Conductivity {conductivity} and hardness {hardness} ({where}; mean {mean} {unit}): {meaning}",
    "low": "too low",
    "high": "too high",
    "parts": "parts {parts}",
    "part": "part {parts}",
    "lot": "the lot as a whole",
    "high_low": "this can be metal that was aged too long or overheated, quenched too slowly or solution-treated too little, or an annealed or "
    "softer temper; with copper, metal that a later heat has softened.",
    "low_high": "this can be metal that was aged less than an over-aged temper asks, a harder temper or another alloy; with copper, metal that "
    "was worked cold more than it should, or is not pure.",
    "low_low": "this can be metal that was solution-treated and then aged too little or not at all, or another alloy or temper.",
    "high_high": "this can be metal that was aged further than its temper asks, as one aged in the furnace where one aged at room temperature was "
    "ordered, or another alloy.",
    "fitting": " Ranges of the site's table that fit this conductivity: {names}.",
    "none_fits": " No range of the site's table fits this conductivity.",
    "no_table": " There is no table of ranges to compare with.",
    "named": "{material}, {temper}",
    "caution": "These are possibilities and prove nothing. They hold for heat-treatable aluminium, where ageing raises conductivity all the way "
    "and hardness only up to a peak (common practice; ASM Handbook volume 4 and AMS 2658, from memory). Check both measurements first, the "
    "meter and the hardness tester each on its block; then metallurgy and the governing specification decide.",
}
"""What conductivity and hardness out of limits can mean together, by the sides of both."""

EXCLUSION = {
    "same": "{readings} left out. With every reading the verdict would be the same: {verdict}.",
    "changed": "{readings} left out. Without them the verdict is {verdict}; with every reading it would be {whole}: {reason}",
    "table": "Readings left out by a recorded decision. They stay in the record.",
    "file": "File and line",
    "line": "{file}, line {line}",
    "part": "Part",
    "spot": "Spot",
    "value": "Value as read",
    "at_reference": "Value at reference",
    "by": "By",
    "why": "Why",
    "at": "Decided",
    "comparison": "The lot without the readings left out, and with every reading.",
    "figure": "Figure",
    "without": "As judged, without them",
    "with": "With every reading",
    "readings": "Readings",
    "parts": "Parts",
    "mean": "Mean of part means",
    "s": "Standard deviation of part means",
    "smallest": "Smallest part mean",
    "largest": "Largest part mean",
    "u": "Expanded uncertainty of the mean",
    "limits": "Limits",
    "verdict": "Verdict",
}
