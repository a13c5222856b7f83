"""Readings + reference tables -> values at the reference temperature in the working unit, one row a reading."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.values.corrections import with_corrections
from pipeline.judge.values.relative import with_setting
from pipeline.metrology.temperature import at_reference
from pipeline.metrology.units import convert_expression, is_resistivity
from pipeline.moves import KINDS_OF_MOVES, Move, taken_back
from schemas.versions import join_version

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Settings

__all__ = [
    "PARTS", "actions_of", "adjustments_of", "exclusions_of", "prepare", "standing", "taken_by_hand", "taken_for_studies", "with_conflicts", "with_excluded",
    "with_file_rank",
]  # fmt: skip


PARTS = {"adjustment": "recorded", "hand_over": "handed over to {to}", "receipt": "received from {from}"}
"""Events that part the checks of a meter before them from those after, and what they are called among its settings."""


def standing(events: Iterable[Event]) -> list[Event]:
    """Return events in the order of the chain, without hand-overs and receipts that were taken back and what took them back."""
    events = sorted(events, key=lambda event: event.sequence)
    moves = (event for event in events if event.kind in KINDS_OF_MOVES)
    gone = taken_back((one.sequence, one.subject["meter"], Move.of(one.kind, one.subject)) for one in moves)
    return [event for event in events if event.sequence not in gone]


def adjustments_of(events: Iterable[Event]) -> pl.DataFrame:
    """Return recorded settings that stand: meter, measured_at, event (its kind), kind (in words), by, why, block and temperature_c."""
    rows = [
        {
            "meter": event.subject["meter"],
            "measured_at": _moment(event.subject["at"]),
            "event": event.kind,
            "kind": PARTS[event.kind].format_map(event.subject),
            "by": event.by,
            "why": event.why,
            "block": event.subject.get("block"),
            "temperature_c": event.subject.get("temperature_c"),
        }
        for event in standing(event for event in events if event.kind in PARTS)
    ]
    schema: dict[str, Any] = {
        "meter": pl.String,
        "measured_at": pl.Datetime("us", "UTC"),
        "event": pl.String,
        "kind": pl.String,
        "by": pl.String,
        "why": pl.String,
        "block": pl.String,
        "temperature_c": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema).sort("meter", "measured_at", maintain_order=True)


def actions_of(events: Iterable[Event]) -> pl.DataFrame:
    """Return recorded actions, which end a run of checks and keep the baseline: meter, measured_at, kind, by, why."""
    rows = [
        (event.subject["meter"], _moment(event.subject["at"]), event.subject["kind"], event.by, event.why)
        for event in events
        if event.kind == "action"
    ]
    text = pl.String
    schema: dict[str, Any] = {
        "meter": text,
        "measured_at": pl.Datetime("us", "UTC"),
        "kind": text,
        "by": text,
        "why": text,
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort("meter", "measured_at")


def exclusions_of(events: Iterable[Event], sources: pl.DataFrame) -> pl.DataFrame:
    """Return the readings that a person left out: source_id, line, by, why, at (the latest word on a line holds)."""
    by_hash = dict(sources.select("sha256", "source_id").iter_rows())
    state: dict[tuple[int, int], Event] = {}
    for event in events:
        if event.kind in ("exclusion", "inclusion"):
            source = by_hash.get(event.subject["sha256"])
            if source is not None:
                state[source, int(event.subject["line"])] = event
    rows = [
        {"source_id": source, "line": line, "by": event.by, "why": event.why, "at": event.at}
        for (source, line), event in sorted(state.items(), key=lambda item: item[0])
        if event.kind == "exclusion"
    ]
    schema: dict[str, Any] = {
        "source_id": pl.Int32,
        "line": pl.Int64,
        "by": pl.String,
        "why": pl.String,
        "at": pl.Datetime("us", "UTC"),
    }
    return pl.DataFrame(rows, schema=schema)


def _moment(text: str) -> datetime:
    from datetime import datetime

    return datetime.fromisoformat(text)


def prepare(
    readings: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
    *,
    exclusions: pl.DataFrame,
    as_of: datetime,
    sources: pl.DataFrame | None = None,
    adjustments: pl.DataFrame | None = None,
    marks: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Add the value at the reference temperature, in the working unit, to each reading.

    Parameters
    ----------
    readings
        From the history.
    tables
        Reference tables.
    settings
        Working unit, reference temperature, plausible temperatures.
    exclusions
        From :func:`exclusions_of`.
    as_of
        Readings taken later are left out; those whose clock is unknown stay.
    sources
        The ledger, for an order of files that does not depend on the order of loading.
    adjustments
        From :func:`adjustments_of`: on which block and at which temperature a meter was set.
    marks
        Of readings that are not at hand, from `marks_of`: what was read between two readings of settings makes two settings of them.

    Returns
    -------
    polars.DataFrame
        With material, temperature_model, coefficient, coefficient_source, factor, value_at_reference,
        standard_deviation_at_reference (first order where the conversion is curved), no_reference_reason, excluded,
        conflict_open (contradicts another export, and nobody has decided which holds), file_rank; with relative
        readings also :data:`pipeline.judge.values.relative.SETTING_COLUMNS`, with a table of corrections also the columns of
        :func:`pipeline.judge.values.corrections.with_corrections`.
    """
    frame = readings.filter((pl.col("measured_at") <= as_of) | (pl.col("clock") != "known"))
    frame = _with_material(_with_sensor(frame, tables), tables)
    frame = join_version(
        frame,
        tables["materials"],
        key="material",
        at="measured_at",
        columns={
            "temperature_model": "temperature_model",
            "coefficient": "coefficient",
            "source": "coefficient_source",
        },
    )
    frame = with_file_rank(with_excluded(frame, exclusions), sources)
    frame = with_setting(frame, tables, settings, adjustments if adjustments is not None else adjustments_of(()), marks)
    frame = at_reference(
        frame, reference_c=settings.reference_temperature_c, plausible_temperature_c=settings.plausible_temperature_c
    )
    return with_conflicts(with_corrections(_in_working_unit(frame, settings.unit), tables, settings))


def taken_by_hand(sources: pl.DataFrame | None) -> frozenset[int]:
    """Return the numbers of the files whose readings a person wrote down."""
    if sources is None or "taken_by_hand" not in sources.columns:
        return frozenset()
    return frozenset(sources.filter("taken_by_hand")["source_id"].to_list())


def taken_for_studies(readings: pl.DataFrame, sources: pl.DataFrame | None, *, as_of: datetime) -> pl.DataFrame:
    """Return the readings of studies with what their place among the checks of a meter needs.

    Whatever a study reads, parts or blocks, parts the checks before it from those after, as readings of production do.

    Parameters
    ----------
    readings
        Of studies, from the history.
    sources
        The ledger, for the order of files.
    as_of
        Readings taken later are left out, and so are those with an unknown clock.

    Returns
    -------
    polars.DataFrame
        meter, measured_at, sequence, file_rank, line, replicate, role (that of a part).
    """
    taken = readings.filter((pl.col("measured_at") <= as_of) & (pl.col("clock") == "known"))
    return with_file_rank(taken, sources).select(
        "meter", "measured_at", "sequence", "file_rank", "line", "replicate",
        pl.lit("part").cast(readings.schema["role"]).alias("role"),
    )  # fmt: skip


def with_excluded(frame: pl.DataFrame, exclusions: pl.DataFrame) -> pl.DataFrame:
    """Mark the readings that a person left out (:func:`exclusions_of`)."""
    if not exclusions.height:
        return frame.with_columns(pl.lit(False).alias("excluded"))
    return frame.join(
        exclusions.select("source_id", "line", pl.lit(True).alias("excluded")),
        on=["source_id", "line"],
        how="left",
        maintain_order="left",
    ).with_columns(pl.col("excluded").fill_null(False))


def _with_material(frame: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Add the material of the lot (else of its specification) or of the block, as it held when the reading was taken."""
    frame = join_version(
        frame,
        tables["lots"],
        key="lot",
        at="measured_at",
        columns={"material": "_of_lot", "specification": "_specification"},
    )
    frame = join_version(
        frame.rename({"_specification": "specification"}),
        tables["specifications"],
        key="specification",
        at="measured_at",
        columns={"material": "_of_specification"},
    )
    frame = join_version(frame, tables["blocks"], key="block", at="measured_at", columns={"material": "_of_block"})
    return frame.with_columns(pl.coalesce("_of_lot", "_of_specification", "_of_block").alias("material")).drop(
        "_of_lot", "_of_specification", "_of_block", "specification"
    )


def _with_sensor(frame: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Add the sensor's own correction to the temperature it read."""
    if not tables["sensors"].height or frame["sensor"].null_count() == frame.height:
        return frame
    frame = join_version(
        frame, tables["sensors"], key="sensor", at="measured_at", columns={"correction_c": "_correction"}
    )
    return frame.with_columns(
        (pl.col("temperature_c") + pl.col("_correction").fill_null(0.0)).alias("temperature_c")
    ).drop("_correction")


def with_file_rank(frame: pl.DataFrame, sources: pl.DataFrame | None) -> pl.DataFrame:
    """Add the place of the file by name and hash: two files' readings at one time keep one order, however loaded."""
    if sources is None or not sources.height:
        return frame.with_columns(pl.col("source_id").cast(pl.Int64).alias("file_rank"))
    ranks = dict(sources.sort("name", "sha256").select("source_id", pl.int_range(pl.len())).iter_rows())
    if len(ranks) == 1:
        return frame.with_columns(pl.lit(0, pl.Int64).alias("file_rank"))
    return frame.with_columns(
        pl.col("source_id").replace_strict(ranks, default=-1, return_dtype=pl.Int64).alias("file_rank")
    )


_SLOT = ["meter", "measured_at", "sequence", "role", "part", "spot"]


def with_conflicts(frame: pl.DataFrame) -> pl.DataFrame:
    """Mark readings that contradict each other and that nobody has decided on: two live readings of one slot."""
    if not frame["conflict"].any():
        return frame.with_columns(pl.lit(False).alias("conflict_open"))
    live = frame.filter(~pl.col("excluded"))
    concerned = live.filter("conflict").select(_SLOT).unique()
    open_slots = (
        live.join(concerned, on=_SLOT, how="semi", nulls_equal=True)
        .group_by(_SLOT)
        .agg(pl.len().alias("n"))
        .filter(pl.col("n") > 1)
        .select(*_SLOT, pl.lit(True).alias("_open"))
    )
    return (
        frame.join(open_slots, on=_SLOT, how="left", nulls_equal=True, maintain_order="left")
        .with_columns((pl.col("_open").fill_null(False) & ~pl.col("excluded")).alias("conflict_open"))
        .drop("_open")
    )


def _in_working_unit(frame: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Convert each value once, straight from its own unit, and bring it to the reference temperature."""
    given = frame["unit"].unique().sort().to_list()
    value: pl.Expr = pl.lit(None, dtype=pl.Float64)
    scale: pl.Expr = pl.lit(None, dtype=pl.Float64)  # |d(converted)/d(value)|, for standard deviations
    for name in given:
        converted = convert_expression(pl.col("value"), name, unit)
        curved = is_resistivity(name) != is_resistivity(unit)
        slope = (converted / pl.col("value")) if not curved else (converted / pl.col("value")).abs()
        if len(given) == 1:
            value, scale = converted, slope
        else:
            value = pl.when(pl.col("unit") == name).then(converted).otherwise(value)
            scale = pl.when(pl.col("unit") == name).then(slope).otherwise(scale)
    # conductivity is multiplied by the factor, resistivity divided
    corrected = value / pl.col("factor") if is_resistivity(unit) else value * pl.col("factor")
    frame = frame.with_columns(corrected.alias("value_at_reference"))
    if frame["standard_deviation"].null_count() == frame.height:
        return frame.with_columns(pl.lit(None, dtype=pl.Float64).alias("standard_deviation_at_reference"))
    # first order: ρ = ρ(T) − s·(T − T0) has slope 1 in resistivity and factor² in conductivity; the linear model factor
    linear = pl.col("temperature_model") == "linear"
    # a relative reading was carried back to the metal by the setting's factor first, which is no curve
    carried = pl.col("setting_factor").fill_null(1.0) if "setting_factor" in frame.columns else 1.0
    if is_resistivity(unit):
        by_factor = pl.when(linear).then(1.0 / pl.col("factor")).otherwise(1.0 / carried)
    else:
        by_factor = pl.when(linear).then(pl.col("factor")).otherwise(pl.col("factor") ** 2 / carried)
    by_factor = pl.when(pl.col("factor").is_not_null()).then(by_factor)
    return frame.with_columns(
        (pl.col("standard_deviation") * scale.abs() * by_factor).alias("standard_deviation_at_reference")
    )
