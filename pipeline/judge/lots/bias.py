"""The bias of each meter at the level of each lot it read, taken off where the site says so; the line of a meter's page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.meters.checks_so_far import ENOUGH_CHECKS, before_closing, last_setting_of
from pipeline.metrology.bias_line import (
    ENOUGH_DEGREES,
    FEW_CHECKS,
    bias_at,
    biases_at_levels,
    degrees_at,
    fit_bias_line,
)
from pipeline.metrology.calibration_line import fit_both_axes, inverse_prediction, line_control
from pipeline.metrology.uncertainty import coverage_factor
from schemas.bias import BiasAtLevel, BiasLine, BiasPoint, BothAxes, InverseValue, RunOnLine

if TYPE_CHECKING:
    from collections.abc import Collection

    from pipeline.judge.assessment import Assessment, Basis
    from pipeline.metrology.bias_line import LineFit
    from pipeline.workspace.settings import Settings

__all__ = ["BiasFound", "bias_at_lots", "bias_lines_of_meter", "bias_of_lots", "flags_of_bias", "without_bias"]

_METER = ["meter", "probe", "frequency_khz"]


@dataclass(frozen=True, slots=True)
class BiasFound:
    """What the checks before each lot's closing run say of each meter that read it.

    `nearest`: on the block nearest to the lot's level, as :func:`before_closing` has it; blocks checked since the meter's
    last setting go first. `at_level`: lot, meter, probe, frequency_khz, level, n (readings); of the line over its blocks:
    blocks, line_bias, line_slope, line_standard_uncertainty, line_degrees_of_freedom, line_beyond, line_reason, applied; of
    the nearest block, where it was checked since the setting: block, known_bias, known_standard_uncertainty,
    known_degrees_of_freedom (null while the scatter is not known).
    """

    nearest: pl.DataFrame
    at_level: pl.DataFrame


def bias_of_lots(assessment: Basis, counted: pl.DataFrame, info: pl.DataFrame) -> BiasFound:
    """Find the bias of each meter at the level of each lot it read.

    Parameters
    ----------
    assessment
        With checks, brackets, reference tables and settings.
    counted
        Part readings with a value at the reference temperature.
    info
        What each lot is, with last_at.
    """
    levels = (
        counted.group_by("lot", *_METER)
        .agg(pl.col("value_at_reference").mean().alias("level"), pl.len().cast(pl.Int64).alias("n"))
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .join(info.select("lot", "last_at"), on="lot", how="left", maintain_order="left")
        .sort("lot", *_METER, nulls_last=False)
        .with_row_index("key")
    )
    before = before_closing(levels, assessment)
    # a line is of one setting: blocks that were not checked since the last one say nothing of the meter as it is
    latest = before.filter("current")
    settings = assessment.settings
    lines = biases_at_levels(latest, correlation=settings.certificate_correlation)
    found = levels.join(lines, on="key", how="left", maintain_order="left").with_columns(
        pl.col("blocks").fill_null(0),
        pl.when(pl.col("blocks").is_null())
        .then(pl.lit("no check on a certified block since the meter's last setting and before the closing run"))
        .otherwise("line_reason")
        .alias("line_reason"),
    )
    applied = pl.lit(settings.apply_bias_line) & pl.col("line_reason").is_null() & (pl.col("line_beyond") == 0)
    nearest = (
        before.with_columns((pl.col("certified") - pl.col("level")).abs().alias("_distance"))
        .sort("key", "current", "_distance", "block", descending=[False, True, False, False])
        .unique("key", keep="first", maintain_order=True)
        .drop("_distance")
    )
    enough = pl.col("checks") >= ENOUGH_CHECKS
    known = nearest.filter("current").select(
        "key",
        "block",
        pl.col("bias").alias("known_bias"),
        pl.when(enough).then((pl.col("variance") * pl.col("level_share")).sqrt()).alias("known_standard_uncertainty"),
        pl.when(enough).then(pl.col("checks") - 1).alias("known_degrees_of_freedom"),
    )
    found = found.join(known, on="key", how="left", maintain_order="left").with_columns(applied.alias("applied"))
    return BiasFound(nearest.drop("key"), found.drop("key", "last_at"))


def without_bias(counted: pl.DataFrame, bias: BiasFound) -> pl.DataFrame:
    """Take the bias of the line off the values, for the lots and meters to which it applies.

    One amount for all readings of a lot by one meter: the line at the level of the lot.
    """
    applied = bias.at_level.filter("applied")
    if not applied.height:
        return counted
    keys = ["lot", *_METER]
    amounts = applied.select(pl.col(name).cast(counted.schema[name]) for name in keys).with_columns(
        applied["line_bias"].alias("_bias")
    )
    return (
        counted.join(amounts, on=keys, how="left", nulls_equal=True, maintain_order="left")
        .with_columns((pl.col("value_at_reference") - pl.col("_bias").fill_null(0.0)).alias("value_at_reference"))
        .drop("_bias")
    )


def flags_of_bias(bias: BiasFound, settings: Settings) -> dict[str, list[str]]:
    """Return, where the site takes the bias off, a flag for each lot and meter where it could not."""
    if not settings.apply_bias_line:
        return {}
    found: dict[str, list[str]] = {}
    for row in bias.at_level.filter(~pl.col("applied")).iter_rows(named=True):
        why = row["line_reason"] or _beyond(row["level"], row["line_beyond"], settings.unit)
        found.setdefault(row["lot"], []).append(
            f"bias_line_not_applied: the bias of meter {row['meter']} was not taken off: {why}"
        )
    return found


def _beyond(level: float, beyond: float, unit: str) -> str:
    side = "above the highest" if beyond > 0 else "below the lowest"
    return f"the level of the lot, {level:.5g} {unit}, lies {abs(beyond):.3g} {unit} {side} block that was checked"


def bias_at_lots(assessment: Assessment, lots: Collection[str]) -> dict[str, tuple[BiasAtLevel, ...]]:
    """Return what the lines of its meters say at the level of each of some lots, where they say anything."""
    frame = assessment.bias_at_level
    if not frame.height:
        return {}
    unit = assessment.settings.unit
    found: dict[str, tuple[BiasAtLevel, ...]] = {}
    for row in frame.filter(pl.col("lot").is_in(lots)).iter_rows(named=True):
        at_level = BiasAtLevel(
            meter=row["meter"],
            probe=row["probe"],
            frequency_khz=row["frequency_khz"],
            unit=unit,
            level=row["level"],
            blocks=row["blocks"],
            bias=row["line_bias"],
            standard_uncertainty=row["line_standard_uncertainty"],
            degrees_of_freedom=row["line_degrees_of_freedom"],
            beyond=row["line_beyond"],
            applied=row["applied"],
            block=row["block"],
            known_bias=row["known_bias"],
            known_bias_standard_uncertainty=row["known_standard_uncertainty"],
            known_bias_degrees_of_freedom=row["known_degrees_of_freedom"],
            reason=row["line_reason"]
            or (_beyond(row["level"], row["line_beyond"], unit) if row["line_beyond"] else None),
        )
        found[row["lot"]] = (*found.get(row["lot"], ()), at_level)
    return found


def bias_lines_of_meter(assessment: Assessment, meter: str, latest: pl.DataFrame) -> tuple[BiasLine, ...]:
    """Return the line of a meter over its blocks, by probe and frequency, from the checks since its last setting.

    Parameters
    ----------
    assessment
        With the meter's settings.
    meter
        Its name.
    latest
        From :func:`latest_checks`.
    """
    phase = pl.lit(last_setting_of(assessment, meter), latest.schema["phase"])
    found = []
    for (probe, frequency), group in latest.group_by("probe", "frequency_khz", maintain_order=True):
        points = group.filter(pl.col("phase").eq_missing(phase)).sort("certified", "block")
        line = _line(points, assessment.settings, probe, frequency)
        own = pl.col("probe").eq_missing(probe) & pl.col("frequency_khz").eq_missing(frequency)
        checks = assessment.checks.filter(
            (pl.col("meter") == meter) & own & pl.col("phase").eq_missing(phase) & pl.col("bias").is_not_null()
        )
        found.append(replace(line, control=_control(checks.sort("at", "check"))))
    return tuple(sorted(found, key=lambda line: (line.probe or "", line.frequency_khz or 0.0)))


def _control(checks: pl.DataFrame) -> RunOnLine:
    """Hold the latest run against the line through the checks before it."""
    if not checks.height:
        return RunOnLine(reason="no check since the setting")
    latest = pl.col("run") == checks["run"][-1]
    before, run = checks.filter(~latest), checks.filter(latest)
    pairs = [one for part in (before, run) for one in (part["certified_value"], part["certified_value"] + part["bias"])]
    found = line_control(*pairs)
    if isinstance(found, str):
        return RunOnLine(at=run["at"][-1], reason=found)
    return RunOnLine(
        at=run["at"][-1], deviations=tuple(zip(run["block"].to_list(), found.deviations, strict=True)), largest=found.largest,
        limit=found.limit, in_control=found.in_control, degrees_of_freedom=found.degrees_of_freedom,
    )  # fmt: skip


def _both_axes(line: BiasLine, centre: float) -> BothAxes:
    """Fit readings over certified values, the certificates' errors along the value and the scatter along the reading."""
    chains = [point.certificate_chain for point in line.points if point.certificate_chain is not None]
    if line.correlation and len(chains) > len(set(chains)):
        return BothAxes(reason="certificates of one chain are correlated, and this fit takes them as independent")
    fit = fit_both_axes(
        [point.certified_value - centre for point in line.points],
        [point.certified_value - centre + point.bias for point in line.points],
        [point.certificate_standard_uncertainty or 0.0 for point in line.points],
        [point.scatter_standard_uncertainty for point in line.points],
    )
    if isinstance(fit, str):
        return BothAxes(reason=fit)
    return BothAxes(
        bias=fit.intercept, slope=fit.slope - 1.0, bias_standard_uncertainty=fit.intercept_standard_uncertainty,
        slope_standard_uncertainty=fit.slope_standard_uncertainty, chi_squared=fit.chi_squared,
    )  # fmt: skip


def _inverse(fit: LineFit, scatter: float, degrees: float) -> tuple[InverseValue, ...]:
    """Say what readings between the outermost blocks stand for."""
    found = []
    for share in (0.1, 0.5, 0.9):
        level = fit.lowest + share * (fit.highest - fit.lowest)
        reading = level + bias_at(fit, level)[0]
        value = inverse_prediction(fit, reading, scatter, degrees)
        if isinstance(value, str):
            found.append(InverseValue(reading=reading, reason=value))
        else:
            found.append(InverseValue(reading=reading, value=value[0], interval=value[1:]))
    return tuple(found)


def _line(points: pl.DataFrame, settings: Settings, probe: object, frequency: object) -> BiasLine:
    degrees = float((points["checks"] - 1).sum())
    squares = float(((points["checks"] - 1) * points["variance"].fill_null(0.0)).sum())
    pooled = squares / degrees if degrees else 0.0
    rows = points.to_dicts()
    scatter = [(pooled * row["level_share"]) ** 0.5 for row in rows]
    certificates = [row["certificate"] or 0.0 for row in rows]
    shown = tuple(
        BiasPoint(
            block=row["block"],
            certified_value=row["certified"],
            bias=row["bias"],
            checks=int(row["checks"]),
            scatter_standard_uncertainty=s,
            certificate_standard_uncertainty=row["certificate"],
            certificate_chain=row["chain"],
            standard_uncertainty=(s * s + u * u) ** 0.5,
        )
        for row, s, u in zip(rows, scatter, certificates, strict=True)
    )
    base = BiasLine(
        probe=None if probe is None else str(probe),
        frequency_khz=frequency if isinstance(frequency, float) else None,
        unit=settings.unit,
        points=shown,
        correlation=settings.certificate_correlation,
    )
    fit = fit_bias_line(
        [row["certified"] for row in rows],
        [row["bias"] for row in rows],
        scatter,
        certificates,
        [row["chain"] for row in rows],
        correlation=settings.certificate_correlation,
        scatter_degrees_of_freedom=degrees or None,
    )
    if isinstance(fit, str):
        return replace(base, reason=fit)
    if degrees < ENOUGH_DEGREES:
        return replace(base, reason=FEW_CHECKS)
    half = coverage_factor(degrees_at(fit, (0.0, 1.0))) * fit.covariance[1][1] ** 0.5
    return replace(
        base,
        centre=fit.centre,
        bias=fit.bias,
        slope=fit.slope,
        slope_interval=(fit.slope - half, fit.slope + half),
        covariance=fit.covariance,
        chi_squared=fit.chi_squared if fit.degrees_of_freedom else None,
        degrees_of_freedom=fit.degrees_of_freedom,
        chi_squared_limit=fit.chi_squared_limit,
        scatter_covariance=fit.scatter_covariance,
        scatter_degrees_of_freedom=fit.scatter_degrees_of_freedom,
        enlarged=fit.enlarged,
        lowest=fit.lowest,
        highest=fit.highest,
        both_axes=_both_axes(base, fit.centre),
        inverse=_inverse(fit, pooled**0.5, degrees),
    )
