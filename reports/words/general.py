"""Every text of the pages, in English. A second language is a second file like this one.

Braces name what is put in. What is put in is escaped later, where it enters the page.
"""

from __future__ import annotations

__all__ = [
    "ACTION",
    "CAUTIONS",
    "COLUMN",
    "CONFORMS_BY",
    "COUNT",
    "DECISION_RULE",
    "FIGURE",
    "FIGURE_OF",
    "FIRST",
    "FRAGMENT",
    "KEY",
    "KIND",
    "LIMITS_KIND",
    "LOT_STEP",
    "METER_STEP",
    "NOTE",
    "PASSES",
    "POINT",
    "SECTION",
    "SETTING_KIND",
    "SHAPE",
    "SINGULAR",
    "STATE",
    "SUPPORT",
    "TABLE",
    "TEMPERATURE_STATE",
    "UNIT",
    "VERDICT",
    "WITHIN",
    "counted",
    "listed",
    "rounding",
]  # fmt: skip

VERDICT = {"accept": "Accept", "hold": "Hold", "reject": "Reject", "not_assessed": "Not assessed"}
FIRST = {
    "identify": "Accept, identify first", "sort": "Accept, sort first", "thickness": "Accept, look at thickness first",
    "correction": "Accept, settle corrections first", "temperature": "Accept, look at the sensor first",
    "spots": "Accept, look at spots first",
}  # fmt: skip
"""An accepted lot with a condition, by the weightiest (`schemas.conditions`)."""
STATE = {"fit": "Fit", "suspended": "Suspended", "overdue": "Overdue", "not_assessed": "Not assessed"}
SUPPORT = {"supported": "supported", "open": "open", "suspect": "suspect", "unsupported": "unsupported"}
WITHIN = {"in": "within limits", "out": "out of limits", "undecided": "undecided", None: "not compared"}
PASSES = {True: "passed", False: "failed", None: "not judged"}
LIMITS_KIND = {"provisional": "provisional", "frozen": "frozen"}
TEMPERATURE_STATE = {
    "at_metal": "at metal temperature", "at_reference": "stated at reference", "relative": "relative to a block",
}  # fmt: skip
KIND = {
    "lot": "Lots", "meter": "Meters",
    "board": "Line", "review": "Monthly reviews", "event": "Events", "block": "Blocks", "supplier": "Suppliers",
    "process": "Processes", "study": "Gauge studies",
}  # fmt: skip
UNIT = {"Ohm.cm": "Ω·cm", "uOhm.cm": "µΩ·cm", "nOhm.m": "nΩ·m"}
CONFORMS_BY = {
    "spot": "every spot mean must conform",
    "part": "every part mean must conform",
    "lot_mean": "the mean of the lot must conform",
    "k_method": "by variables, k method (ISO 3951)",
}
DECISION_RULE = {
    "simple": "simple acceptance: within the limits is in (JCGM 106)",
    "guarded": "guarded acceptance: a guard band is kept as a distance from each limit (JCGM 106); "
    "between in and out a value is undecided",
}

PLURAL = {
    "reading": "readings", "part": "parts", "spot": "spots", "lot": "lots", "meter": "meters", "check": "checks",
    "signal": "signals", "warning": "warnings", "flag": "flags", "run": "runs", "file": "files", "line": "lines",
    "disposition": "dispositions", "block": "blocks", "event": "events",
}  # fmt: skip


SINGULAR = {
    "reading": "reading", "part": "part", "spot": "spot", "lot": "lot", "meter": "meter", "check": "check", "signal": "signal",
    "warning": "warning", "flag": "flag", "run": "run", "file": "file", "line": "line", "disposition": "disposition", "block": "block",
    "event": "event",
}  # fmt: skip
COUNT = {
    "counted": "{number} {noun}", "list": "{first} and {last}", "more": "{first} and {n} more", "comma": ", ",
    "not_rounded": "not rounded before the comparison", "rounded": "rounded to {places} decimals before the comparison, {way}",
    "rounded_one": "rounded to {places} decimal before the comparison, {way}", "half_up": "halves away from zero",
    "half_even": "halves to even",
}  # fmt: skip


def counted(number: int, noun: str) -> str:
    """Return a number with its noun: 1 reading, 2 readings, 1 200 readings."""
    written = f"{number:,}".replace(",", "\u202f")
    return COUNT["counted"].format(number=written, noun=(SINGULAR if number == 1 else PLURAL)[noun])


def listed(items: list[str] | tuple[str, ...], most: int = 6) -> str:
    """Return a list in words, and how many more there are."""
    shown, comma = list(items[:most]), COUNT["comma"]
    if len(items) > most:
        return COUNT["more"].format(first=comma.join(shown), n=len(items) - most)
    return COUNT["list"].format(first=comma.join(shown[:-1]), last=shown[-1]) if len(shown) > 1 else "".join(shown)


def rounding(rule: str | None) -> str:
    """Return the rounding rule of a specification in words."""
    if rule is None or rule == "none":
        return COUNT["not_rounded"]
    kind, _, places = rule.partition(":")
    return COUNT["rounded_one" if places == "1" else "rounded"].format(places=places, way=COUNT.get(kind, kind))


LOT_STEP = {
    "settled_accept": "Conductivity gives no reason to hold this lot. Complete what else the specification asks for, then hand "
    "the record to the person who accepts the lot.",
    "hardness": "Get the hardness result the specification asks for. Conductivity never stands in for it.",
    "conflict": "Decide which of the contradicting exports holds and record the decision; until then the lot stays on hold.",
    "close": "Check meter {meters} on its blocks now. If the check passes, load it: that closes the open bracket and the lot "
    "is judged.",
    "suspect": "Keep the lot apart. Find out why meter {meters} failed its check, then measure the lot again between two "
    "checks that pass.",
    "unsupported": "Check meter {meters} on its blocks, measure the lot again, and check the meter once more at the end. Nothing "
    "stands behind the readings as they are.",
    "out_first_check": "Do not reject on these readings yet: check meter {meters} on its blocks first.",
    "undecided": "The values lie closer to a limit than their uncertainty. Measure more parts or repeats, lower the "
    "uncertainty, or let the person who owns the specification decide.",
    "settle": "Settle the reasons above, load what was missing, and look here again.",
    "reject": "Set the lot apart and mark it. Hand the record to the person who decides on nonconforming material. Do not "
    "measure again just for another verdict: these readings stand.",
    "no_limits": "Enter the lot and its specification in the reference tables, then load again.",
    "measure": "Measure the lot: check the meter, read every part of the plan, check the meter again.",
    "shortfall": "Measure what is missing from the plan, with a check of the meter before and after.",
    "temperature": "State the metal temperature of the readings that have none, or measure them again with it. Without a "
    "temperature there is no value at {reference} °C.",
    "disposition": "Record a disposition: who looked, what was found, what was done.",
}

METER_STEP = {
    "use": "Use it as long as its last run of checks holds. Check it again before that ends, and at the end of the run.",
    "stop": "Do not measure with this meter.",
    "recheck": "Clean probe and blocks, let them reach one temperature, record it (annealog record action) and check every block. Recording "
    "begins a new run; so does waiting. The meter is fit again when that run passes; if it does not, set it on its blocks or send it to be "
    "calibrated.",
    "settle": "Close {event}. {sentence}",
    "undecided": "{lots} without a decision: write down who looked, what was found, what was done.",
    "suspect_lots": "Look at {lots} on which a failed check throws doubt; they are listed below.",
    "overdue": "Check it on its blocks before the next reading.",
    "calibrate": "Take it out of use until it is calibrated, or until the person in charge of measuring equipment extends the "
    "date.",
    "certified": "Check it on a block with a certificate. Without one nothing is known of its bias.",
    "dispose": "Close {events} still open ({names}): write down who looked, what was found, what was done.",
    "drift": "Plan an adjustment or a calibration before {day}: on block {block} the fitted line leaves the tolerance then.",
    "flags": "Settle the flags listed below.",
}

SECTION = {
    "next": "Do next", "why": "Why", "points": "Main points", "figures": "Figures", "charts": "Charts",
    "support": "Checks around the readings", "conformity": "Conformity", "hardness": "Hardness", "left_out": "Readings left out", "bias_line": "Bias against conductivity", "uncertainty": "Uncertainty", "rule": "Specification and decision rule",
    "flags": "Flags", "dispositions": "Dispositions", "annex": "Points and readings",
    "checks": "All checks", "cautions": "Cautions",
    "provenance": "How this page was made", "blocks": "Blocks", "signals": "Signals", "drift": "Drift",
    "read_lots": "Lots it read", "meters": "Meters", "lots": "Lots", "files": "Files", "settings": "Settings",
    "notes": "Notes",
    "others": "Further pages",
    "more": "Behind the verdict", "run_checks": "The checks of those runs",
}  # fmt: skip

KEY = {
    "mean": "Mean of part means", "standard_deviation": "Standard deviation of part means", "minimum": "Smallest part mean",
    "maximum": "Largest part mean", "repeatability": "Repeatability on one spot",
    "within_standard_deviation": "Within-subgroup standard deviation", "cp": "Cp", "cpk": "Cpk", "pp": "Pp", "ppk": "Ppk",
    "expanded_uncertainty": "Expanded uncertainty of the mean", "counts": "Parts · spots · readings", "checks": "Checks",
    "runs": "Runs of checks", "last_run": "Last run of checks, by tolerance", "last_setting": "Last setting", "warnings": "Warnings of the rules",
    "events": "Events that are open", "capability": "Capability",
}  # fmt: skip

COLUMN = {
    "meter": "Meter",
    "readings": "Readings", "before": "Run before", "after": "Run after", "support": "Support", "block": "Block", "at": "Time",
    "first": "First reading", "last": "Last reading", "mean": "Mean", "bias": "Bias", "tolerance": "Tolerance",
    "result": "Result", "part": "Part", "spot": "Spot", "spots": "Spots", "order": "Order", "s": "Standard deviation",
    "s_repeats": "Standard deviation of repeats", "s_spots": "Standard deviation of its spots", "of_limits": "Against limits",
    "in_limits_unit": "Compared value", "file": "File and line", "probe": "Probe", "operator": "Operator", "value": "Value as read",
    "count": "Readings behind it", "s_given": "Its standard deviation", "temperature": "Metal temperature",
    "state": "Temperature state", "factor": "Factor to reference", "at_reference": "Value at reference", "notes": "Notes",
    "decision": "Decision", "by": "By", "why": "Why", "frequency": "Frequency", "checks": "Checks", "certified": "Certified value",
    "last_bias": "Last bias", "limits": "Limits of control", "within_s": "Within-check s", "precision": "Action limit of s",
    "rule": "Rule", "z": "z", "disposition": "Disposition", "slope": "Slope in 30 days", "interval": "95 % interval",
    "leaves": "Leaves tolerance", "verdict": "Verdict", "lot": "Lot", "rejects": "Signals", "events": "Events",
    "n": "Number", "kind": "Kind", "material": "Material", "supplier": "Supplier", "parts": "Parts",
    "ppk": "Ppk", "reason": "First reason", "meter_state": "State", "last_run": "Last run", "name": "Name", "hash": "SHA-256",
    "layout": "Layout", "meters": "Meters", "letter": "File", "suspect": "Suspect lots", "run": "Run",
}  # fmt: skip

TABLE = {
    "brackets": "Readings of the lot between two runs of checks.",
    "checks": "The checks of those runs.",
    "parts": "Part means, with their spots.",
    "spots": "Spot means.",
    "readings": "Readings, as exported and at {reference} °C.",
    "dispositions": "What people decided. A disposition stands beside the verdict and does not change it.",
    "blocks": "Checks since the last setting, block by block.",
    "signals": "Rejects of the multi-rule scheme (Westgard, Barry, Hunt and Groth, 1981) on frozen limits, and what was done about each. z "
    "counts in the standard deviation of the limits.",
    "precision": "Checks whose readings scatter more than the action limit of their standard deviation allows. Look at probe, "
    "surface and fixture; the meter is not suspended by them, and no lot changes.",
    "drift": "Trend of the bias since the last setting, by least squares.",
    "lots": "Lots that this meter read.",
    "meter_checks": "Checks on block {block}.",
    "settings": "Settings of the meter, each of which starts a new history, and what else was done to it, which starts a new run of checks.",
    "files": "Files whose readings stand on this page. The bytes of each lie in the workspace, in archive/, under the first two "
    "digits of its hash and then the whole hash.",
    "meters": "Every meter and what it may be used for.",
}

FIGURE = {
    "parts": "Part means in the order of measuring, each with its spots.",
    "distribution": "How the spot means are spread. One mark is one spot.",
    "distribution_bars": "How the spot means are spread, in {bins} classes; marks are spots that need a look.",
    "timeline": "The readings of the lot between the runs of checks.",
    "control": "Control chart of check means on block {block}.",
    "within": "Standard deviation within each check on block {block}, against its action limit.",
    "thinned": "{shown} of {total} {what} are drawn, every flagged one among them; the others are spread evenly.",
    "crowded": "With so many parts, an upright line from the lowest to the highest spot stands for the spots within limits.",
    "names_once": "A rule is named where it first appears in a stretch of signals; the table names them all.",
    "key_parts": "Bar: part mean. Circle: spot within limits. Filled diamond: spot out of limits. Filled triangle: undecided.",
    "key_bars": "Filled diamond: out of limits. Filled triangle: undecided.",
    "key_spread": "Circle: within limits. Filled diamond: out of limits. Filled triangle: undecided.",
    "earlier": "The mean of this lot beside the {lots} before it of the same product, supplier and specification.",
    "key_earlier": "Filled square: this lot. Circle: a lot before it; filled diamond: one that was rejected. Long dashes: limits, where they are near.",
    "key_plain": "Bar: part mean. Circle: spot. There are no limits to compare with.",
    "key_plain_spread": "Circle: spot mean. There are no limits to compare with.",
    "key_timeline": "Circle: run passed. Filled diamond: run failed. Barred circle: not judged. Thick line: readings of the lot, broken where they are not supported.",
    "key_control": "Circle: no signal. Filled triangle: warning. Open diamond with a name: signal, with its rule. Solid lines: frozen limits. Long dashes: "
    "provisional limits. Dash and dot: tolerance.",
    "key_within": "Circle: below the limit. Filled triangle: above it. The limit is from the checks before that were not above it themselves.",
    "points": "The points behind it.",
    "none": "There is no chart: {reason}.",
}

FIGURE_OF = {
    "lower": "lower limit {value}", "upper": "upper limit {value}", "mean": "mean {value}", "centre": "centre {value}",
    "plus_two": "+2 s", "minus_two": "−2 s", "plus_three": "+3 s {value}", "minus_three": "−3 s {value}",
    "tolerance": "tolerance {value}", "precision": "action limit {value}", "setting": "setting",
    "no_bias": "no bias", "now": "state of this page", "part_axis": "Part, in the order of measuring",
    "check_axis": "Number of the check, in order of time", "spots_axis": "Spots", "time_axis": "Time ({zone})",
    "day_axis": "Time on {day} ({zone})", "value_axis": "Conductivity at {reference} °C, {unit}",
    "resistivity_axis": "Resistivity at {reference} °C, {unit}", "mean_axis": "Check mean, {unit}",
    "bias_axis": "Bias, {unit}", "s_axis": "Standard deviation within a check, {unit}",
    "spot_of_part": "{part}, spot {spot}",
    "lots_axis": "Lots, in the order of reading", "lot_and_verdict": "{lot}, {verdict}",
    "clock_changes": "{first}, from {at} on {then}", "clock_local": "local time",
    "no_run": "no run",
    "no_run_before": "no run before",
    "no_run_after": "no run after yet",
}  # fmt: skip

SHAPE = {
    "plain": "circle", "warning": "filled triangle", "signal": "open diamond", "out": "filled diamond", "own": "filled square",
    "unjudged": "barred circle", "ahead": "wedge", "first": "plus", "second": "cross", "third": "star", "fourth": "fork",
}  # fmt: skip
"""Names of the marks of charts (`reports.kit.marks`)."""

SETTING_KIND = {
    "export": "set, read from an export", "recorded": "set, recorded by a person", "cleaned": "cleaned", "equalised": "temperature equalised",
    "probe changed": "probe changed", "other": "another action",
}  # fmt: skip

POINT = {
    "level": "Mean of {parts}: {mean} {unit} at {reference} °C",
    "level_beside": " ({beside})",
    "level_u": ", with an expanded uncertainty of {u} {unit} (k = {k})",
    "scatter": "; part means scatter by s = {s} {unit}.",
    "near_lower": "The lowest {what} mean, {value} {unit}, lies {distance} {unit} {side} the lower limit {limit}.",
    "near_upper": "The highest {what} mean, {value} {unit}, lies {distance} {unit} {side} the upper limit {limit}.",
    "index": "Ppk is {value} (95 % interval {low} to {high}, n = {n}).",
    "index_bare": "Ppk is {value} (n = {n}).",
    "indicative": " With fewer than 25 parts it is indicative.",
    "no_index": "There is no Ppk: {reason}.",
    "index_open": " The meter's checks do not support the lot, so no capability may be concluded from it.",
    "bracket": "Meter {meter}: {before}, {after}: {support}.",
    "before_run": "the run before {result} at {at}", "after_run": "the run after {result} at {at}",
    "before_none": "no run before", "after_none": "no run after yet",
    "brackets_more": "{n} more brackets stand in the table.",
    "flags": "{flags}, listed below.",
    "excluded": "{readings} left out by a recorded decision; they stay in the record.",
    "out": "{out} of {n} spot means lie out of limits: {where}.",
    "dispositions": "{dispositions} recorded; the latest: {decision} ({by}, {day}).",
    "drift": "Block {block} drifts by {slope} {unit} in 30 days ({low} to {high}); it leaves the tolerance on {day}.",
    "signals": "{events} to look back on, {open} of them open; {signals} at {checks}; {warnings}.",
    "failure": "The check on {block} of {at} was off by {bias} {unit}, {share} of its tolerance of ±{tolerance}.",
    "suspect": "Suspect, because a check beside their readings failed: {lots} ({names}).",
}  # fmt: skip

NOTE = {
    "excluded": "left out by decision", "conflict": "contradicts another export", "non_reading": "no value: {code}",
    "no_reference": "no value at reference: {reason}", "clock": "clock unknown", "line": "line {line}", "number": "number {replicate}",
}  # fmt: skip

ACTION = {
    "suspended": "Stop using meter {meter} until a run of checks passes.",
    "failed": "Find out why meter {meter} failed a check, and measure {lots} again.",
    "rejected": "Set apart {lots}: rejected.",
    "close": "Check meter {meter} now: {lots} on hold until then.",
    "unsupported": "Measure {lots} again between two checks: nothing supports the readings.",
    "held": "Settle {lots} on hold.",
    "identify": "Identify {lots}: accepted, but the conductivity does not fit the material.",
    "sort": "Sort the parts of {lots}: accepted, but they fall into two groups.",
    "thickness": "Look at the thickness of {lots}: accepted, but too thin for the frequency.",
    "correction": "Settle the corrections for geometry of {lots} that could not be applied.",
    "temperature": "Look at the temperature sensor behind {lots}: it failed its check.",
    "spots": "Look for soft spots in {lots}: accepted, but spots of one part differ.",
    "calibrate": "Take out of use until calibrated, or until the date is extended:",
    "overdue": "Check before the next use:",
    "uncertified": "Check on a certified block, for nothing is known yet:",
    "files": "Look at {files} that could not be taken in.",
    "quarantine": "Look at {lines} in quarantine.",
    "unassessed": "Complete what is missing for {lots}: not assessed.",
}

STAMP = {
    "act": "{lots} on hold or rejected",
    "meters": "{meters} not fit",
    "calm": "Nothing on hold",
    "complete": "Incomplete",
    "nothing": "Nothing to do: no lot is on hold, and every meter is fit.",
    "empty": "No lot and no meter has been read yet.",
}

FRAGMENT = {
    "or": " or ",
    "counts_of": "{lots}, {meters}",
    "least_p": "less than 1 in 10,000", "p_least": "p {p}", "p_is": "p = {p}",
    "conditional": "Accept, with something first",
    "open_events": "open", "annex_parts": "Part means", "annex_spots": "Spot means", "annex_readings": "Readings, with file and line",
    "annex_there": "They stand on a page of their own:", "annex_link": "part means, spot means and {readings}", "files_behind": "{files} behind this page, each with its hash",
    "span": "{low} to {high}",
    "warning": "warning",
    "series": "{block}, probe {probe}, {frequency} kHz",
    "skip": "Skip to the verdict", "crumbs": "Where this page stands", "contents": "On this page", "index": "All lots and meters", "lot": "Lot report", "meter": "Meter report",
    "home": "Lots and meters", "state_of": "State of {at}", "page": "Page", "of": "of", "data": "data", "not_stated": "not stated",
    "not_computable": "Not computable: {reason}.", "no_reason": "no reason was given", "interval": "95 % interval {low} to {high}",
    "indicative": "indicative: n = {n}, fewer than 25", "df": "{df} degrees of freedom", "k": "coverage factor k = {k}",
    "infinite": "infinite", "yes": "yes", "no": "no", "none": "None.", "no_flags": "No flags.",
    "no_signals": "No signal.", "no_budget": "There is no uncertainty budget: {reason}.", "no_brackets": "No run of checks can be set beside the readings.",
    "no_checks": "No check is recorded.", "rounded": "Numbers are rounded for display only; the data beside this page is not.",
    "rows": "{shown} of {total} rows are shown, every flagged one among them; the data beside this page holds all.",
    "same": "The same for all: {facts}.", "estimator": "estimator: {name}",
    "figure": "Figure {n}", "table": "Table {n}", "limits": "Limits", "rule": "Decision rule", "judged_by": "Judged by", "rounding": "Rounding",
    "specification": "Specification", "models": "Temperature", "limits_page": "In the working unit", "at_least": "at least {lower} {unit}", "at_most": "at most {upper} {unit}",
    "between": "{lower} to {upper} {unit}", "no_limits": "none", "software": "Software", "as_of": "State of the data", "zone": "Zone of the times",
    "unit": "Unit", "reference": "Reference temperature", "data_hash": "Hash of the data (SHA-256)", "workspace": "Workspace", "id": "Full name",
    "product": "Product", "material": "Material", "supplier": "Supplier",
    "after_hours": "read from {first} to {last}",
    "unnamed": "no name", "earlier": "since the last setting on {day}", "since_first": "no setting recorded",
    "disposed": "{decision}, {by}, {day}: {why}", "signer": "{by}, {role} (signed)",
    "signature": "A signature was given with name and password at that time, and means the decision beside it.", "open_signal": "none yet", "and_more": "and {n} more", "five": "What to do first",
    "footnote": "Where a figure and the specification differ in wording, the specification holds.",
}  # fmt: skip

CAUTIONS = {
    "evidence": "Conductivity is one piece of evidence. It shows alloy, temper and heat damage only together with hardness and the "
    "other tests that the governing specification demands.",
    "authority": "The governing specification decides, and people authorised under it accept or reject. Parts of aircraft, parts "
    "under pressure and electrical conductors are never accepted on this page alone.",
    "limits": "Few readings, an unstable process or a meter out of control support no verdict, whatever figures are printed.",
}
