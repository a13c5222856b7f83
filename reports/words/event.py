"""Texts of the event page, in English. Braces name what is put in; it is escaped where it enters the page."""

from __future__ import annotations

__all__ = [
    "ACTION",
    "COLUMN",
    "COMMAND",
    "CONDITION",
    "DOUBT",
    "FRAGMENT",
    "KIND",
    "PART",
    "POINT",
    "SECTION",
    "SINCE",
    "STATE",
    "STEP",
    "TABLE",
    "TIMELINE",
]

STATE = {"open": "Open", "closed": "Closed"}

KIND = {
    "failed_check": "failed check", "signal": "reject of the multi-rule scheme",
    "precision": "scatter within a check beyond its action limit", "calibration": "external calibration, as found",
    "check_overdue": "check overdue",
}  # fmt: skip

DOUBT = {"touched": "touched", "covered": "covered", "possible": "possibly touched, read as {meter}"}

SINCE = {
    "heading": "Since then",
    "suspended": "Meter {meter} is suspended now.",
    "figure": "Around this lot, the check of {meter} that came nearest to its tolerance was {bias} {unit} off on block {block} "
    "({at}; tolerance ±{tolerance} {unit}): {state}.",
    "inside": "inside the tolerance", "beyond": "beyond the tolerance",
    "no_figure": "No check of {meter} with a certified block stands beside this lot, so how far it was off is not known.",
    "touched": "An open event touched this lot: ", "covered": "An open event covers this lot, with checks that passed on both sides: ",
    "possible": "An open event possibly touched this lot: ", "settled": " This lot is settled; the event is still open.",
}  # fmt: skip
"""What later came to light of a meter that read a lot."""

PART = {"before": "before", "signal": "signal", "after": "after"}

CONDITION = {"as_found": "as found", "as_left": "as left"}

SECTION = {
    "commands": "To record", "timeline": "What happened", "lots": "Lots, the most urgent first",
    "evidence": "Checks", "calibrations": "External calibrations",
}  # fmt: skip

TIMELINE = {
    "good": "Last good evidence.",
    "no_good": "Nothing good is known of the meter before: everything it read is looked at.",
    "read": "{lots} read.",
    "last": "The last check of the event.",
    "again": "A run of checks passed.",
    "still": "Nothing good has followed yet.",
    "event": "The event",
    "decision": "{decision} ({by}: {why})",
    "shipped_on": "{lots} left the site.",
    "measured_again_at": "{lots} measured again, with checks that passed on both sides.",
    "window": "Window of doubt: from {start} to {end} ({zone}).",
    "since_ever": "the first reading",
    "open_end": "now",
}

POINT = {
    "fired": "{kind}, {at}: {sentence}",
    "change": "Since the last good evidence the meter moved by {moved}.",
    "moved": "{change} {unit} at {level} {unit} ({name})",
    "no_change": "How far the meter moved cannot be said: there is nothing to compare with.",
    "touched": "{lots} touched, {open} of them without a decision or a supported reading.",
    "covered": "{lots} covered: checks that passed stand before and after, so the disposition of the event is enough.",
    "possible": "{lots} possibly touched: read by a meter that nobody registered.",
    "no_lots": "No lot was touched.",
}

STEP = {
    "closed": "Nothing: the event and every touched lot have their decision. A check that passed later did not close it; people did.",
    "stop": "Do not measure with meter {meter} until a later run of checks passes.",
    "check": "Check meter {meter} on its blocks now: nothing good has followed yet, so the window is still open.",
    "signal": "Find out why the event fired, and record what was decided.",
    "lots": "Settle {lots}, the first of the list first: keep them apart, measure them again between two checks that pass, or "
    "record what was decided.",
    "shipped": 'Tell the customer about {lots} that left the site, and record it (--decision "customer told").',
    "beyond": "Look at {names} first: with the error that the meter may have had, they may lie beyond their limit.",
}  # fmt: skip

COMMAND = {
    "said": "Once something is decided; what stands for … is yours to say:",
    "event": "annealog record disposition --event {event} --decision … --by … --why …",
    "lot": "annealog record disposition --event {event} --lot {lot} --decision … --by … --why …",
    "more": "The same for {n} more lots of the list.",
}

COLUMN = {
    "doubt": "Doubt", "errors_to_limit": "Distance to the limit", "in_errors": "in errors", "settled": "Settled", "part": "Run", "certificate": "Certificate",
    "count": "Checks", "period": "From, to", "condition": "Condition", "nominal": "Reference value", "indicated": "Indicated", "deviation": "Deviation",
    "u": "U", "unit": "Unit",
}  # fmt: skip

TABLE = {
    "lots": "What the event touched: undecided lots first; touched before possibly touched before covered; lots on the site "
    "before those that left it; then by distance. Lots that wait for nothing of their own and stand alike share a row.",
    "distance": "Distance: from the lot's extreme value to the limit on the side on which the error may have hidden it, in "
    "units of the meter's bias change plus the lot's expanded uncertainty. Below 1 the lot may lie beyond its limit.",
    "checks": "Last check of each block in the last good run, the checks of the signal, first check of each block in the run "
    "that passed after it.",
    "checks_alike": "Last check of each block in the last good run, the checks of the event, first check of each block in the run that "
    "passed after it; equal ones together.",
    "calibrations": "External calibrations of the meter, latest first.",
}  # fmt: skip

ACTION = {
    "events": "Close the events of the look-back that are open ({n}): the signal and every lot it touched need a decision.",
    "moved": "Take out of use, for the block moved:",
}

FRAGMENT = {
    "title": "Look-back event", "overdue": "overdue when used, due {day}", "beyond": "below 1", "near": "near the tolerance",
    "no_risk": "not computable", "with_signal": "with the event", "every_check": "All {n} checks by time",
}  # fmt: skip
