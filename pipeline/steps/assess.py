"""From stored readings to what can be said of every lot and meter, in one pass over frames."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline import rules
from pipeline.metrology import block_checks, control_limits
from pipeline.metrology.precision import add_precision
from pipeline.metrology.support import brackets_of
from pipeline.steps.drift import add_drift_charts
from pipeline.steps.event_lots import with_events
from pipeline.steps.findings import findings_state, withhold
from pipeline.steps.left_out import left_out
from pipeline.steps.lots import lot_results
from pipeline.steps.meters import decisions_on_signals, meter_result
from pipeline.steps.prepare import actions_of, adjustments_of, exclusions_of, prepare, taken_for_studies
from pipeline.steps.recorded import recorded_settings, recorded_tables
from pipeline.steps.study_runs import split_studies
from pipeline.steps.temperature_flags import meter_sensor_flags
from schemas.tables import BASELINE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.settings import Settings
    from pipeline.steps.events import Found
    from pipeline.steps.meters import SignalDecision
    from schemas.look_back import CameToLight, EventResult
    from schemas.results import LotResult, MeterResult, PageLink

__all__ = ["Assessment", "assess", "assess_frames", "compute_checks", "state_of", "taken_by_hand"]


@dataclass(frozen=True)
class Assessment:
    """Everything computed from the history at one moment. Frames are sorted by key and time."""

    settings: Settings
    as_of: datetime
    tables: Mapping[str, pl.DataFrame]
    readings: pl.DataFrame
    checks: pl.DataFrame
    runs: pl.DataFrame
    meter_settings: pl.DataFrame
    brackets: pl.DataFrame
    new_baselines: pl.DataFrame
    late_baselines: pl.DataFrame
    part_stream: pl.DataFrame
    signal_decisions: list[SignalDecision]
    by_hand: frozenset[int] = frozenset()
    lots: dict[str, LotResult] = field(default_factory=dict)
    meters: dict[str, MeterResult] = field(default_factory=dict)
    spot_values: pl.DataFrame = field(default_factory=pl.DataFrame)
    part_values: pl.DataFrame = field(default_factory=pl.DataFrame)
    budget_inputs: pl.DataFrame = field(default_factory=pl.DataFrame)
    bias_at_level: pl.DataFrame = field(default_factory=pl.DataFrame)
    exclusions: pl.DataFrame = field(default_factory=pl.DataFrame)
    study_readings: pl.DataFrame = field(default_factory=pl.DataFrame)  # as stored; they count nowhere else
    actions: pl.DataFrame = field(default_factory=pl.DataFrame)  # recorded; each ends a run and keeps the baseline
    history_state: str | None = None  # of the history that it follows from, as :func:`state_of` says it
    all_lots: pl.DataFrame | None = None  # of a part of an assessment: what `lots_at_a_glance` says of the whole
    found_events: tuple[Found, ...] = ()  # of the look-back, in order of time; these four where every lot was asked for
    events: Mapping[str, EventResult] = field(default_factory=dict)  # by the names of their pages
    events_on_lots: Mapping[str, tuple[PageLink, ...]] = field(default_factory=dict)  # that touched a lot
    came_to_light: Mapping[str, tuple[CameToLight, ...]] = field(default_factory=dict)  # since a lot was read

    def lots_at_a_glance(self) -> pl.DataFrame:
        """Return what other lots ask of a lot: lot, verdict, product, supplier, specification, first_at; by lot."""
        if self.all_lots is not None:
            return self.all_lots
        rows = [[getattr(self.lots[lot], name) for name in _AT_A_GLANCE] for lot in sorted(self.lots)]
        return pl.DataFrame(rows, schema=_AT_A_GLANCE, orient="row")


_AT_A_GLANCE: dict[str, Any] = {
    "lot": pl.String,
    "verdict": pl.String,
    "product": pl.String,
    "supplier": pl.String,
    "specification": pl.String,
    "first_at": pl.Datetime("us", "UTC"),
}


@dataclass(frozen=True, slots=True)
class Checks:
    """What block readings say: `checks` with limits, z, warning and rejects; `part_stream` the place of part readings."""

    checks: pl.DataFrame
    runs: pl.DataFrame
    meter_settings: pl.DataFrame
    new_baselines: pl.DataFrame
    late_baselines: pl.DataFrame
    part_stream: pl.DataFrame


def compute_checks(
    prepared: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
    *,
    adjustments: pl.DataFrame,
    baselines: pl.DataFrame,
    of_studies: pl.DataFrame | None = None,
    actions: pl.DataFrame | None = None,
) -> Checks:
    """Compute checks, runs, settings, new baselines and baselines that late data would change.

    Parameters
    ----------
    prepared
        From `prepare`.
    tables
        Reference tables.
    settings
        Settings of the workspace.
    adjustments
        Recorded settings of meters.
    baselines
        Frozen limits as stored.
    of_studies
        From `taken_for_studies`: readings that part checks and count nowhere.
    actions
        Recorded actions on meters.

    Returns
    -------
    Checks
    """
    counts = (~pl.col("excluded") & pl.col("value").is_not_null()).alias("counts")
    # all readings are put in order, but only the few on blocks are looked at with all they carry
    known = (
        prepared.select(*_ORDER_COLUMNS, "lot", "count", "clock", counts)
        .with_row_index("_row")
        .filter(pl.col("clock") == "known")
        .drop("clock")
    )
    if of_studies is not None and of_studies.height:
        beside = of_studies.with_columns(pl.lit(False).alias("counts"))
        known = pl.concat([known, beside.cast({n: known.schema[n] for n in beside.columns})], how="diagonal")
    stream = block_checks.ordered_stream(known, adjustments)
    on_blocks = stream.filter(pl.col("role") != "part")
    on_blocks = on_blocks.with_columns(prepared.select(_BLOCK_COLUMNS)[on_blocks["_row"]].get_columns())
    checks = block_checks.group_checks(
        on_blocks,
        gap=timedelta(minutes=settings.check_gap_minutes),
        run_gap=timedelta(minutes=settings.run_gap_minutes),
        actions=actions,
    )
    checks = block_checks.judge_tolerance(
        checks,
        tables["blocks"],
        unit=settings.unit,
        tolerance=settings.tolerance,
        tolerance_unit=settings.tolerance_unit,
        block_tolerance=settings.block_tolerance,
    )
    series = block_checks.SERIES
    scale = [
        pl.lit(settings.unit).alias("unit"),
        pl.lit(settings.reference_temperature_c).alias("reference_temperature_c"),
    ]
    computed = control_limits.freeze(checks, baseline_checks=settings.baseline_checks).with_columns(scale)
    stored = baselines.unique(subset=series, keep="last", maintain_order=True)
    new = computed.join(stored, on=series, how="anti", nulls_equal=True, maintain_order="left")
    again = stored.join(
        control_limits.recompute(checks, stored, baseline_checks=settings.baseline_checks),
        on=series,
        how="left",
        nulls_equal=True,
        maintain_order="left",
    )
    same_scale = (pl.col("unit") == settings.unit) & (
        pl.col("reference_temperature_c") == settings.reference_temperature_c
    )
    changed = (pl.col("centre") - pl.col("centre_again")).abs() > 1e-9 * pl.col("centre").abs()
    late = again.filter(same_scale & (changed | (pl.col("checks") != pl.col("checks_again")))).select(
        "meter", "block", pl.col("centre").alias("frozen"), pl.col("centre_again").alias("recomputed")
    )
    # limits frozen in another unit, or at another reference temperature, are the same checks computed again
    in_force = again.with_columns(
        pl.when(same_scale).then("centre").otherwise("centre_again").alias("centre"),
        pl.when(same_scale)
        .then("standard_deviation")
        .otherwise("standard_deviation_again")
        .alias("standard_deviation"),
    ).select(new.columns)
    rejecting, few = settings.reject_rules.split(), control_limits.FEWEST_BEHIND_LIMITS
    checks = control_limits.add_limits(
        checks,
        pl.concat([new, in_force]),
        tables["meters"],
        widening=lambda behind: rules.widening(rejecting, settings.reject_run_length, max(behind, few)),
    )
    # a pattern is of one kind of limits: what lay beside the certificate says nothing of the meter's own centre
    checks = rules.apply(
        checks.sort("meter", "at", "check"),
        series=[*series, "limits_kind"],
        run=["meter", "run", "limits_kind"],
        rejecting=rejecting,
        where=(pl.col("limits_kind") == "frozen") & (pl.col("baseline_checks") >= few).fill_null(False),
    )
    checks = add_drift_charts(checks.sort("meter", "at", "check"), settings)
    checks = add_precision(checks, tables["meters"], unit=settings.unit, level=settings.precision_level)
    runs = block_checks.runs_of_checks(checks, signals_make_suspect=settings.signals_make_suspect)
    found = block_checks.settings_of(on_blocks).with_columns(
        pl.lit("export").alias("kind"), pl.lit(None, pl.String).alias("by")
    )
    recorded = adjustments.select(
        "meter", pl.col("measured_at").alias("at"), pl.lit("recorded").alias("kind"), "by", pl.col("why")
    )
    meter_settings = pl.concat([found, recorded], how="diagonal").sort("meter", "at")
    part_stream = stream.filter((pl.col("role") == "part") & pl.col("counts") & pl.col("lot").is_not_null()).select(
        "lot",
        "meter",
        "measured_at",
        "count",
        "parts_before",
        pl.lit("known").cast(prepared.schema["clock"]).alias("clock"),
    )
    return Checks(checks, runs, meter_settings, new, late, part_stream)


_ORDER_COLUMNS = ["meter", "measured_at", "sequence", "file_rank", "line", "replicate", "role"]
_BLOCK_COLUMNS: list[Any] = [
    pl.col("conflict_open").alias("conflict"), "probe", "frequency_khz", "block", "value_at_reference",
    "standard_deviation_at_reference", "temperature_c",
]  # fmt: skip


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
) -> Assessment:
    """Assess lots and meters from frames.

    Parameters
    ----------
    readings
        Columns of the history's readings; every reading of the meters concerned.
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

    Returns
    -------
    Assessment
    """
    events = list(events)
    exclusions = exclusions_of(events, sources if sources is not None else _NO_SOURCES)
    adjustments = adjustments_of(events).filter(pl.col("measured_at") <= as_of)
    readings, of_studies = split_studies(readings, tables)
    stored = (baselines if baselines is not None else BASELINE.empty()).filter(pl.col("last_at") <= as_of)
    prepared = prepare(
        readings, tables, settings, exclusions=exclusions, as_of=as_of, sources=sources, adjustments=adjustments
    )
    actions = actions_of(events).filter(pl.col("measured_at") <= as_of)
    found = compute_checks(
        prepared,
        tables,
        settings,
        adjustments=adjustments,
        baselines=stored,
        of_studies=taken_for_studies(of_studies, sources, as_of=as_of),
        actions=actions,
    )
    unknown = prepared.filter(
        (pl.col("role") == "part")
        & (pl.col("clock") != "known")
        & ~pl.col("excluded")
        & pl.col("value").is_not_null()
        & pl.col("lot").is_not_null()
    ).select("lot", "meter", "measured_at", "count", pl.lit(None, pl.Int64).alias("parts_before"), "clock")
    part_stream = pl.concat([found.part_stream, unknown])
    brackets = brackets_of(
        part_stream, found.runs, interval=timedelta(hours=settings.check_interval_hours), as_of=as_of
    )
    base = Assessment(
        settings,
        as_of,
        tables,
        prepared,
        found.checks,
        found.runs,
        found.meter_settings,
        brackets,
        found.new_baselines,
        found.late_baselines,
        part_stream,
        decisions_on_signals(events),
        taken_by_hand(sources),
    )
    found_lots = lot_results(base, events, lots)
    seen = prepared["meter"].unique().sort().to_list()
    wanted = seen if meters is None else [meter for meter in seen if meter in set(meters)]
    of_sensors = meter_sensor_flags(base)
    missing = left_out(prepared.filter(pl.col("role") != "part"), "meter")
    fields: dict[str, Any] = {
        **base.__dict__,
        "lots": found_lots.results,
        "meters": {
            meter: _with_flags(meter_result(meter, base, missing.get(meter, {})), of_sensors) for meter in wanted
        },
        "spot_values": found_lots.spot_values,
        "part_values": found_lots.part_values,
        "budget_inputs": found_lots.budget_inputs,
        "bias_at_level": found_lots.bias_at_level,
        "exclusions": exclusions,
        "study_readings": of_studies,
        "actions": actions,
    }
    found_all = Assessment(**fields)
    return with_events(found_all, events) if lots is None and meters is None else found_all


def taken_by_hand(sources: pl.DataFrame | None) -> frozenset[int]:
    """Return the numbers of the files whose readings a person wrote down."""
    if sources is None or "taken_by_hand" not in sources.columns:
        return frozenset()
    return frozenset(sources.filter("taken_by_hand")["source_id"].to_list())


def _with_flags(result: MeterResult, flags: Mapping[str, list[str]]) -> MeterResult:
    added = flags.get(result.meter, [])
    return replace(result, flags=(*result.flags, *added)) if added else result


_NO_SOURCES = pl.DataFrame(schema={"sha256": pl.String, "source_id": pl.Int32})


def state_of(history: History) -> str:
    """Return a text that differs whenever the history or what `verify` found of it differs."""
    return f"{history.state()} {findings_state(history.path)}"


def assess(
    history: History,
    settings: Settings,
    *,
    as_of: datetime | None,
    lots: Iterable[str] | None = None,
    meters: Iterable[str] | None = None,
    tables: Mapping[str, pl.DataFrame] | None = None,
) -> Assessment:
    """Assess from the history.

    Parameters
    ----------
    history
        Open history.
    settings
        Settings to use with `tables`; without those, the settings that were taken over are used.
    as_of
        None means the last reading (or now, where there is none).
    lots, meters
        Which to report; None means all.
    tables
        Reference tables to use instead of those taken over, to see what a change would do.

    Returns
    -------
    Assessment
    """
    moment = as_of or history.last_measured_at() or datetime.now(UTC)
    known = tables
    if known is None:
        texts = history.reference_texts()
        settings = recorded_settings(texts, settings)
        known = recorded_tables(texts, settings)
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
        meters=meters,
    )
    lots_said, meters_said = withhold(history.path, sources, found.readings, found.lots, found.meters)
    if lots_said is not found.lots or meters_said is not found.meters:
        found = replace(found, lots=lots_said, meters=meters_said)
        found = with_events(found, events) if lots is None and meters is None else found
    return replace(found, history_state=state_of(history))
