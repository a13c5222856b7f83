"""Processes over time: the streams of a product or of a line, charted, and their pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.near import nearest
from pipeline.questions.over_time.lot_series import STREAM_COLUMNS, lots_frame, subgroups_of
from pipeline.questions.over_time.streams import analyse_stream, chart_rules, named_baselines
from pipeline.questions.provenance import PageContext
from schemas.processes import ProcessPage, ProcessResult

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Settings, Workspace
    from schemas.processes import StreamResult

__all__ = ["POINTS", "STATES", "judged_in_words", "process_names", "process_pages", "processes", "stream_columns"]

STATES = ("out_of_control", "watch", "in_control", "not_assessed")
"""From the worst on."""


def stream_columns(settings: Settings) -> list[str]:
    """Return the columns that tell streams apart, in a fixed order."""
    wanted = settings.process_streams.split()
    return [name for name in STREAM_COLUMNS if name in wanted]


def process_names(lots: pl.DataFrame) -> dict[str, tuple[str, str]]:
    """Return the processes of some lots: name -> (column, value). A line whose name a product has is told from it.

    Parameters
    ----------
    lots
        From `lots_frame`.
    """
    products = lots["product"].drop_nulls().unique().sort().to_list()
    lines = lots["line"].drop_nulls().unique().sort().to_list()
    found = {product: ("product", product) for product in products}
    for line in lines:
        name = f"line {line}"
        found[name if name not in found else f"{name} (line)"] = ("line", line)
    return found


def processes(
    assessment: Assessment, events: Sequence[Event], names: Iterable[str] | None = None
) -> dict[str, tuple[ProcessResult, pl.DataFrame]]:
    """Chart processes.

    Parameters
    ----------
    assessment
        With all lots.
    events
        For named baselines.
    names
        Products, or lines as `process_names` calls them; a line's own name will do. None means all.

    Returns
    -------
    dict
        Name -> result and points, sorted by name.

    Raises
    ------
    UsageError
        If no lot is of that process.
    """
    settings = assessment.settings
    lots = lots_frame(assessment)
    known = process_names(lots)
    wanted = list(known) if names is None else [_called(name, known) for name in names]
    columns = stream_columns(settings)
    subgroups = subgroups_of(
        assessment, lots, streams=columns, by=settings.process_subgroups, hours=settings.process_subgroup_hours
    )
    named = named_baselines(events, assessment.as_of)
    found: dict[str, tuple[ProcessResult, pl.DataFrame]] = {}
    by_lot = lots.filter(pl.col("mean").is_not_null() & pl.col("first_at").is_not_null())
    own_columns = columns or ["_all"]
    if not columns:
        subgroups, by_lot = (frame.with_columns(pl.lit("all lots").alias("_all")) for frame in (subgroups, by_lot))
    of_stream = subgroups.partition_by(own_columns, as_dict=True, maintain_order=True)
    lots_of_stream = by_lot.partition_by(own_columns, as_dict=True, maintain_order=True)
    analysed: dict[tuple[object, ...], tuple[StreamResult, pl.DataFrame]] = {}
    for name in sorted(wanted):
        column, value = known[name]
        members = [key for key in of_stream if column not in columns or key[columns.index(column)] == value]
        streams: list[StreamResult] = []
        points: list[pl.DataFrame] = []
        for key in sorted(members, key=str):
            if key not in analysed:
                stream = dict(zip(columns, (None if part is None else str(part) for part in key), strict=False))
                analysed[key] = analyse_stream(
                    stream, of_stream[key].drop(own_columns), lots_of_stream[key], named, settings,
                    first=settings.process_baseline_subgroups, by=settings.process_subgroups,
                )  # fmt: skip
            result, charted = analysed[key]
            points.append(charted.with_columns(pl.lit(len(streams), pl.Int64).alias("stream")))
            streams.append(result)
        whole = pl.concat(points) if points else pl.DataFrame()
        at = whole["at"].max() if points else assessment.as_of
        found[name] = (_result(name, column, streams, assessment, at), whole)
    return found


def judged_in_words(states: Sequence[str], noun: str) -> str | None:
    """Say how many can be judged, where it is some of several and not all."""
    known = sum(state != "not_assessed" for state in states)
    if known in (0, len(states)):
        return None
    return f"{known} of {len(states)} {noun}s can be judged; the others have too few subgroups for limits."


def _called(name: str, known: dict[str, tuple[str, str]]) -> str:
    if name in known:
        return name
    lines = [called for called, (column, value) in known.items() if column == "line" and value == name]
    if lines:
        return lines[0]
    raise UsageError(
        f"No lot of product or line {name!r} was read. Known: {', '.join(known) or 'none'} (columns product and line of "
        f"reference/lots.csv){nearest(name, known)}"
    )


def _result(name: str, kind: str, streams: list[StreamResult], assessment: Assessment, at: Any) -> ProcessResult:
    settings = assessment.settings
    state = next((s for s in STATES if any(stream.state == s for stream in streams)), "not_assessed")
    worst = [stream for stream in streams if stream.state == state]
    reasons = [f"{stream.name}: {stream.reasons[0]}" for stream in worst]
    others = len(streams) - len(worst)
    if others and state in ("out_of_control", "watch"):
        calm = sum(stream.state == "in_control" for stream in streams)
        if calm:
            reasons.append(f"{calm} of {len(streams)} streams {'is' if calm == 1 else 'are'} in control.")
    if told := judged_in_words([stream.state for stream in streams], "stream"):
        reasons.insert(0 if state == "in_control" else len(reasons), told)
    rules = chart_rules(settings)
    return ProcessResult(
        process=name,
        kind=kind,
        state=state,
        reasons=tuple(reasons or ["No lot of this process has a mean at the reference temperature."]),
        subgroups_by=settings.process_subgroups,
        limits_from=settings.process_limits,
        spread=settings.process_spread,
        patterns=tuple((rule.id, rule.title.format(n=points), rule.source) for rule, points in rules.patterns),
        streams=tuple(streams),
        unit=settings.unit,
        reference_temperature_c=settings.reference_temperature_c,
        as_of=at,
    )


POINTS = [
    "stream", "place", "subgroup", "at", "parts", "mean", "spread", "judged", "phase", "centre", "lower", "upper",
    "within_lower", "within_upper", "z", "spread_centre", "spread_lower", "spread_upper", "ewma", "ewma_lower", "ewma_upper",
    "rules", "ewma_beyond", "lots", "suspended",
]  # fmt: skip


def process_pages(
    workspace: Workspace,
    assessment: Assessment,
    history: History,
    sources: pl.DataFrame,
    names: Iterable[str] | None = None,
) -> Iterable[ProcessPage]:
    """Return the pages of processes, by name; the time on a page is that of its last reading."""
    context = PageContext(workspace, assessment, sources)
    parts = assessment.files_of_lots()
    pages = []
    for result, points in processes(assessment, history.decisions(), names).values():
        shown = points.select(POINTS) if points.width else points
        lots = shown["lots"].str.split(", ").explode().unique().to_list() if shown.width else []
        used = parts.filter(pl.col("lot").is_in(lots))
        pages.append(ProcessPage(result, shown, context.provenance(used, result.as_of, result, shown)))
    return pages
