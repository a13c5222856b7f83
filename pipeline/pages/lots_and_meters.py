"""From an assessment to the values that pages show.

What computes is imported by whoever makes the page: a meter's needs nothing of what a lot's does, and the other way round.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING, Any

import polars as pl

import reports
from pipeline.metrology.block_checks import run_of_meter
from pipeline.pages.laid_aside import in_pieces
from pipeline.questions.provenance import PageContext
from schemas.page import PageLink
from schemas.results import IndexPage, LotPage, MeterPage

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["index_page", "lot_pages", "meter_pages"]

_LOT_COLUMNS = [
    "source", "line", "replicate", "measured_at", "clock", "meter", "probe", "operator", "part", "spot", "value", "unit",
    "count", "standard_deviation", "temperature_c", "temperature_state", "factor", "value_at_reference",
    "no_reference_reason", "excluded", "conflict", "non_reading",
]  # fmt: skip

_CHECK_COLUMNS: list[Any] = [
    "block", "probe", "frequency_khz", "phase", run_of_meter(), "at", "readings", "mean", "within_standard_deviation",
    "precision_limit", "imprecise", "temperature_c", "certified_value", "bias", "tolerance", "passes", "centre", "limit_standard_deviation",
    "limits_kind", "z", "warning", "rejects", "ewma", "ewma_limit", "cusum_high", "cusum_low", "cusum_limit", "drift",
]  # fmt: skip


def lot_pages(
    workspace: Workspace, assessment: Assessment, sources: pl.DataFrame, lots: Iterable[str] | None = None
) -> Iterable[LotPage]:
    """Return the pages of lots, by name; their rows are at hand when this returns.

    The time on a page is that of the last reading or check that its verdict rests on, so that a page does not change
    because some other lot was read; while a bracket is still open it is the moment of the assessment.
    """
    from pipeline.questions.lot_detail.detail import earlier_lots

    wanted = sorted(assessment.lots if lots is None else lots)
    behind = earlier_lots(assessment.lots_at_a_glance(), wanted)
    context = PageContext(workspace, assessment, sources)
    return chain.from_iterable(
        _lot_pages(context, piece, {lot: behind[lot] for lot in lots}, few=len(wanted) <= _TOGETHER)
        for lots, piece in in_pieces(workspace, assessment, behind)
    )


def _lot_pages(
    context: PageContext, assessment: Assessment, behind: dict[str, list[str]], *, few: bool
) -> Iterable[LotPage]:
    from pipeline.judge.lots.budgets import all_with_budgets
    from pipeline.questions.exclusions import with_exclusions
    from pipeline.questions.lot_detail.detail import LotDetails
    from pipeline.questions.meters_that_read_a_lot import differences_on_lot

    wanted = list(behind)
    readings = assessment.readings.filter((pl.col("role") == "part") & pl.col("lot").is_in(wanted)).with_columns(
        pl.col("source_id").replace_strict(context.names, default=None, return_dtype=pl.String).alias("source")
    )
    of_all = [
        frame.filter(pl.col("lot").is_in(wanted)) if frame.height else frame
        for frame in (readings, assessment.spot_values, assessment.part_values, assessment.brackets)
    ]
    details = LotDetails(assessment, behind)
    for start in range(0, len(wanted), _TOGETHER):
        lots = wanted[start : start + _TOGETHER]
        of_lot, spots, parts, brackets = (_Parted(frame, lots) for frame in of_all)
        read, between = of_lot.whole(lots), brackets.whole(lots)
        checks = _checks_around(assessment, between)
        placed = context.placed_around(checks) if few else context.placed
        used = _files_behind(read, checks, placed)
        shown = [
            _Parted(frame, lots)
            for frame in (
                _shown_readings(read), _shown_parts(parts.whole(lots)), _shown_spots(spots.whole(lots)), _shown_brackets(between),
                checks.select("lot", "meter", "block", run_of_meter(), "at", "mean", "bias", "tolerance", "passes"),
            )
        ]  # fmt: skip
        for result in all_with_budgets(assessment, [assessment.lots[lot] for lot in lots]):
            lot, bracket, found = result.lot, brackets.of(result.lot), of_lot.of(result.lot)
            closed = bracket.height > 0 and bracket["after_at"].null_count() == 0
            as_of = max([*bracket["after_at"].to_list(), *bracket["last_at"].to_list()]) if closed else assessment.as_of
            result = replace(with_exclusions(assessment, result, found, context.names), as_of=as_of)
            shown_readings, part_values, spot_values, shown_brackets, shown_checks = (frame.of(lot) for frame in shown)
            detail = details.of(result, part_values, spot_values, shown_readings)
            agreement, touched = differences_on_lot(assessment, found), assessment.events_on_lots.get(lot, ())
            light = assessment.came_to_light.get(lot, ())
            provenance = context.provenance(
                used.get(lot, {}), as_of, result, shown_readings, spot_values, part_values, shown_brackets, shown_checks,
                detail, *agreement, *touched, *light,
            )  # fmt: skip
            yield LotPage(
                result, shown_readings, part_values, spot_values, shown_brackets, shown_checks, provenance, detail, agreement,
                touched, light,
            )  # fmt: skip


_TOGETHER = 200
"""Lots of which what is shown is made at once: a step on a frame costs as much for one lot as for them all."""


class _Parted:
    """The rows of a frame by lot; the order stays."""

    def __init__(self, frame: pl.DataFrame, lots: list[str]) -> None:
        wanted = frame.filter(pl.col("lot").is_in(lots)) if frame.height else frame
        wanted = wanted.with_columns(pl.col(pl.Categorical).cast(pl.String))
        parted = wanted.partition_by("lot", as_dict=True, maintain_order=True) if wanted.height else {}
        self._rows = {str(key[0]): rows for key, rows in parted.items()}
        self._none = wanted.clear()

    def of(self, lot: str) -> pl.DataFrame:
        """Return the rows of a lot."""
        return self._rows.get(lot, self._none)

    def whole(self, lots: Iterable[str]) -> pl.DataFrame:
        """Return the rows of some lots, by lot."""
        return pl.concat([self._none, *(self._rows[lot] for lot in lots if lot in self._rows)])


def _shown_readings(readings: pl.DataFrame) -> pl.DataFrame:
    by = pl.col("corrections").list.join(", ") if "corrections" in readings.columns else pl.lit(None, pl.String)
    order = ["measured_at", "sequence", "source", "line", "replicate"]
    return readings.sort(order, nulls_last=True).select("lot", *_LOT_COLUMNS, by.alias("corrections"))


def _shown_parts(parts: pl.DataFrame) -> pl.DataFrame:
    columns = ["lot", "part", "order", "spots", "readings", "mean", "spot_standard_deviation"]
    return parts.select(columns).sort("order")


def _shown_spots(spots: pl.DataFrame) -> pl.DataFrame:
    columns = [
        "lot",
        "part",
        "part_order",
        "spot",
        "readings",
        "mean",
        "standard_deviation",
        "mean_in_limits_unit",
        "within",
    ]
    return spots.select(columns).sort("part_order", "spot", nulls_last=True)


def _shown_brackets(brackets: pl.DataFrame) -> pl.DataFrame:
    return brackets.select(
        "lot", "meter", "first_at", "last_at", "readings", "unknown_clock", "before_at",
        _state("before_passed", "before_at"), "after_at", _state("after_passed", "after_at"), "support", "reason",
    )  # fmt: skip


def _checks_around(assessment: Assessment, brackets: pl.DataFrame) -> pl.DataFrame:
    """Return the checks of the runs beside each lot, by meter and time, with the lot."""
    runs = pl.concat([brackets.select("lot", run=side) for side in ("before_run", "after_run")]).drop_nulls().unique()
    return runs.join(assessment.checks, on="run", how="inner").sort("lot", "meter", "at", "check")


def _files_behind(readings: pl.DataFrame, checks: pl.DataFrame, placed: pl.DataFrame) -> dict[str, dict[int, int]]:
    """Return of each lot the number of its readings, and of those of the checks beside it, by file."""
    of_checks = checks.select("lot", "check").join(placed, on="check", how="inner")
    rows = pl.concat([readings.select("lot", "source_id"), of_checks.select("lot", "source_id")])
    found: dict[str, dict[int, int]] = {}
    for lot, source, n in rows.group_by("lot", "source_id").len().iter_rows():
        found.setdefault(lot, {})[source] = n
    return found


def _state(passed: str, at: str) -> pl.Expr:
    return (
        pl.when(pl.col(at).is_null())
        .then(pl.lit("none"))
        .when(pl.col(passed))
        .then(pl.lit("passed"))
        .otherwise(pl.lit("failed"))
        .alias(passed.replace("passed", "state"))
    )


def meter_pages(
    workspace: Workspace, assessment: Assessment, sources: pl.DataFrame, meters: Iterable[str] | None = None
) -> Iterable[MeterPage]:
    """Yield the pages of meters, by name."""
    from pipeline.judge.meters.evidence import calibrations_of
    from pipeline.questions.meter_budgets import with_meter_budgets

    context = PageContext(workspace, assessment, sources)
    verdicts = assessment.columns_of_lots(["lot", "verdict"]) if assessment.all_lots is None else assessment.all_lots
    wanted, calibrations = sorted(assessment.meters if meters is None else meters), calibrations_of(assessment)
    on_blocks = assessment.blocks_read(wanted)
    for meter in wanted:
        result = with_meter_budgets(assessment, assessment.meters[meter])
        checks = (
            assessment.checks.filter(pl.col("meter") == meter)
            .select(*_CHECK_COLUMNS, "check")
            .sort("block", "probe", "frequency_khz", "at", "check", nulls_last=False)
            .drop("check")
        )
        actions = assessment.actions.filter(pl.col("meter") == meter)
        settings = pl.concat(
            [
                assessment.meter_settings.filter(pl.col("meter") == meter).select("at", "kind", "by", "why"),
                actions.select(pl.col("measured_at").alias("at"), "kind", "by", "why"),
            ]
        ).sort("at", maintain_order=True)
        lots = (
            assessment.brackets.filter(pl.col("meter") == meter)
            .group_by("lot")
            .agg(
                pl.col("readings").sum(),
                pl.col("first_at").min(),
                pl.col("last_at").max(),
                pl.col("support").sort_by(pl.col("support").replace_strict(_RANK, return_dtype=pl.Int64)).first(),
            )
            .join(verdicts.select("lot", "verdict"), on="lot", how="left")
            .with_columns(pl.col("verdict").fill_null("not_assessed"))
            .sort("first_at", "lot")
        )
        readings = on_blocks.filter(pl.col("meter") == meter)
        shown = calibrations.filter(pl.col("meter") == meter).drop("meter", "level", "change")
        events = tuple(
            PageLink("event", event.name, event.title, event.state, event.sentence, event.fired_at)
            for event in result.events
        )
        provenance = context.provenance(
            readings, assessment.as_of, result, checks, settings, lots, *([shown] if shown.height else []), *events
        )
        yield MeterPage(result, checks, settings, lots, provenance, shown, events)


_RANK = {"suspect": 0, "unsupported": 1, "open": 2, "supported": 3}


def index_page(
    workspace: Workspace,
    assessment: Assessment,
    history: History,
    sources: pl.DataFrame,
    others: Iterable[PageLink] = (),
) -> IndexPage:
    """Return the page that lists everything; `others` are the pages beside those of lots and meters."""
    from pipeline.questions.status import checked_by

    more = tuple(sorted(others, key=lambda link: (link.kind, link.identifier)))
    context = PageContext(workspace, assessment, sources)
    held = tuple(f"{row['name']}: {row['sentence']}" for row in history.held_files().iter_rows(named=True))
    quarantined = history.quarantine(states=["new"]).height
    lots = assessment.lines()
    meters = tuple(assessment.meters[meter] for meter in sorted(assessment.meters))
    check_by = checked_by(assessment)
    sources_of_blocks = assessment.blocks_read().group_by("source_id").agg(pl.len().cast(pl.Int64).alias("n"))
    used = pl.concat([assessment.files_of_lots().select("source_id", "n"), sources_of_blocks])
    keys = assessment.document_keys()
    assessment.bring(keys)  # this page and those of months say more of a lot than its line, when the history is closed
    provenance = context.provenance(
        used, assessment.as_of, sorted(keys.items()), meters, held, quarantined, more, check_by
    )
    return IndexPage(
        lots=lots,
        meters=meters,
        lot_addresses={r.lot: reports.address("lot", r.lot) for r in lots},
        lot_keys=keys,
        meter_addresses={r.meter: reports.address("meter", r.meter) for r in meters},
        files_held=held,
        quarantined=quarantined,
        provenance=provenance,
        others=more,
        check_by=check_by,
    )
