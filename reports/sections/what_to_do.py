"""What to do next, derived from verdict, support and reasons. The first step is the one that matters."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from reports.kit.markup import shorten
from reports.sections.drift_text import drift_steps
from reports.words import general as words
from reports.words.lot_detail import FIRST_STEP, STEP
from schemas.conditions import CONDITIONS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock
    from schemas.look_back import EventGlance
    from schemas.results import LotPage, LotResult, MeterResult

__all__ = ["calibration_due", "concerned_meters", "lot_steps", "meter_steps"]


def concerned_meters(page: LotPage) -> list[str]:
    """Return the meters whose brackets leave the lot with its support; all its meters where no bracket is known."""
    brackets, result = page.brackets, page.result
    found: list[str] = []
    if brackets.height:
        found = brackets.filter(pl.col("support") == result.support)["meter"].drop_nulls().unique().sort().to_list()
    return found or sorted(result.meters)


def _names(names: Sequence[str]) -> str:
    return words.listed([shorten(name, 40) for name in names]) or words.FRAGMENT["not_stated"]


def _mentions(result: LotResult, *fragments: str) -> bool:
    return any(fragment in reason.lower() for reason in result.reasons for fragment in fragments)


def _flagged(result: LotResult, code: str) -> bool:
    return any(flag.split(":", 1)[0] == code for flag in result.flags)


def lot_steps(page: LotPage) -> list[str]:
    """Return what to do about a lot, the first thing first.

    Parameters
    ----------
    page
        The lot.

    Returns
    -------
    list of str
        At least one sentence.
    """
    result = page.result
    step = words.LOT_STEP
    first = [FIRST_STEP[CONDITIONS[code]] for code in CONDITIONS if _flagged(result, code)]
    steps: list[str] = []
    if result.verdict == "accept":
        steps += [*first, STEP["then"]] if first else [step["settled_accept"]]
    elif result.verdict == "reject":
        steps.append(step["reject"])
    elif result.verdict == "not_assessed":
        steps += _to_be_assessed(page)
    else:
        steps += _held(page)
    if result.verdict != "accept":
        steps += first
    if (result.verdict in ("hold", "reject") or first) and not result.dispositions:
        steps.append(step["disposition"])
    return steps


def _held(page: LotPage) -> list[str]:
    result, step = page.result, words.LOT_STEP
    meters = _names(concerned_meters(page))
    steps: list[str] = []
    if result.support == "open":
        steps.append(step["close"].format(meters=meters))
    elif result.support == "suspect":
        steps.append(step["suspect"].format(meters=meters))
    elif result.support == "unsupported":
        steps.append(step["unsupported"].format(meters=meters))
    if result.limits_met == "out" and result.support != "supported":
        steps.insert(0, step["out_first_check"].format(meters=meters))
    # an exclusion settles a conflict, but the flag stays; the reason goes
    if _flagged(result, "conflicting_reexport") and _mentions(result, "exported again", "export"):
        steps.append(step["conflict"])
    if _mentions(result, "hardness"):
        steps.append(step["hardness"])
    if result.limits_met == "undecided":
        steps.append(step["undecided"])
    return steps or [step["settle"]]


def _to_be_assessed(page: LotPage) -> list[str]:
    result, step = page.result, words.LOT_STEP
    steps: list[str] = []
    if result.specification is None or (result.lower_as_written is None and result.upper_as_written is None):
        steps.append(step["no_limits"])
    if not result.readings:
        steps.append(step["measure"])
    elif _mentions(result, "of the plan", "than the plan"):
        steps.append(step["shortfall"])
    readings = page.readings
    lacking = readings.height and readings.filter(pl.col("no_reference_reason").is_not_null()).height
    if lacking:
        steps.append(step["temperature"].format(reference=f"{result.reference_temperature_c:g}"))
    return steps or [step["settle"]]


def calibration_due(result: MeterResult) -> bool:
    """Whether the meter is overdue for its own calibration rather than for a check."""
    return any("calibration was due" in reason for reason in result.reasons)


def meter_steps(result: MeterResult, clock: Clock) -> list[str]:
    """Return what to do about a meter, the first thing first.

    Parameters
    ----------
    result
        The meter.
    clock
        The zone, for dates.

    Returns
    -------
    list of str
        At least one sentence.
    """
    step = words.METER_STEP
    steps: list[str] = []
    gravest = _gravest(result)
    if result.state == "suspended":
        steps += [step["stop"], step["recheck"]]
    elif result.state == "overdue":
        steps.append(step["calibrate"] if calibration_due(result) else step["overdue"])
    elif result.state != "fit":
        steps.append(step["certified"])
    if gravest is not None:
        told = step["settle"].format(event=shorten(gravest.event, 40), sentence=shorten(gravest.sentence, 240))
        if gravest.undecided:
            told += " " + step["undecided"].format(lots=words.counted(len(gravest.undecided), "lot"))
        steps.insert(0 if result.state == "fit" else 1, told)
    if result.state == "fit":
        steps.append(step["use"])
    if result.suspect_lots:
        steps.append(step["suspect_lots"].format(lots=words.counted(len(result.suspect_lots), "lot")))
    if waiting := [event for event in result.open_events if event is not gravest]:
        names = words.listed([shorten(event.event, 40) for event in waiting], 4)
        steps.append(step["dispose"].format(events=words.counted(len(waiting), "event"), names=names))
    steps += drift_steps(result, clock)
    if result.flags:
        steps.append(step["flags"])
    return steps


_GRAVE = ("calibration", "failed_check")


def _gravest(result: MeterResult) -> EventGlance | None:
    """Return the open event that is settled first: a calibration that failed, else a failed check, the latest of them."""
    grave = [event for event in result.open_events if event.kind in _GRAVE]
    return min(grave, key=lambda event: (_GRAVE.index(event.kind), -event.fired_at.timestamp()), default=None)
