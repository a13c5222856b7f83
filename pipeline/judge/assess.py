"""From stored readings to what can be said of every lot and meter, in one pass over frames."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.assessment import Assessment, Basis, decisions_on_signals
from pipeline.judge.checks import compute_checks
from pipeline.judge.findings import state_of, withhold
from pipeline.judge.left_out import left_out, unused_on_blocks
from pipeline.judge.look_back.event_lots import with_events
from pipeline.judge.lots.lots import lot_results
from pipeline.judge.lots.temperature_flags import meter_sensor_flags
from pipeline.judge.marks import NO_MARKS
from pipeline.judge.meters.meters import meter_result
from pipeline.judge.values.prepare import (
    actions_of,
    adjustments_of,
    exclusions_of,
    prepare,
    taken_by_hand,
    taken_for_studies,
)
from pipeline.judge.values.study_runs import split_studies
from pipeline.metrology.support import brackets_of
from pipeline.workspace.recorded import recorded
from schemas.tables import BASELINE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.judge.cuts import Cuts
    from pipeline.workspace.settings import Settings
    from schemas.results import MeterResult

__all__ = ["assess", "assess_frames", "basis_of", "meter_results"]


def assess_frames(
    readings: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
    *,
    as_of: datetime,
    events: Iterable[Event] = (),
    sources: pl.DataFrame | None = None,
    baselines: pl.DataFrame | None = None,
    lots: Iterable[str] | None = None,
    meters: Iterable[str] | None = None,
    marks: pl.DataFrame | None = None,
    all_lots: pl.DataFrame | None = None,
) -> Assessment:
    """Assess lots and meters from frames.

    Parameters
    ----------
    readings
        Columns of the history's readings; every reading of the meters concerned, but for what `marks` stand for.
    tables
        Reference tables.
    settings
        Settings of the workspace.
    as_of
        Moment of the question; later readings are left out.
    events, sources, baselines
        From the history; none of them is needed.
    lots, meters
        Which to report; None means all that have readings.
    marks
        From :func:`marks_of`: where the other lots' readings stand among those of the meters concerned.
    all_lots
        What `lots_at_a_glance` says of the whole, where only a part is assessed.

    Returns
    -------
    Assessment
    """
    events = list(events)
    basis = basis_of(
        readings,
        tables,
        settings,
        as_of=as_of,
        events=events,
        sources=sources,
        baselines=baselines,
        marks=marks,
        all_lots=all_lots,
    )
    found_lots = lot_results(basis, events, lots)
    seen = basis.readings["meter"].unique().cast(pl.String).sort().to_list()
    wanted = seen if meters is None else [meter for meter in seen if meter in set(meters)]
    found_all = Assessment(
        **basis.__dict__,
        lots=found_lots.results,
        meters=meter_results(basis, wanted),
        spot_values=found_lots.spot_values,
        part_values=found_lots.part_values,
        budget_inputs=found_lots.budget_inputs,
        bias_at_level=found_lots.bias_at_level,
    )
    return with_events(found_all, events) if lots is None and meters is None else found_all


def basis_of(
    readings: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
    *,
    as_of: datetime,
    events: list[Event],
    sources: pl.DataFrame | None = None,
    baselines: pl.DataFrame | None = None,
    marks: pl.DataFrame | None = None,
    all_lots: pl.DataFrame | None = None,
    cuts: Cuts | None = None,
) -> Basis:
    """Return what lots and meters are judged from; parameters as for :func:`assess_frames`, and cuts behind which all readings lie."""
    marks, by_hand = NO_MARKS if marks is None else marks, taken_by_hand(sources)
    exclusions = exclusions_of(events, sources if sources is not None else _NO_SOURCES)
    adjustments = adjustments_of(events).filter(pl.col("measured_at") <= as_of)
    readings, of_studies = split_studies(readings, tables)
    stored = (baselines if baselines is not None else BASELINE.empty()).filter(pl.col("last_at") <= as_of)
    if cuts is not None:
        adjustments, stored = cuts.behind(adjustments, "measured_at"), cuts.behind(stored, "phase")
    prepared = prepare(
        readings,
        tables,
        settings,
        exclusions=exclusions,
        as_of=as_of,
        sources=sources,
        adjustments=adjustments,
        marks=marks,
    )
    actions = actions_of(events).filter(pl.col("measured_at") <= as_of)
    found = compute_checks(
        prepared,
        tables,
        settings,
        adjustments=adjustments,
        baselines=stored,
        beside=pl.concat(
            [
                taken_for_studies(of_studies, sources, as_of=as_of).with_columns(pl.lit(False).alias("counts")),
                marks.filter(pl.col("clock") == "known").drop("clock", "source_id", "study"),
            ],
            how="diagonal_relaxed",
        ),
        actions=actions,
    )
    found = found if cuts is None else cuts.numbered_on(found)
    unknown = prepared.filter(
        (pl.col("role") == "part")
        & (pl.col("clock") != "known")
        & ~pl.col("excluded")
        & pl.col("value").is_not_null()
        & pl.col("lot").is_not_null()
    ).select("lot", "meter", "measured_at", "count", pl.lit(None, pl.Int64).alias("parts_before"), "clock")
    elsewhere = marks.filter(pl.col("clock") != "known").select(
        "lot", "meter", "measured_at", "count", pl.lit(None, pl.Int64).alias("parts_before"), "clock"
    )
    part_stream = pl.concat([found.part_stream, unknown, elsewhere.cast(unknown.schema)])
    parts, runs = part_stream, found.runs
    if cuts is not None and cuts.parts is not None and cuts.runs is not None:
        parts, runs = (
            pl.concat([before.select(after.columns).cast(after.schema), after])
            for before, after in ((cuts.parts, parts), (cuts.runs, runs))
        )
    brackets = brackets_of(parts, runs, interval=timedelta(hours=settings.check_interval_hours), as_of=as_of)
    return Basis(
        settings=settings,
        as_of=as_of,
        tables=tables,
        readings=prepared,
        unused=unused_on_blocks(prepared, by_hand),
        checks=found.checks,
        runs=found.runs,
        meter_settings=found.meter_settings,
        brackets=brackets,
        new_baselines=found.new_baselines,
        late_baselines=found.late_baselines,
        part_stream=part_stream,
        signal_decisions=decisions_on_signals(events),
        by_hand=by_hand,
        exclusions=exclusions,
        study_readings=of_studies,
        actions=actions,
        all_lots=all_lots,
    )


def meter_results(basis: Basis, wanted: Iterable[str]) -> dict[str, MeterResult]:
    """Judge meters, of which all readings on blocks are at hand."""
    of_sensors = meter_sensor_flags(basis)
    missing = left_out(basis.unused, "meter")
    return {meter: _with_flags(meter_result(meter, basis, missing.get(meter, {})), of_sensors) for meter in wanted}


def _with_flags(result: MeterResult, flags: Mapping[str, list[str]]) -> MeterResult:
    added = flags.get(result.meter, [])
    return replace(result, flags=(*result.flags, *added)) if added else result


_NO_SOURCES = pl.DataFrame(schema={"sha256": pl.String, "source_id": pl.Int32})


def assess(
    history: History,
    settings: Settings,
    *,
    as_of: datetime | None,
    lots: Iterable[str] | None = None,
    tables: Mapping[str, pl.DataFrame] | None = None,
    withheld: bool = True,
) -> Assessment:
    """Assess from the history, from nothing.

    Parameters
    ----------
    history
        Open history.
    settings
        Settings to use with `tables`; without those, the settings that were taken over are used.
    as_of
        None means the last reading (or now, where there is none).
    lots
        Which to report; None means all.
    tables
        Reference tables to use instead of those taken over, to see what a change would do.
    withheld
        Give no verdict on what `verify` found not to agree; a history that `verify` makes itself has no such findings.

    Returns
    -------
    Assessment
    """
    moment = as_of or history.last_measured_at() or datetime.now(UTC)
    known = tables
    if known is None:
        settings, known = recorded(history.reference_texts(), settings)
    sources = history.sources()
    events = history.decisions()
    found = assess_frames(
        history.readings(categorical=True),
        known,
        settings,
        as_of=moment,
        events=events,
        sources=sources,
        baselines=history.baselines(),
        lots=lots,
    )
    if not withheld:
        return found
    lots_said, meters_said = withhold(history.path, sources, found.readings, found.lots, found.meters)
    if lots_said is not found.lots or meters_said is not found.meters:
        found = replace(found, lots=lots_said, meters=meters_said)
        found = with_events(found, events) if lots is None else found
    return replace(found, history_state=state_of(history))
