"""What a reader of a gauge study should know besides its figures: gaps in the design, few people, checks around it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    from pipeline.steps.assess import Assessment

__all__ = ["cautions_of", "holes"]

FEW_GROUPS = 5
"""With fewer operators (or meters) reproducibility has so few degrees of freedom that its interval is wide."""

_SPREAD_WORDS = {"operator": "operators", "meter": "meters", "probe": "probes"}


def holes(counted: pl.DataFrame, kind: str, compares: str) -> list[str]:
    """Name cells of the design that lack readings."""
    if not counted.height or kind == "nested":
        return []
    cells = counted.group_by("item", "group").agg(pl.len().alias("n"))
    most = max(cells.group_by("n").len("times").sort("times", "n").tail(1)["n"].to_list())
    every = counted.select("item").unique().join(counted.select("group").unique(), how="cross")
    short = (
        every.join(cells, on=["item", "group"], how="left")
        .with_columns(pl.col("n").fill_null(0))
        .filter(pl.col("n") != most)
        .sort("item", "group")
    )
    named = [
        f"part {row['item']} by {compares} {row['group']}: {row['n']} of {most}"
        for row in short.head(6).iter_rows(named=True)
    ]
    more = f" and {short.height - 6} more" if short.height > 6 else ""
    return [f"Readings that are missing or too many: {'; '.join(named)}{more}."] if named else []


def cautions_of(
    row: dict[str, Any], common: dict[str, Any], readings: pl.DataFrame, assessment: Assessment
) -> tuple[str, ...]:
    """Return the cautions of a study.

    Parameters
    ----------
    row
        Its line in the register.
    common
        What is known before it is evaluated: groups, parts, meters, times.
    readings
        Its readings with their notes.
    assessment
        For the checks around it.
    """
    found = []
    words = _SPREAD_WORDS[common["compares"]]
    count = len(common["groups"])
    if 0 < count < FEW_GROUPS:
        found.append(
            f"{count} {words} give {max(count - 1, 0)} degrees of freedom between {words}: the interval of reproducibility is wide, and its "
            "estimate rests on these people or devices alone."
        )
    if 0 < common["parts"] < 10:
        found.append(f"{common['parts']} parts are few: the share of study variation depends on how they were chosen.")
    if common["left_out"]:
        notes = readings["note"].drop_nulls().value_counts(sort=True, name="n")
        first = notes.sort("n", "note", descending=[True, False]).row(0, named=True)
        found.append(f"{common['left_out']} readings are left out, most of them because: {first['note']}.")
    allowed = (row["meters"] or "").split()
    others = sorted(set(common["meters"]) - set(allowed)) if allowed else []
    if others:
        found.append(f"Meters that the register does not name took part: {', '.join(others)}.")
    found += _checks_around(common, assessment)
    return tuple(found)


def _checks_around(common: dict[str, Any], assessment: Assessment) -> list[str]:
    """Say where a meter had no passing run of checks before and after its readings of the study."""
    if common["first_at"] is None:
        return []
    found = []
    for meter in common["meters"]:
        runs = assessment.runs.filter(pl.col("meter") == meter)
        before = runs.filter(pl.col("last_at") <= common["first_at"]).sort("last_at").tail(1)
        after = runs.filter(pl.col("first_at") >= common["last_at"]).sort("first_at").head(1)
        for run, where in ((before, "before"), (after, "after")):
            if not run.height:
                found.append(f"No run of checks of {meter} stands {where} the study.")
            elif not run["passed"][0]:
                found.append(f"The run of checks of {meter} {where} the study failed; do not rely on the study.")
    return found
