"""Texts of the index, of its months and of the page of files. English."""

from __future__ import annotations

__all__ = ["COLUMN", "HEADING", "SAY", "TABLE"]

HEADING = {
    "tiles": "Meters", "work": "Open work", "lots": "Lots", "months": "Every lot by month", "month": "Lots of a month", "files": "Files",
    "held": "Files held", "undated": "without a time",
}  # fmt: skip

SAY = {
    "used": "{share} of the tolerance used, on {block}", "used_none": "no bias is known", "next": "next check by {at}",
    "next_none": "not in use until a check passes", "next_now": "check now",
    "shown": "Lots that wait for somebody, and the latest of {month}; {shown} of {total} stand here.",
    "more_lots": "and {n} more, by month below", "month": "{month}: {lots}", "files": "{files}, with hashes", "none": "Nothing is open.",
    "back": "All lots and meters", "part": "{month}, part {n}", "state": "{count} {state}", "and_more": "{n} more kinds of open work stand in annealog status.",
}  # fmt: skip

TABLE = {
    "work": "What is open, the most urgent first.", "lots": "Lots, those that wait first, then the latest. Click on a head to sort.",
    "month": "Lots last read in {month}, the latest first.", "files": "Files whose readings stand in this workspace. The bytes of each lie in archive/, under the first "
    "two digits of its hash and then the whole hash.",
}  # fmt: skip

COLUMN = {"what": "What", "why": "Why", "since": "Since", "where": "Where", "verdict": "Verdict"}
