"""What a lot page says in sentences and key figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from reports.kit.markup import Html, shorten
from reports.kit.numbers import Clock, as_written, compact, decimals_for, finite, fixed, significant
from reports.kit.page import unit_in_words
from reports.kit.tables import ledger
from reports.lot.capability import withheld
from reports.lot.evidence import heat_treatment_sentences
from reports.lot.material import groups_in_words
from reports.lot.tables import run_state
from reports.sections.uncertainty import conformity_sentences, decimals_of_limits
from reports.words import general as words
from reports.words import lot_detail as detail_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.tables import Row
    from schemas.lot_detail import LotDetail
    from schemas.results import LotPage, LotResult

__all__ = ["INDICATIVE", "key_figures", "main_points", "reason_of"]

INDICATIVE = 25
"""Fewer parts than this make a capability figure indicative (house rule: under 25 subgroups)."""


def reason_of(result: LotResult, name: str) -> str:
    """Return why a figure of a lot cannot be computed."""
    return shorten(result.not_computable.get(name) or words.FRAGMENT["no_reason"], 300)


def _beside(working: LotResult, name: str, unit: str) -> str | None:
    """Return a figure in the working unit, where the page speaks another."""
    written = unit_in_words(working.unit)
    if written == unit or finite(getattr(working, name)) is None:
        return None
    decimals = decimals_for(finite(working.expanded_uncertainty) or finite(working.standard_deviation), working.mean)
    return f"{fixed(getattr(working, name), decimals)} {written}"


def main_points(page: LotPage, working: LotResult, clock: Clock, unit: str, decimals: int) -> list[str]:
    """Return the main points in plain sentences; `working` is the result in the working unit."""
    result, point = page.result, words.POINT
    points: list[str] = []
    if finite(result.mean) is not None:
        level = point["level"].format(
            parts=words.counted(result.parts, "part"),
            mean=fixed(result.mean, decimals),
            unit=unit,
            reference=f"{result.reference_temperature_c:g}",
        )
        if (beside := _beside(working, "mean", unit)) is not None:
            level += point["level_beside"].format(beside=beside)
        if finite(result.expanded_uncertainty) is not None:
            level += point["level_u"].format(
                u=fixed(result.expanded_uncertainty, decimals), unit=unit, k=compact(result.coverage_factor)
            )
        has_s = finite(result.standard_deviation) is not None
        points.append(
            level + (point["scatter"].format(s=significant(result.standard_deviation, 2), unit=unit) if has_s else ".")
        )
    points += _nearest(page)
    if _doubtful(result):
        points += conformity_sentences(result)[:1]
    points.append(_capability_point(result, page.detail))
    if page.detail is not None and (page.detail.material.groups.found or page.detail.material.groups.possible):
        points.append(groups_in_words(page.detail.material.groups, unit, decimals))
    if page.detail is not None:
        points += heat_treatment_sentences(page.detail.heat_treatment, unit, decimals)
    points += _support_points(page, clock)
    out = [row for row in page.spot_values.iter_rows(named=True) if row["within"] == "out"]
    if out:
        places = [_place(row) for row in out]
        points.append(point["out"].format(out=len(out), n=page.spot_values.height, where=words.listed(places, 5)))
    excluded = page.readings["excluded"].to_list().count(True) if page.readings.height else 0
    if excluded:
        points.append(point["excluded"].format(readings=words.counted(excluded, "reading")))
    if result.flags:
        points.append(point["flags"].format(flags=words.counted(len(result.flags), "flag")))
    if result.dispositions:
        last = max(result.dispositions, key=lambda d: (d.at, d.by, d.decision))
        points.append(
            point["dispositions"].format(
                dispositions=words.counted(len(result.dispositions), "disposition"), decision=shorten(last.decision, 80),
                by=shorten(last.by, 40), day=clock.day(last.at),
            )
        )  # fmt: skip
    return points


def _place(row: Row) -> str:
    stated = [(words.COLUMN[name].lower(), row[name]) for name in ("part", "spot") if row[name] is not None]
    return " ".join(f"{name} {shorten(str(value), 24)}" for name, value in stated) or words.FRAGMENT["not_stated"]


def _doubtful(result: LotResult) -> bool:
    """Whether the risk of the decision is large enough to be said among the main points: one in a thousand."""
    found = result.conformity
    if found is None or found.conformance_probability is None:
        return False
    return min(found.conformance_probability, 1 - found.conformance_probability) > 0.001


def _nearest(page: LotPage) -> list[str]:
    """Say how far the outermost means lie from each limit, in the unit in which they are compared."""
    result = page.result
    if result.limits_unit is None or not page.spot_values.height:
        return []
    frame = page.spot_values
    what = "spot"
    if result.conforms_by in ("part", "lot_mean", "k_method"):
        frame, what = (
            frame.group_by("part", maintain_order=True)
            .agg(pl.col("mean_in_limits_unit").mean())
            .sort("part", nulls_last=True),
            "part",
        )
    values = sorted(v for v in frame["mean_in_limits_unit"].to_list() if finite(v) is not None)
    if not values:
        return []
    unit, decimals = unit_in_words(result.limits_unit), decimals_of_limits(result)
    found = []
    for name, limit, value in (
        ("near_lower", result.lower_as_written, values[0]),
        ("near_upper", result.upper_as_written, values[-1]),
    ):
        if finite(limit) is None or limit is None:
            continue
        above = value >= limit
        found.append(
            words.POINT[name].format(
                what=what, value=fixed(value, decimals), distance=fixed(abs(value - limit), decimals), unit=unit,
                side="above" if above else "below", limit=as_written(limit),
            )
        )  # fmt: skip
    return found


def _capability_point(result: LotResult, detail: LotDetail | None) -> str:
    point = words.POINT
    if (
        finite(result.ppk) is not None
        and (why := withheld(result, None if detail is None else detail.capability)) is not None
    ):
        return detail_words.SAY["no_capability"].format(reason=why)
    if finite(result.ppk) is None:
        return point["no_index"].format(reason=reason_of(result, "ppk"))
    if result.ppk_interval is None:
        said = point["index_bare"].format(value=fixed(result.ppk, 2), n=result.parts)
    else:
        low, high = (fixed(bound, 2) for bound in result.ppk_interval)
        said = point["index"].format(value=fixed(result.ppk, 2), low=low, high=high, n=result.parts)
    if result.parts < INDICATIVE:
        said += point["indicative"]
    if detail is not None and detail.capability.normality.normal is False:
        said += detail_words.SAY["not_normal_point"]
    if result.support != "supported":
        said += point["index_open"]
    return said


def _support_points(page: LotPage, clock: Clock) -> list[str]:
    point = words.POINT
    frame = page.brackets
    order = {"suspect": 0, "unsupported": 1, "open": 2}
    rows = sorted(frame.iter_rows(named=True), key=lambda row: order.get(row["support"], 3)) if frame.height else []
    said = []
    for row in rows[:4]:
        sides = {}
        for side in ("before", "after"):
            at = row[f"{side}_at"]
            state = run_state(row[f"{side}_state"]) or words.PASSES[None]
            sides[side] = (
                point[f"{side}_none"] if at is None else point[f"{side}_run"].format(result=state, at=clock.minute(at))
            )
        said.append(
            point["bracket"].format(
                meter=shorten(str(row["meter"]), 40), support=words.SUPPORT.get(row["support"], row["support"]), **sides
            )
        )
    if len(rows) > 4:
        said.append(point["brackets_more"].format(n=len(rows) - 4))
    return said


def key_figures(page: LotPage, working: LotResult, unit: str, decimals: int) -> Html:
    """Return the key figures, each with its interval and n, or the reason why there is none; the working unit stands beside.

    A lot that is rejected or not stable has no capability here; the figures stay in the data.
    """
    result, fragment = page.result, words.FRAGMENT
    conditions = page.detail.capability if page.detail is not None else None
    cells: list[tuple[str, object, Sequence[object], str | None]] = [
        (words.KEY["counts"], f"{result.parts} · {result.spots} · {result.readings}", (), None)
    ]

    def cell(name: str, written: str, *remarks: object) -> None:
        missing = finite(getattr(result, name)) is None
        reason = fragment["not_computable"].format(reason=reason_of(result, name)) if missing else None
        cells.append((words.KEY[name], written, () if missing else remarks, reason))

    def with_unit(value: str) -> str:
        return f"{value} {unit}"

    u = result.expanded_uncertainty
    cell("mean", with_unit(fixed(result.mean, decimals)), _beside(working, "mean", unit))
    k = fragment["k"].format(k=compact(result.coverage_factor)) if finite(result.coverage_factor) is not None else None
    cell("expanded_uncertainty", with_unit(f"±{fixed(u, decimals)}"), k)
    cell("standard_deviation", with_unit(significant(result.standard_deviation, 2)), f"n = {result.parts}")
    for name in ("minimum", "maximum"):
        cell(name, with_unit(fixed(getattr(result, name), decimals)), _beside(working, name, unit))

    def degrees(value: float | None) -> str | None:
        return fragment["df"].format(df=compact(value)) if finite(value) is not None else None

    cell(
        "repeatability",
        with_unit(significant(result.repeatability, 2)),
        degrees(result.repeatability_degrees_of_freedom),
    )
    estimator = (
        fragment["estimator"].format(name=result.within_estimator.replace("_", " "))
        if result.within_estimator
        else None
    )
    cell(
        "within_standard_deviation", with_unit(significant(result.within_standard_deviation, 2)), estimator,
        degrees(result.within_degrees_of_freedom),
    )  # fmt: skip
    if (why := withheld(result, conditions)) is not None:
        cells.append(
            (words.KEY["capability"], "", (), f"{detail_words.SAY['not_stated'].format(reason=why)}.".capitalize())
        )
        return ledger(cells)
    for name in ("cp", "cpk", "pp", "ppk"):
        interval = getattr(result, f"{name}_interval")
        between = (
            fragment["interval"].format(low=fixed(interval[0], 2), high=fixed(interval[1], 2)) if interval else None
        )
        few = fragment["indicative"].format(n=result.parts) if result.parts < INDICATIVE else f"n = {result.parts}"
        cell(name, fixed(getattr(result, name), 2), between, few)
    return ledger(cells)
