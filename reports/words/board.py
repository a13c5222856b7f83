"""Words of the line's status board."""

from __future__ import annotations

__all__ = ["BOARD", "CLOCK", "METER_LINE", "REASON", "STAMP"]

STAMP = {
    "stop": "Stop: {meters} suspended",
    "check": "Check {meters}",
    "unknown": "Nothing known of {meters}",
    "run": "All meters fit",
    "empty": "No meter yet",
}

METER_LINE = {
    "fit": "check by {at}",
    "fit_open": "checked {at}",
    "suspended": "do not use",
    "overdue": "check first",
    "not_assessed": "no block checked",
}

REASON = {
    "out": "out of limits", "suspect": "failed check beside it", "open": "closing check missing", "unsupported": "no check behind it",
    "undecided": "too close to a limit", "hardness": "hardness missing", "other": "see its page",
}  # fmt: skip
"""Why a lot waits, in words that are read from three metres."""

BOARD = {
    "kind": "Line",
    "title": "Board of the line",
    "what": "State of {at}, refreshed while it is served",
    "meters": "Meters",
    "waiting": "Lots that wait",
    "none_waiting": "No lot waits",
    "sums": "{accepted} accepted · {files} held · {lines} in quarantine",
    "never": "none yet",
    "more_lots": "and {n} more wait",
    "more_meters": "and {n} more, all {state}",
    "more_some": "and {n} more meters",
    "snapshot": "The history is being written; this is the snapshot of {at}.",
    "last": "state of {state} · last reading {at}",
}

CLOCK = {
    "clock": "{at} · last reading {age}", "minutes": "{n} min ago", "hours": "{n} h ago", "days": "{n} days ago", "never": "none yet",
    "stale": "Out of date: state of {at}",
}  # fmt: skip
"""What the clock says; its script fills the braces."""
