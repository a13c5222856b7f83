"""What a reader of a gauge study should know besides its figures: gaps in the design, few people, checks around it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from schemas.digits import counted

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment

__all__ = ["cautions_of", "failed_checks", "holes"]

FEW_GROUPS = 5
"""With fewer operators (or meters) reproducibility has so few degrees of freedom that its interval is wide."""

_THREE = 3
"""Groups of a nested study up to which its intervals were seen to hold less often than they say."""

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
    if count == 1:
        found.append(f"One {common['compares']} shows no reproducibility: the study speaks of repeatability alone.")
    elif 0 < count < FEW_GROUPS:
        found.append(
            f"{count} {words} give {counted(count - 1, 'degree')} of freedom between {words}: the interval of reproducibility is wide, "
            "and its estimate rests on these people or devices alone."
        )
        if row["kind"] == "nested" and count <= _THREE:
            found.append(
                f"With {_THREE} {words} or fewer the 95 % intervals of a nested study are a little short: in simulation those of gauge "
                f"and {words} held in 92.6 to 92.8 % of studies."
            )
    if 0 < common["parts"] < 10:
        said = "One part is" if common["parts"] == 1 else f"{common['parts']} parts are"
        found.append(f"{said} few: the share of study variation depends on how they were chosen.")
    if common["left_out"]:
        notes = readings["note"].drop_nulls().value_counts(sort=True, name="n")
        first = notes.sort("n", "note", descending=[True, False]).row(0, named=True)
        said = "reading is" if common["left_out"] == 1 else "readings are"
        most = "most of them because" if notes.height > 1 else "because"
        found.append(f"{common['left_out']} {said} left out, {most}: {first['note']}.")
    allowed = (row["meters"] or "").split()
    others = sorted(set(common["meters"]) - set(allowed)) if allowed else []
    if others:
        found.append(f"Meters that the register does not name took part: {', '.join(others)}.")
    found += [
        f"No run of checks of {meter} stands {where} the study." for meter, where in _around(common, assessment)[1]
    ]
    return tuple(found)


def failed_checks(common: dict[str, Any], assessment: Assessment) -> list[str]:
    """Say which meter failed its check beside the study or within it: its readings support no verdict."""
    return [
        f"The run of checks of {meter} {where} the study failed, so the study supports no verdict on the gauge."
        for meter, where in _around(common, assessment)[0]
    ]


def _around(common: dict[str, Any], assessment: Assessment) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return where a run of checks of a meter failed, and where there was none, before, in and after its study."""
    failed: list[tuple[str, str]] = []
    missing: list[tuple[str, str]] = []
    if common["first_at"] is None:
        return failed, missing
    for meter in common["meters"]:
        # as around a lot: a run that could not be judged says nothing
        runs = assessment.runs.filter((pl.col("meter") == meter) & pl.col("passed").is_not_null())
        first, last = common["first_at"], common["last_at"]
        before = runs.filter(pl.col("last_at") <= first).sort("last_at").tail(1)
        inside = runs.filter((pl.col("last_at") > first) & (pl.col("first_at") < last))
        after = runs.filter(pl.col("first_at") >= last).sort("first_at").head(1)
        for run, where in ((before, "before"), (inside, "within"), (after, "after")):
            if not run["passed"].all():
                failed.append((meter, where))
            elif not run.height and where != "within":
                missing.append((meter, where))
    return failed, missing
