"""Texts of the pages of processes and suppliers, in English. A second language is a second file like this one."""

from __future__ import annotations

from reports.words.general import COUNT

__all__ = [
    "CAPABILITY", "CAPABILITY_SHORT", "CHART", "COLUMN", "ESTIMATE", "FACT", "FIGURE", "FRAGMENT", "LIMITS_FROM", "NOT_STABLE", "POINT",
    "SECTION", "SPREAD", "STATE", "STEP", "SUBGROUPS_BY", "SUPPLIER_STEP", "TABLE", "TONE", "counted",
]  # fmt: skip

STATE = {
    "in_control": "In control",
    "watch": "Watch",
    "out_of_control": "Out of control",
    "not_assessed": "Not assessed",
}
TONE = {"in_control": "accept", "watch": "hold", "out_of_control": "reject", "not_assessed": "not_assessed"}
"""The state of a lot or meter whose colour and shape a process state takes."""

CAPABILITY = {
    "capable": "capable: the whole interval of Ppk lies at {asked} or above",
    "not_capable": "not capable: the whole interval of Ppk lies below {asked}",
    "undecided": "undecided: the interval of Ppk holds {asked}; more lots narrow it",
    "not_assessed": "no capability is concluded",
}
CAPABILITY_SHORT = {
    "capable": "capable",
    "not_capable": "not capable",
    "undecided": "undecided",
    "not_assessed": "not concluded",
}
NOT_STABLE = {
    "out_of_control": "the level is out of control",
    "watch": "the moving average lies beyond its limit",
    "not_assessed": "whether the level is in control cannot be judged",
    "changed": "the level changed among these lots",
}
"""Why a stream has no headline capability."""
SUBGROUPS_BY = {
    "lot": "each lot is a subgroup of its part means",
    "time": "part means of one stretch of time are a subgroup",
    "part": "each part mean stands alone",
}
LIMITS_FROM = {
    "between": "limits of the means from the variation between neighbouring subgroups, so that real variation between lots counts",
    "within": "limits of the means from the variation within subgroups alone",
}
ESTIMATE = {
    "moving_range": "moving range of subgroup means",
    "mean_standard_deviation": "standard deviations within subgroups",
    "mean_range": "ranges within subgroups",
}
"""What the standard deviation behind control limits is estimated from, by its name in the results."""
SPREAD = {"standard_deviation": "standard deviation", "range": "range"}
_SINGULAR = {
    "stream": "stream",
    "subgroup": "subgroup",
    "supplier": "supplier",
    "signal": "signal",
    "material": "material",
    "change": "change",
}
_PLURAL = {
    "stream": "streams",
    "subgroup": "subgroups",
    "supplier": "suppliers",
    "signal": "signals",
    "material": "materials",
    "change": "changes",
}


def counted(number: int, noun: str) -> str:
    """Return a number with its noun."""
    written = f"{number:,}".replace(",", "\u202f")
    return COUNT["counted"].format(number=written, noun=(_SINGULAR if number == 1 else _PLURAL)[noun])


STEP = {
    "in_control": "Go on. Look here again after the next lots.",
    "watch": "Look at the latest lots before the next one runs: furnace, quench, melt, meter. Nothing is proven yet.",
    "suspended": "First the meter: {n} of {signals} come from lots read on {meters}, suspended now with an open event. A meter that drifts "
    "looks like a shift {what}; settle it before anything else is concluded.",
    "first_meter": "Make sure it is the process and not the meter: see the checks of the meters around the first signal.",
    "stop": "Find out what changed about {day} in {stream}: melt, furnace, quench, tooling, method or people. Hold the parts made since "
    "then until somebody has looked at them; their verdicts stand as they are.",
    "correct": "Remove the cause and measure the next lots; the stretch is over after {quiet} subgroups without a signal.",
    "new_level": "If the new level is wanted and accepted, name a new baseline and say why: annealog record process. Limits never move by "
    "themselves.",
    "name_baseline": "Once {n} subgroups or more are reviewed and show no cause, name them as the baseline: annealog record process.",
    "collect": "Measure more lots: limits need {n} subgroups of a stream.",
    "no_mean": "Give each lot a value at the reference temperature first; the pages of the lots say what is missing.",
    "capability": "Draw no conclusion on capability while a stream is out of control.",
}
SUPPLIER_STEP = {
    "ask": "Ask {supplier} what changed about {day} in {material}, and watch the next deliveries more closely until it is answered.",
    "certificate": "Compare with the mill for {lots}: same unit, same temperature, which spots, which meter. Where one of the two is wrong, "
    "find out which: check the meter on its blocks first.",
    "bias": "Certificates of {material} differ from incoming readings by {difference} {unit} on average ({low} to {high}): settle with "
    "the mill which level holds before relying on certificates.",
    "rejected": "Settle {lots} rejected or on hold: see the pages of the lots.",
    "capable": "Ask {supplier} for a plan on {material}: its Ppk interval lies below {asked}.",
    "few": "Draw no firm conclusion on {material} yet: {n}, fewer than 25, make a figure indicative.",
    "go_on": "Go on. Look here again after the next deliveries.",
}

SECTION = {
    "streams": "Streams", "charts": "Charts", "signals": "Signals", "changes": "Changes of level", "phases": "Limits and phases",
    "rules": "Rules", "annex": "Points", "materials": "Materials", "certificates": "Certificates of the mill",
    "comparison": "Suppliers of one material", "lots": "Lots", "method": "How it was computed",
}  # fmt: skip

COLUMN = {
    "stream": "Stream", "state": "State", "subgroups": "Subgroups", "parts": "Parts", "mean": "Mean", "between": "Between lots, s",
    "within": "Within lots, s", "ppk": "Ppk", "interval": "95 % interval", "since": "Since", "subgroup": "Subgroup", "at": "First reading",
    "value": "Mean", "z": "z", "rules": "Rules", "phase": "Phase", "centre": "Centre", "sigma": "s of means",
    "within_sigma": "s within", "kind": "Limits are", "shift": "Shift", "p": "p",
    "before": "Last at the old level", "after": "First at the new level", "spread": "Spread", "judged": "Judged", "rule": "Rule",
    "looks": "What it looks for", "source": "Source", "ewma": "EWMA", "material": "Material", "lots": "Lots", "accepted": "Accepted",
    "held": "On hold", "rejected": "Rejected", "not_assessed": "Not assessed", "capability": "Capability", "lot": "Lot",
    "verdict": "Verdict", "certificate": "Certificate", "certified": "Mill states", "difference": "Difference", "en": "Eₙ",
    "supplier": "Supplier", "pairs": "Lots compared", "mean_difference": "Mean difference", "agreement": "Limits of agreement",
    "control_limits": "Control limits of means", "spread_limits": "of spread",
    "suspended": "Read on a meter suspended now", "period": "From, to", "largest": "Largest Eₙ", "slope": "Slope in 30 days", "number": "Number",
}  # fmt: skip

TABLE = {
    "streams": "Every stream of this process and how it stands.",
    "signals": "Subgroups that break a rule, the latest {n} at most for each stream.",
    "changes": "Where the level most likely changed, by the largest standardised difference (p by permutations of the same lots).",
    "phases": "Limits by phase, and from which estimate; where subgroups differ in parts, by the number of parts. A named baseline starts a "
    "phase; limits never move by themselves.",
    "rules": "Rules that are applied to the subgroup means, with the numbers set by the site.",
    "points": "Subgroups of {stream}.",
    "materials": "What was delivered, by material; capability is asked against a Ppk of {asked}.",
    "certificates": "Incoming lot mean minus the mill's certificate.",
    "peers": "Suppliers of {material} on one scale.",
    "lots": "Lots of {material}, with the mill's certificate beside the incoming mean.",
}

CHART = {
    "means": "Subgroup means of {stream} in order of time.",
    "spread": "{spread} within each subgroup of {stream}.",
    "ewma": "Exponentially weighted moving average (weight {weight}) of the subgroup means of {stream}.",
    "certificates": "Lot mean minus the mill's certificate, {material}, in order of time.",
    "peers_mean": "Mean of lot means of {material}, by supplier, with its 95 % interval.",
    "peers_ppk": "Ppk of {material}, by supplier, with its 95 % interval.",
}
FIGURE = {
    "key_means": "Circle: no signal. Open diamond with a name: signal, with its rule. Filled triangle: only the moving average is beyond its limit. Barred "
    "circle: not judged, because a meter failed its check. Solid lines: named limits. Long dashes: provisional limits. Dots: limits from "
    "the variation within subgroups alone, for comparison.",
    "key_spread": "Circle: within the limits. Open diamond: beyond.",
    "key_ewma": "Circle: within the limits. Filled triangle: beyond. It starts again at the centre with each phase.",
    "key_certificates": "Circle: |Eₙ| up to 1, or not known. Filled diamond: |Eₙ| above 1. Lines: mean difference and limits of agreement.",
    "key_peers": "Filled square: this supplier. Circle: others. The line is the 95 % interval, with variation between lots counted.",
    "names_once": "A rule is named where it first appears in a stretch of signals; the table names them all.",
    "thinned": "{shown} of {total} subgroups are drawn, every flagged one among them; the others are spread evenly.",
    "date_axis": "Date of the first reading, {zone}; in order of time, at equal distances",
    "on_suspended": "read on {meters}, suspended now",
    "key_suspended": "Thick line at the foot: read on the meter named below it, which is suspended now; it may have drifted, not the level.",
    "mean_axis": "Mean at {reference} °C, {unit}",
    "spread_axis": "{spread} within a subgroup, {unit}",
    "ewma_axis": "EWMA, {unit}",
    "difference_axis": "Lot mean − certificate, {unit}",
    "ppk_axis": "Ppk",
    "supplier_axis": "Supplier",
    "upper": "upper {value}", "lower": "lower {value}", "centre": "centre {value}", "phase": "new baseline",
    "mean_difference": "mean {value}", "agreement": "agreement {value}", "zero": "no difference", "asked": "asked {value}",
}  # fmt: skip

POINT = {
    "since": "Out of control since {day}, subgroup {subgroup}; {signals} in all.",
    "calm": "{state}; {subgroups}, {parts} in all.",
    "change": "The level most likely changed between {before} ({before_day}) and {after} ({after_day}) by {shift} {unit}.",
    "level": "Mean {mean} {unit}; lots differ by s = {between} {unit}, parts of one lot by s = {within} {unit}.",
    "ppk": "Ppk {ppk} (95 % interval {low} to {high}, {lots}, variation between lots counted){few}.",
    "ppk_lost": "No headline Ppk, because {why}; the table holds the figure.",
    "few": ", indicative: fewer than 25 lots",
    "verdicts": "{lots}: {accepted} accepted, {held} on hold, {rejected} rejected, {not_assessed} not assessed.",
    "capability": "{sentence}.",
}

FACT = {
    "subgroups": "Subgroups", "limits": "Limits of means", "spread": "Spread", "ewma": "EWMA", "streams": "Streams", "repeats": "Repeats",
    "level": "Level and Ppk", "changes": "Changes of level", "agreement": "Certificates", "suspect": "Left out", "period": "Period",
    "chance": "False alarms",
}  # fmt: skip
FRAGMENT = {
    "process": "Process report", "supplier": "Supplier report", "product": "product", "line": "line",
    "period": "lots first read from {first} to {last}", "one_day": "lots first read on {first}", "asked": "period asked for: {first} to {last}", "open": "open", "whole": "all lots read so far",
    "repeats": "Subgroups are made of part means; repeats on one spot are never a subgroup.",
    "level": "One-way random effects over lots; the interval of Ppk puts together those of the mean and of the total variation (modified large "
    "sample and MOVER). A lot whose meter failed its check is left out.",
    "changes": "Largest standardised difference of means before and after, cut again while p is at most 0.01; p from 999 seeded permutations. "
    "It takes lots to be independent between changes.",
    "agreement": "Mean difference and limits of agreement (Bland and Altman 1986); Eₙ with expanded uncertainties at k = 2 (ISO 13528, ISO/IEC "
    "17043).",
    "suspect": "Lots whose meter failed a check beside them are drawn and not judged.",
    "chance": "With known limits and nothing wrong, one point beyond 3 s comes once in 370 subgroups and a run of {n} once in {run}, so "
    "a signal now and then is chance; limits from few subgroups alarm more often.",
    "judged": "{judged} of {many} judged", "of_process": "of the process", "of_supplier": "of the supplier",
    "few_lots": "What has fewer than {n} lots is a row of the table only.", "more_charts": "Spread and moving average of {stream}",
    "yes": "yes", "no": "no",
    "not_drawn": "{n} more streams have no chart here: {names}.",
    "named": "named", "provisional": "provisional", "none": "none",
    "no_streams": "No lot has a mean at the reference temperature yet.",
    "since": "since {day}", "of_parts": "{parts}: {span}",
}  # fmt: skip
