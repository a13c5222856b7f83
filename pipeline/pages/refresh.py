"""Writing again only the pages that new data touched: what the assessment before said is compared with what this one says."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.kept.answers import settled_state
from pipeline.pages.render import render
from pipeline.questions.lot_detail.detail import later_lots

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.judge.assessment import Assessment
    from pipeline.pages.page import PageReport
    from pipeline.workspace.settings import Workspace

__all__ = ["compared", "refresh", "touched"]


def compared(assessment: Assessment) -> Assessment:
    """Return what :func:`refresh` compares of an assessment: all but the readings, which take most of its memory."""
    return replace(
        assessment,
        readings=assessment.readings.clear(),
        part_stream=assessment.part_stream.clear(),
        part_values=assessment.part_values.clear(),
        study_readings=assessment.study_readings.clear(),
    )


def touched(before: Assessment, after: Assessment, lots: set[str]) -> set[str]:
    """Return the lots whose pages may differ.

    Parameters
    ----------
    before, after
        Two assessments of one workspace.
    lots
        Named in new files.

    Returns
    -------
    set of str
        Those named, those of which something else is said or came to light, those whose events, brackets, spots, budget or bias changed, and the later
        lots that are compared with any of these; those whose bracketing checks changed; those with an open bracket, whose
        pages state the moment of the assessment; those with readings left out, where other ones are now.
    """
    changed = {name for name, result in after.lots.items() if not _same(before.lots.get(name), result)}
    changed |= lots | (set(before.lots) - set(after.lots))
    for name in ("events_on_lots", "came_to_light"):
        told = (getattr(before, name), getattr(after, name))
        changed |= {lot for lot in told[0].keys() | told[1].keys() if told[0].get(lot) != told[1].get(lot)}
    for name in ("brackets", "budget_inputs", "bias_at_level", "spot_values"):
        rows = _differing(getattr(before, name), getattr(after, name))
        changed |= {lot for frame in rows if "lot" in frame.columns for lot in frame["lot"].to_list()}
    runs = pl.concat([frame.select("meter", "run") for frame in _differing(before.checks, after.checks)]).unique()
    concerned = [
        after.brackets.filter(pl.col("after_at").is_null()),
        *(
            after.brackets.join(runs, left_on=["meter", side], right_on=["meter", "run"], how="semi")
            for side in ("before_run", "after_run")
        ),
    ]
    without = set(after.lots) - set(after.brackets["lot"].to_list())
    found = changed | without | {lot for frame in concerned for lot in frame["lot"].to_list()}
    if not after.exclusions.equals(before.exclusions):
        left_out = after.readings.filter(pl.col("excluded") & pl.col("lot").is_not_null())
        found |= set(left_out["lot"].unique().cast(pl.String).to_list())
    for one in (before, after):
        found |= later_lots(one.lots_at_a_glance(), changed)
    return found & set(after.lots)


def _same(one: object, other: object) -> bool:
    """Whether two results say the same; the moment at which they were asked for is left out."""
    return one is not None and replace(one, as_of=other.as_of) == other  # type: ignore[type-var, attr-defined]


def _differing(before: pl.DataFrame, after: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows that came, and those that went."""
    return _other_rows(before, after), _other_rows(after, before)


def _other_rows(before: pl.DataFrame, after: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of the second frame that do not stand in the first."""
    if not after.height:
        return after
    if not before.height or before.schema != after.schema:
        return after
    plain = [name for name, dtype in after.schema.items() if not dtype.is_nested()]
    return after.join(before.select(plain).unique(), on=plain, how="anti", nulls_equal=True)


def refresh(
    workspace: Workspace,
    before: Assessment | None,
    *,
    lots: set[str],
    processes: int = 1,
    assessed: Callable[[Assessment], None] | None = None,
    found: Assessment | None = None,
) -> tuple[list[PageReport], Assessment]:
    """Write the pages of what was touched; all of them where there is nothing to compare with.

    Parameters
    ----------
    workspace
        A workspace with a history.
    before
        From the last refresh; None writes every page whose data changed.
    lots
        Named in the files loaded since.
    processes
        How many write pages.
    assessed
        Told the assessment before the first page is written.
    found
        What was just computed, as for :func:`pipeline.pages.render.render`.
    """
    if before is None:
        return render(workspace, processes=processes, assessed=assessed, found=found)

    def due(after: Assessment, others: list[str]) -> set[str] | None:
        # what was written last must be what is compared with: else another rendering came between, or did not end
        if before.history_state is None or settled_state(workspace) != before.history_state:
            return None
        same_rules = after.settings == before.settings and all(
            name in before.tables and table.equals(before.tables[name]) for name, table in after.tables.items()
        )
        # a version of a row that began to hold meanwhile may be looked up by any page
        begun = any(
            table["valid_from"].is_between(before.as_of, after.as_of, closed="right").any()
            for table in after.tables.values()
            if "valid_from" in table.columns
        )
        # a page that is new may be linked from any page
        if same_rules and not begun and all((workspace.pages / place).is_file() for place in others):
            return touched(before, after, lots)
        return None

    return render(workspace, processes=processes, only=due, assessed=assessed, found=found)
