"""Texts of the page of a gauge study, in English. A second language is a second file like this one."""

from __future__ import annotations

__all__ = [
    "CHART",
    "COLUMN",
    "COMPARES",
    "FACT",
    "FIGURE",
    "FRAGMENT",
    "KIND",
    "POINT",
    "SECTION",
    "SOURCE",
    "STATE",
    "STEP",
    "TABLE",
    "TONE",
]

STATE = {"usable": "Usable", "limited": "Limited use", "not_usable": "Not usable", "not_assessed": "Not assessed"}
TONE = {"usable": "accept", "limited": "hold", "not_usable": "reject", "not_assessed": "not_assessed"}
"""The state of a lot or meter whose colour and shape a study's state takes."""
KIND = {
    "crossed": "crossed: every one of them read every part",
    "nested": "nested: each had parts of their own",
}
COMPARES = {"operator": "operators", "meter": "meters", "probe": "probes"}
SOURCE = {
    "repeatability": "Repeatability", "operator": "Between {groups}", "interaction": "Interaction of part and {group}",
    "reproducibility": "Reproducibility", "gauge": "Gauge (both)", "part": "Parts", "total": "Total",
}  # fmt: skip
STEP = {
    "use": "Use the gauge for {this}. Repeat the study when meter, probe, people or method change.",
    "settle": "The interval is wide: repeat with more {groups} or parts before relying on the class.",
    "limited": "Use it where a wrong decision costs little, keep the expanded uncertainty as a guard band, and improve the larger share.",
    "stop": "Do not use this gauge for {this} as it stands. The person responsible for measuring equipment decides.",
    "repeatability": "Repeatability is the larger share: average more repeats a spot, hold the probe by a fixture, look at probe, surface and "
    "temperature.",
    "reproducibility": "Reproducibility is the larger share: compare how {groups} place the probe, wait for temperature and set the meter; train or "
    "write down one way, then repeat.",
    "categories": "Choose parts that span the real variation of the process, or a gauge with a finer step.",
    "interaction": "The difference between {groups} depends on the part ({p}): look at the parts where lines cross in the figure.",
    "complete": "Complete the readings that are missing, with the same run {run}, and load them.",
    "measure": "Measure in the order of the plan (annealog study plan), with {run} in the column run, and load the export.",
    "repeat": "Find out why the meter failed its check, set it, and repeat the study {run} between two checks that pass.",
    "finer": "Read {run} again with a finer step: an export with more digits, or a gauge that shows them.",
    "checks": "Check the meter on its blocks before and after the study; without a passing check on both sides the study shows a meter that may "
    "be out of control.",
}
SECTION = {
    "components": "Components", "charts": "Charts", "anova": "Analysis of variance", "cautions_of": "Cautions of this study",
    "method": "How it was computed", "annex": "Readings",
}  # fmt: skip
POINT = {
    "design": "{parts}, {n} {groups} and {repeats} repeats: {readings} readings used, {left} left out.",
    "gauge": "Gauge: s = {s} {unit} ({low} to {high}); repeatability {r} {unit}{rest}.",
    "reproducibility": ", reproducibility {r} {unit} ({low} to {high})",
    "tolerance": "{percent} % of the tolerance of {tolerance} {unit} (95 % interval {low} to {high} %).",
    "no_tolerance": "No share of a tolerance: {reason}.",
    "study": "{percent} % of the variation in the study (95 % interval {low} to {high} %).",
    "study_bare": "{percent} % of the variation in the study.",
    "categories": "{n} categories of these parts can be told apart (95 % interval {low} to {high}).",
    "categories_bare": "{n} categories of these parts can be told apart.",
}
COLUMN = {
    "source": "Source", "s": "Standard deviation", "interval": "95 % interval", "variance": "Share of variance", "study": "Of study variation",
    "tolerance": "Of tolerance", "without": "Without interaction, s", "df": "Degrees of freedom", "ss": "Sum of squares", "ms": "Mean square", "f": "F",
    "p": "p", "item": "Part", "group": "Who or which", "value": "Value", "at": "Time", "meter": "Meter", "operator": "Operator", "file": "File and line", "note": "Note",
    "number": "Number",
}  # fmt: skip
TABLE = {
    "components": "Components of the variation, with the interaction kept; beside it with the interaction counted as repeatability.",
    "anova": "Analysis of variance, all effects random.",
    "readings": "Readings of the study at {reference} °C.",
}
CHART = {
    "components": "Standard deviation of each component with its 95 % interval.",
    "readings": "Every reading by part and {group}.",
    "interaction": "Mean of each {group} on each part.",
}
FIGURE = {
    "key_components": "Bar: estimate. Line with ends: 95 % interval. A line without an upper end goes on beyond the frame, to the value written at it.",
    "key_readings": "{marks}. Parts in order of their mean.",
    "key_interaction": "A line for each: {marks}. Lines side by side: no interaction; lines that cross: the difference depends on the part.",
    "more": "{n} more {groups} have no mark here; the table holds all.",
    "s_axis": "Standard deviation, {unit}", "value_axis": "Value at {reference} °C, {unit}", "part_axis": "Part, in order of its mean",
    "component_axis": "Component", "tolerance": "tolerance / {width} = {value}", "beyond": "{value}, to {high}", "no_end": "no limit",
    "mark": "{shape}: {name}",
}  # fmt: skip
FACT = {
    "kind": "Design", "compares": "Compared", "tolerance": "Tolerance", "width": "Study width", "intervals": "Intervals", "negative": "Negative components",
    "categories": "Distinct categories", "production": "Production", "interaction": "Interaction", "judged": "Judged by",
}  # fmt: skip
FRAGMENT = {
    "this_tolerance": "this tolerance and these parts", "this_study": "telling parts like these apart",
    "study": "Gauge study", "none": "none", "no_components": "There are no components: {reason}.",
    "width": "{width} standard deviations",
    "intervals": "modified large sample method; exact where one mean square stands alone",
    "negative": "kept in the analysis, taken as zero in the components",
    "categories": "1.41 times the ratio of standard deviations of parts and gauge, rounded down",
    "production": "Readings whose run is registered as a study make no lot, no check, no statistic and no look-back.",
    "interaction": "kept whatever its p: pooling it when p is large makes intervals of repeatability too narrow (measured)",
    "tolerance": "share of the tolerance", "study_share": "share of the variation in the study",
    "from": "{kind}, read from {first} to {last}",
}  # fmt: skip
