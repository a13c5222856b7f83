"""Words of the line's status board."""

from __future__ import annotations

__all__ = ["BOARD", "METER_LINE", "STAMP"]

STAMP = {
    "stop": "Stop: {meters} suspended",
    "check": "Check {meters}",
    "unknown": "Nothing known of {meters}",
    "run": "All meters fit",
    "empty": "No meter yet",
}

METER_LINE = {
    "fit": "next check by {at}",
    "fit_open": "checked {at}",
    "suspended": "do not use",
    "overdue": "check before use",
    "not_assessed": "no check on a certified block",
}

BOARD = {
    "kind": "Line",
    "title": "Board of the line",
    "what": "State of {at}, refreshed while it is served",
    "meters": "Meters",
    "waiting": "Lots that wait",
    "none_waiting": "No lot waits",
    "accepted": "lots accepted",
    "files": "files held",
    "lines": "lines in quarantine",
    "last": "last reading",
    "never": "none yet",
    "more": "and {n} more",
    "snapshot": "The history is being written; this is the snapshot of {at}.",
}
