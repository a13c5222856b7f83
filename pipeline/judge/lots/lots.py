"""What the readings say of each lot: statistics, limits, support, verdict. All lots of a history in one pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.left_out import left_out, why_left_out
from pipeline.judge.lots.bias import bias_of_lots, flags_of_bias, without_bias
from pipeline.judge.lots.brackets import lots_not_bracketed, overdue_blocks
from pipeline.judge.lots.budgets import budgets_of_lots
from pipeline.judge.lots.flags import flags_of_lots, supplier_levels
from pipeline.judge.lots.guard_bands import conformity_of_lots, guard_bands
from pipeline.judge.lots.hardness import hardness_of_lots
from pipeline.judge.lots.kinds import groups_of_lots, materials_that_do_not_fit, soft_spots_of_lots
from pipeline.judge.lots.limits import Judged, lead_units, limits_in, limits_met, spots_in_limits_unit
from pipeline.judge.lots.temperature_flags import sensor_holds
from pipeline.judge.values.corrections import corrections_of_lots
from pipeline.metrology.support import support_of_lots
from pipeline.metrology.temperature import model_in_words
from pipeline.metrology.verdict import Evidence, decide
from pipeline.statistics.capability import capability_of_lots
from pipeline.statistics.descriptive import nested
from schemas.conditions import conditions_of
from schemas.digits import counted
from schemas.page import Decision
from schemas.results import LotResult
from schemas.versions import join_version

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Basis

__all__ = ["LotsFound", "lot_results"]


@dataclass(frozen=True, slots=True)
class LotsFound:
    """Results by lot, sorted; spot values with what the limits say of each; part values; inputs of the budgets; bias."""

    results: dict[str, LotResult]
    spot_values: pl.DataFrame
    part_values: pl.DataFrame
    budget_inputs: pl.DataFrame
    bias_at_level: pl.DataFrame


_INDICES = ("cp", "cpk", "pp", "ppk")

_COPIED = (
    "mean", "standard_deviation", "minimum", "maximum", "repeatability", "within_standard_deviation", "within_estimator",
    "within_degrees_of_freedom", *_INDICES, "expanded_uncertainty", "coverage_factor", "specification", "lower", "upper",
    "limits_unit", "lower_as_written", "upper_as_written", "material", "supplier", "product", "first_at", "last_at",
)  # fmt: skip


def _registered(assessment: Basis, parts: pl.DataFrame, wanted: pl.DataFrame) -> pl.DataFrame:
    """Return one row a lot: what it is, by which specification it is judged, and when it was read."""
    read = (
        parts.group_by("lot")
        .agg(
            pl.len().cast(pl.Int64).alias("rows"),
            pl.col("measured_at").filter(pl.col("clock") == "known").min().alias("first_at"),
            pl.col("measured_at").filter(pl.col("clock") == "known").max().alias("last_at"),
            pl.col("meter").cast(pl.String).unique().sort().alias("meters"),
        )
        .with_columns(pl.col("lot").cast(pl.String))
    )
    # what a lot is, and its limits, are those of the time at which it was read: a later version changes nothing
    frame = wanted.join(read, on="lot", how="left").with_columns(
        pl.col("last_at").fill_null(assessment.as_of).alias("_at")
    )
    known = assessment.tables["lots"].with_columns(pl.lit(True).alias("registered"))
    frame = join_version(
        frame,
        known,
        key="lot",
        at="_at",
        columns={
            name: name
            for name in (
                "product",
                "material",
                "specification",
                "supplier",
                "heat",
                "received_on",
                "line",
                "registered",
            )
        },
    )
    return (
        join_version(
            frame,
            assessment.tables["specifications"],
            key="specification",
            at="_at",
            columns={
                "material": "_material",
                "lower": "lower_as_written",
                "upper": "upper_as_written",
                "unit": "limits_unit",
                "conforms_by": "conforms_by",
                "decision_rule": "decision_rule",
                "rounding": "rounding",
                "parts": "plan_parts",
                "spots": "plan_spots",
                "repeats": "plan_repeats",
                "k": "k",
                "most_nonconforming_percent": "most_nonconforming_percent",
                "hardness_required": "hardness_required",
                "source": "specification_source",
                "conformance_probability": "conformance_probability",
            },
        )
        .with_columns(pl.coalesce("material", "_material").alias("material"))
        .drop("_material")
        .sort("lot")
    )


def _plan_shortfall(spots: pl.DataFrame, parts: pl.DataFrame, info: pl.DataFrame) -> dict[str, list[str]]:
    """Return, for each lot read with fewer parts, spots or repeats than its plan, what is missing in words."""
    missing: dict[str, list[str]] = {}
    by_lot = info.select("lot", "plan_parts", "plan_spots", "plan_repeats")
    few_parts = (
        parts.group_by("lot")
        .agg(pl.len().alias("found"))
        .join(by_lot, on="lot")
        .filter(pl.col("found") < pl.col("plan_parts"))
        .select("lot", "found", "plan_parts")
    )
    for lot, found, plan in few_parts.iter_rows():
        missing.setdefault(lot, []).append(f"{found} of {plan} parts of the plan were read.")
    few_spots = (
        parts.join(by_lot, on="lot", maintain_order="left")
        .filter(pl.col("spots") < pl.col("plan_spots"))
        .group_by("lot", maintain_order=True)
        .agg(pl.len().alias("n"), pl.col("part").first(), pl.col("spots").first(), pl.col("plan_spots").first())
    )
    for lot, n, part, found, plan in few_spots.iter_rows():
        missing.setdefault(lot, []).append(
            f"Fewer spots than the plan in {counted(n, 'part')}: part {part} has {found} of {plan}."
        )
    few_repeats = (
        spots.join(by_lot, on="lot", maintain_order="left")
        .filter(pl.col("readings") < pl.col("plan_repeats"))
        .group_by("lot", maintain_order=True)
        .agg(
            pl.len().alias("n"),
            pl.col("part", "spot").first(),
            pl.col("readings").first(),
            pl.col("plan_repeats").first(),
        )
    )
    for lot, n, part, spot, found, plan in few_repeats.iter_rows():
        where = f"part {part}" + ("" if spot is None else f" spot {spot}")
        missing.setdefault(lot, []).append(
            f"Fewer repeats than the plan on {counted(n, 'spot')}: {where} has {found} of {plan}."
        )
    return missing


def _without_reference(parts: pl.DataFrame) -> dict[str, str]:
    """Return, for each lot with readings that have no value at the reference temperature, how many and why."""
    lacking = (
        parts.filter(pl.col("no_reference_reason").is_not_null())
        .group_by("lot", "no_reference_reason")
        .agg(pl.len().alias("n"))
        .sort("lot", "n", "no_reference_reason", descending=[False, True, False])
        .group_by("lot", maintain_order=True)
        .agg(pl.col("n").sum(), pl.col("no_reference_reason").first())
        .with_columns(pl.col("lot").cast(pl.String))
    )
    return {
        lot: f"{counted(n, 'reading')} without a value at the reference temperature: {reason.rstrip('.')}."
        for lot, n, reason in lacking.iter_rows()
    }


def _conflicts(parts: pl.DataFrame) -> dict[str, str]:
    """Return, for each lot with a contradicting re-export that nobody has decided on, what to do in words."""
    found = parts.filter("conflict_open").group_by(pl.col("lot").cast(pl.String)).agg(pl.len().alias("n")).sort("lot")
    return {
        lot: f"{n} readings contradict each other, because one was exported again with another content; a person must "
        "decide which one holds (annealog record exclusion)."
        for lot, n in found.iter_rows()
    }


def _decisions_on_lots(events: Iterable[Event]) -> dict[str, list[Decision]]:
    found: dict[str, list[Decision]] = {}
    for event in events:
        if event.kind == "disposition" and "lot" in event.subject:
            found.setdefault(event.subject["lot"], []).append(
                Decision(event.at, event.by, event.subject["decision"], event.why, event.signed_as)
            )
    return found


def _name_unnamed_parts(parts: pl.DataFrame) -> pl.DataFrame:
    """Give each line without a part a part of its own, so that no average hides a single reading beyond a limit."""
    if not parts["part"].null_count():
        return parts
    line = pl.struct("measured_at", pl.col("sequence").fill_null(-1), "file_rank", "line")
    number = pl.when(pl.col("part").is_null()).then(line).rank("dense").over("lot")
    named = pl.format("not stated {}", number.cast(pl.Int64))
    return parts.with_columns(pl.coalesce(pl.col("part").cast(pl.String), named).alias("part"))


def lot_results(assessment: Basis, events: list[Event], lots: Iterable[str] | None) -> LotsFound:
    """Assess lots.

    Parameters
    ----------
    assessment
        With readings, checks, runs and brackets.
    events
        For dispositions.
    lots
        Which ones, read or not; None means all that were read.

    Returns
    -------
    LotsFound
    """
    parts = assessment.readings.filter((pl.col("role") == "part") & pl.col("lot").is_not_null())
    wanted = parts.select("lot").unique().cast(pl.String)
    if lots is not None:
        wanted = pl.DataFrame({"lot": sorted(set(lots))}, schema={"lot": pl.String})
        parts = parts.join(wanted.with_columns(pl.col("lot").cast(parts.schema["lot"])), on="lot", how="semi")
    unnamed = parts.filter(pl.col("part").is_null() & ~pl.col("excluded") & pl.col("value").is_not_null())
    parts = _name_unnamed_parts(parts)
    settings = assessment.settings
    info = limits_in(_registered(assessment, parts, wanted), settings.unit)
    live = parts.filter(~pl.col("excluded") & pl.col("value").is_not_null())
    counted = live.filter(pl.col("value_at_reference").is_not_null())
    bias = bias_of_lots(assessment, counted, info)
    corrections = corrections_of_lots(counted, assessment.tables)  # what they did, before the meter's bias goes
    counted = without_bias(counted, bias)
    summary = nested(
        counted,
        value="value_at_reference",
        standard_deviation="standard_deviation_at_reference",
        instrument=("meter", "probe", "frequency_khz"),
    )
    # spots, parts and lots are few: from here on names are text again
    as_text = pl.col(pl.Categorical).cast(pl.String)
    spots = spots_in_limits_unit(summary.spot_values.with_columns(as_text), counted, info, settings.unit)
    part_values, figures = summary.part_values.with_columns(as_text), summary.lot_values.with_columns(as_text)
    capability = capability_of_lots(
        part_values, info.select("lot", "lower", "upper"), subgroup_size=settings.subgroup_size
    )
    budgets, budget_inputs = budgets_of_lots(assessment, counted, figures, spots, info, bias)
    guards = guard_bands(info, budgets, settings)
    lead = lead_units(info, figures, guards, settings.unit)
    spots, judged = limits_met(spots, info, guards, lead)
    conformity = conformity_of_lots(info, guards, judged)
    support = {row["lot"]: row for row in support_of_lots(assessment.brackets).iter_rows(named=True)}
    shortfall = _plan_shortfall(spots, part_values, info)
    lacking, conflicts = _without_reference(live), _conflicts(parts)
    hardness = hardness_of_lots(assessment, info, part_values, figures)
    decisions = _decisions_on_lots(events)
    missing_readings = left_out(parts.with_columns(why_left_out().alias("why")), "lot")
    flags = flags_of_lots(assessment, parts, live, unnamed)
    for found_flags in (
        groups_of_lots(part_values, lead),
        soft_spots_of_lots(assessment, info, figures, spots, lead),
        materials_that_do_not_fit(assessment, info, figures, budgets, lead),
    ):
        for lot, text in found_flags.items():
            flags.setdefault(lot, []).append(text)
    for lot, texts in flags_of_bias(bias, settings).items():
        flags.setdefault(lot, []).extend(texts)
    for lot, one in hardness.items():
        flags.setdefault(lot, []).extend(one.flags())
    for lot, text in supplier_levels(_with_other_lots(assessment, figures, info), settings).items():
        flags.setdefault(lot, []).append(text)
    models = _models(counted, settings.reference_temperature_c)
    doubtful = sensor_holds(assessment, live)
    unbracketed = lots_not_bracketed(assessment, figures)
    for lot, text in overdue_blocks(assessment).items():
        flags.setdefault(lot, []).append(text)
    rows = (
        info.join(figures, on="lot", how="left", maintain_order="left")
        .join(
            capability.drop("parts", "mean", "standard_deviation", "lower", "upper"),
            on="lot",
            how="left",
            maintain_order="left",
        )
        .join(budgets, on="lot", how="left", maintain_order="left")
        .join(lead.select("lot", "decimals"), on="lot", how="left", maintain_order="left")
    )
    results: dict[str, LotResult] = {}
    for row in rows.iter_rows(named=True):
        lot = row["lot"]
        found = support.get(lot)
        said = judged.get(lot, _NOT_JUDGED)
        met, sentence = said.limits_met, said.sentence
        missing = [*_no_limits(row), *shortfall.get(lot, []), *([lacking[lot]] if lot in lacking else [])]
        if row["readings"] is None and lot not in lacking:
            missing = ["No reading of this lot counts." if row["rows"] else "No reading of this lot was loaded."]
        elif met is None and sentence and not missing:
            missing = [sentence]
        hard = hardness.get(lot)
        holds = hard.holds(None if missing else met) if hard else []
        verdict = decide(
            Evidence(
                limits_met=None if missing else met,
                support=found["support"] if found else "unsupported",
                support_reasons=tuple(found["support_reasons"]) if found else (),
                limits_sentence=sentence,
                missing=tuple(missing),
                holds=(*(each[lot] for each in (conflicts, doubtful, unbracketed) if lot in each), *holds),
                hardness_out=hard.out if hard else (),
            )
        )
        results[lot] = _result(
            row,
            verdict=verdict.verdict,
            reasons=verdict.reasons,
            support=found["support"] if found else "unsupported",
            limits_met=met,
            assessment=assessment,
            contributions=(),
            conformity=conformity.get(lot),
            decimals=row["decimals"] if said.decimals is None else said.decimals,
            hardness=hard.results if hard else (),
            hardness_state=hard.state if hard else None,
            models=models.get(lot, ()),
            corrections=corrections.get(lot, ()),
            flags=tuple(flags.get(lot, [])),
            left_out=missing_readings.get(lot, {}),
            conditions=conditions_of(verdict.verdict, flags.get(lot, [])),
            dispositions=tuple(decisions.get(lot, [])),
        )
    return LotsFound(results, spots, part_values, budget_inputs, bias.at_level)


def _with_other_lots(assessment: Basis, figures: pl.DataFrame, info: pl.DataFrame) -> pl.DataFrame:
    """Return lot, supplier, material, first_at and mean of the lots judged, and of those known from elsewhere."""
    names = ["lot", "supplier", "material", "first_at", "mean"]
    own = figures.select("lot", "mean").join(info.select(names[:-1]), on="lot").select(names)
    if assessment.all_lots is None:
        return own
    return pl.concat(
        [own, assessment.all_lots.select(names).join(info, on="lot", how="anti").filter(pl.col("mean").is_not_null())]
    )


_NOT_JUDGED = Judged(None, "", None, None)


def _no_limits(row: dict[str, Any]) -> list[str]:
    if row["registered"] is None:
        return ["The lot does not stand in reference/lots.csv, so no limits are known."]
    if row["specification"] is None:
        return ["reference/lots.csv names no specification for the lot, so no limits are known."]
    if row["lower_as_written"] is None and row["upper_as_written"] is None:
        return [f"Specification {row['specification']} has no limits in reference/specifications.csv."]
    return []


def _models(counted: pl.DataFrame, reference_c: float) -> dict[str, tuple[str, ...]]:
    """Word the temperature models that were used on each lot."""
    corrected = (
        counted.filter(pl.col("temperature_state") != "at_reference")
        .select("lot", "temperature_model", "coefficient", "coefficient_source")
        .unique()
        .with_columns(pl.col("lot").cast(pl.String))
        .sort("lot", "temperature_model", "coefficient")
    )
    found: dict[str, list[str]] = {}
    for lot, model, coefficient, source in corrected.iter_rows():
        found.setdefault(lot, []).append(model_in_words(model, coefficient, source, reference_c=reference_c))
    stated = (
        counted.filter(pl.col("temperature_state") == "at_reference")["lot"].unique().cast(pl.String).sort().to_list()
    )
    for lot in stated:
        found.setdefault(lot, []).append(f"Stated at {reference_c:g} °C by the export; not corrected again.")
    if "setting_in_words" in counted.columns:
        carried = counted.select("lot", "setting_in_words").drop_nulls().unique().with_columns(pl.all().cast(pl.String))
        for lot, setting in carried.sort("lot", "setting_in_words").iter_rows():
            found.setdefault(lot, []).append(
                f"Relative to a setting: {setting}; reading × f(block, at the setting)/f(part, at the reading), with "
                f"f(T) = σ(T)/σ({reference_c:g} °C)."
            )
    return {lot: tuple(words) for lot, words in found.items()}


def _interval(row: dict[str, Any], name: str) -> tuple[float, float] | None:
    low, high = row[f"{name}_low"], row[f"{name}_high"]
    return None if low is None or high is None else (low, high)


def _result(row: dict[str, Any], *, assessment: Basis, models: tuple[str, ...], **given: Any) -> LotResult:
    settings = assessment.settings
    reasons: dict[str, str] = {}
    for name in _INDICES:
        if row[name] is None:
            reasons[name] = row[f"{name}_reason"] or "no part has a value at the reference temperature"
    if row["standard_deviation"] is None:
        reasons["standard_deviation"] = "one part has no standard deviation" if row["parts"] else "no part has a value"
    if row["repeatability"] is None:
        reasons["repeatability"] = row["repeatability_reason"] or "no reading counts"
    if row["within_standard_deviation"] is None:
        reasons["within_standard_deviation"] = row["within_reason"] or "no part has a value"
    if row["expanded_uncertainty"] is None:
        reasons["expanded_uncertainty"] = row["uncertainty_reason"] or "no reading counts"
    has_limits = row["lower_as_written"] is not None or row["upper_as_written"] is not None
    return LotResult(
        lot=row["lot"],
        unit=settings.unit,
        readings=row["readings"] or 0,
        parts=row["parts"] or 0,
        spots=row["spots"] or 0,
        **{name: row[name] for name in _COPIED},
        repeatability_degrees_of_freedom=row["repeatability_degrees_of_freedom"] or None,
        cp_interval=_interval(row, "cp"),
        cpk_interval=_interval(row, "cpk"),
        pp_interval=_interval(row, "pp"),
        ppk_interval=_interval(row, "ppk"),
        not_computable=reasons,
        decision_rule=(row["decision_rule"] or "simple") if has_limits else None,
        conforms_by=(row["conforms_by"] or "spot") if has_limits else None,
        rounding=(row["rounding"] or "none") if has_limits else None,
        reference_temperature_c=settings.reference_temperature_c,
        temperature_models=models,
        meters=tuple(row["meters"] or ()),
        as_of=assessment.as_of,
        **given,
    )
