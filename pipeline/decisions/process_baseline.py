"""A person names the baseline of a process: its limits are computed once, written into the event, and stay."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.decisions.record import deciding
from pipeline.errors import UsageError
from pipeline.judge.carry_on import everything
from pipeline.questions.over_time.lot_series import lots_frame, subgroups_of
from pipeline.questions.over_time.processes import stream_columns
from pipeline.questions.over_time.streams import BASELINE_EVENT, LEAST_SUBGROUPS, stream_name
from pipeline.statistics.process_control import ProcessLimits, process_limits

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["record_process_baseline"]


def record_process_baseline(
    workspace: Workspace,
    *,
    product: str | None = None,
    line: str | None = None,
    supplier: str | None = None,
    material: str | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
    by: str,
    why: str,
    dry_run: bool = False,
) -> tuple[Event | None, str, ProcessLimits]:
    """Name the subgroups whose means and spread are the limits of a process from the first of them on.

    Parameters
    ----------
    product, line, supplier
        Which stream of a process, as far as needed to tell it from others.
    material
        With `supplier`: the chart of a supplier's lots of that material.
    start, end
        First and last moment of the subgroups; None means from the first, to the last one.
    by, why
        Who decides, and why.
    dry_run
        Only say what would be recorded.

    Returns
    -------
    (Event or None, str, ProcessLimits)
        The event, the stream in words, its limits.

    Raises
    ------
    UsageError
        If no or more than one stream fits, or fewer than three subgroups lie in the window.
    """
    with deciding(workspace, by=by, why=why, dry_run=dry_run) as history:
        found = everything(history, workspace.settings, as_of=None)
        given = {"product": product, "line": line, "supplier": supplier}
        stream, limits, subject = _found(found, given, material, start, end)
        event = None
        if not dry_run:
            event = history.append_event(BASELINE_EVENT, subject, by=by, why=why)
    return event, stream_name(stream), limits


def _found(
    found: Assessment,
    given: dict[str, str | None],
    material: str | None,
    start: datetime | None,
    end: datetime | None,
) -> tuple[dict[str, str | None], ProcessLimits, dict[str, Any]]:
    """Return a stream, its limits, and what the event says of them; refuse a window that gives none."""
    settings = found.settings
    if material is not None:
        stream, subgroups = _of_supplier(found, given["supplier"], material, given["product"] or given["line"])
    else:
        stream, subgroups = _of_process(found, {name: value for name, value in given.items() if value is not None})
    inside = subgroups.filter("judged")
    if start is not None:
        inside = inside.filter(pl.col("at") >= start)
    if end is not None:
        inside = inside.filter(pl.col("at") <= end)
    if inside.height < LEAST_SUBGROUPS:
        raise UsageError(
            f"{inside.height} subgroups of {stream_name(stream)} lie in that window and can be judged; a baseline needs at "
            f"least {LEAST_SUBGROUPS}, better 20."
        )
    spread = settings.process_spread
    column = "range" if spread == "range" else "standard_deviation"
    limits = process_limits(inside["mean"], inside["parts"], inside[column].fill_null(0.0), spread=spread)
    if limits.sigma is None and limits.within_sigma is None:
        raise UsageError(f"These subgroups give no limits: {limits.reason}; {limits.within_reason}.")
    first, last = inside["at"][0], inside["at"][-1]
    subject = {
        "stream": {name: value for name, value in stream.items() if value is not None},
        "first_at": first.isoformat(),
        "last_at": last.isoformat(),
        "subgroups": limits.subgroups,
        "subgroups_by": "lot" if material is not None else settings.process_subgroups,
        "centre": limits.centre,
        "standard_deviation": limits.sigma,
        "within_standard_deviation": limits.within_sigma,
        "unit": settings.unit,
        "reference_temperature_c": settings.reference_temperature_c,
    }
    return stream, limits, subject


def _of_supplier(
    found: Assessment, supplier: str | None, material: str, other: str | None
) -> tuple[dict[str, str | None], pl.DataFrame]:
    if supplier is None or other is not None:
        raise UsageError("The chart of a supplier's material takes --supplier and --material, and nothing else.")
    lots = lots_frame(found).filter((pl.col("supplier") == supplier) & (pl.col("material") == material))
    if not lots.height:
        raise UsageError(
            f"No lot of {material!r} from {supplier!r} was read. Check the spelling: annealog supplier NAME"
        )
    return {"supplier": supplier, "material": material}, subgroups_of(found, lots, streams=(), by="lot", hours=24.0)


def _of_process(found: Assessment, given: dict[str, str]) -> tuple[dict[str, str | None], pl.DataFrame]:
    settings = found.settings
    columns = stream_columns(settings)
    for name in given:
        if name not in columns:
            raise UsageError(f"Streams are not told apart by {name} here (settings: process_streams).")
    subgroups = subgroups_of(
        found, lots_frame(found), streams=columns, by=settings.process_subgroups, hours=settings.process_subgroup_hours
    )
    for name, value in given.items():
        subgroups = subgroups.filter(pl.col(name) == value)
    keys = subgroups.select(columns).unique(maintain_order=True) if columns else pl.DataFrame()
    if columns and keys.height != 1:
        names = [stream_name(row) for row in keys.head(8).iter_rows(named=True)]
        raise UsageError(
            f"{keys.height} streams fit; name one by --product, --line and --supplier."
            + (f" They are: {'; '.join(names)}." if names else "")
        )
    stream: dict[str, str | None] = dict(keys.row(0, named=True)) if columns else {}
    return stream, subgroups.drop(columns)
