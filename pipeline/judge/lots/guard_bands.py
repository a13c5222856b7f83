"""Guard bands of lots, and how probably what was compared with the limits conforms."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.metrology.guard_band import conformance_probabilities, guard_band, one_sided_factors
from schemas.uncertainty import Conformity

if TYPE_CHECKING:
    from pipeline.judge.lots.limits import Judged
    from pipeline.workspace.settings import Settings

__all__ = ["conformity_of_lots", "guard_bands"]

_BEYOND = 1e-9
"""A tail beyond the other limit that is smaller than this moves no guard band."""


def guard_bands(info: pl.DataFrame, budgets: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Return the guard band of each lot under the guarded rule.

    Parameters
    ----------
    info
        What each lot is: limits as written, decision_rule, conformance_probability.
    budgets
        From `budgets_of_lots`.
    settings
        For the probability where the specification states none.

    Returns
    -------
    polars.DataFrame
        lot, guard_band (in the unit of the limits; null without an uncertainty; the expanded uncertainty where no
        probability is asked for), required_probability (null where the band is the expanded uncertainty), guard_reason
        (why no value can be accepted, else null), and the columns of `budgets`.

    Notes
    -----
    With a probability p the band is t(p, ν)·u, and 1.65·u for p = 95 % and many degrees of freedom (ISO 14253-1:2017,
    from memory); where the other limit is so near that its tail counts, it is the band for which the probability at its
    edge is p (JCGM 106:2012, 8.3.2, from memory). The amount of a known bias left in is added. Where even a value midway
    between the limits does not reach p, the band covers the whole tolerance: nothing is accepted.
    """
    frame = info.select("lot", "lower_as_written", "upper_as_written", "decision_rule", "conformance_probability").join(
        budgets, on="lot", how="left", maintain_order="left"
    )
    default = settings.guard_band_probability or None
    frame = frame.with_columns(
        pl.coalesce("conformance_probability", pl.lit(default, pl.Float64)).alias("required_probability")
    )
    u, nu = pl.col("compared_standard_uncertainty"), pl.col("compared_degrees_of_freedom")
    factor = pl.Series(
        "_factor",
        one_sided_factors(
            frame["required_probability"].fill_null(0.95).to_numpy(),
            frame.select(nu.fill_null(math.inf)).to_series().to_numpy(),
        ),
    )
    frame = frame.with_columns(factor).with_columns((pl.col("_factor") * u).alias("_one_sided"))
    frame = frame.with_columns(
        pl.when(pl.col("required_probability").is_null())
        .then("compared_expanded_uncertainty")
        .otherwise(pl.col("_one_sided") + pl.col("compared_bias").abs())
        .alias("guard_band"),
        pl.lit(None, pl.String).alias("guard_reason"),
    )
    return _two_sided(frame).drop("_factor", "_one_sided", "lower_as_written", "upper_as_written", "decision_rule")


def _two_sided(frame: pl.DataFrame) -> pl.DataFrame:
    """Widen the bands of guarded lots whose other limit is near; few lots, so one at a time."""
    width = pl.col("upper_as_written") - pl.col("lower_as_written")
    concerned = frame.with_row_index("_row").filter(
        (pl.col("decision_rule") == "guarded")
        & pl.col("required_probability").is_not_null()
        & (pl.col("compared_standard_uncertainty") > 0)
        & (width < 12 * pl.col("compared_standard_uncertainty") + pl.col("_one_sided"))
    )
    if not concerned.height:
        return frame
    bands, reasons = frame["guard_band"].to_list(), frame["guard_reason"].to_list()
    for row in concerned.iter_rows(named=True):
        lower, upper = row["lower_as_written"], row["upper_as_written"]
        found = guard_band(
            row["required_probability"],
            row["compared_standard_uncertainty"],
            lower=lower,
            upper=upper,
            degrees_of_freedom=row["compared_degrees_of_freedom"],
        )
        if found.width is None:
            bands[row["_row"]] = max(row["guard_band"], (upper - lower) / 2 * (1 + _BEYOND))
            reasons[row["_row"]] = found.reason
        else:
            bands[row["_row"]] = found.width + abs(row["compared_bias"])
    return frame.with_columns(
        pl.Series("guard_band", bands, dtype=pl.Float64), pl.Series("guard_reason", reasons, dtype=pl.String)
    )


def conformity_of_lots(info: pl.DataFrame, guards: pl.DataFrame, judged: dict[str, Judged]) -> dict[str, Conformity]:
    """Return for each lot with limits what was compared, its uncertainty, guard bands and risks.

    Parameters
    ----------
    info
        What each lot is.
    guards
        From :func:`guard_bands`.
    judged
        From `limits_met`.

    Returns
    -------
    dict of Conformity
        By lot.

    Notes
    -----
    The probability is that of the best estimate, the compared value with the known bias taken off (JCGM 106:2012, 7.2,
    from memory); a mean that the k method judges says nothing of single parts, so there it has none.
    """
    rows = [(lot, one.lowest, one.highest) for lot, one in judged.items()]
    schema: dict[str, Any] = {"lot": pl.String, "lowest": pl.Float64, "highest": pl.Float64}
    frame = (
        pl.DataFrame(rows, schema=schema, orient="row")
        .join(
            info.select("lot", "lower_as_written", "upper_as_written", "limits_unit", "conforms_by", "decision_rule"),
            on="lot", how="left", maintain_order="left",
        )
        .join(guards, on="lot", how="left", maintain_order="left")
        .filter(pl.col("lower_as_written").is_not_null() | pl.col("upper_as_written").is_not_null())
    )  # fmt: skip

    def numbers(name: str, missing: float) -> Any:
        return frame[name].cast(pl.Float64).fill_null(missing).to_numpy()

    bias = numbers("compared_bias", 0.0)
    fixed = (
        numbers("compared_standard_uncertainty", math.nan),
        numbers("compared_degrees_of_freedom", math.inf),
        numbers("lower_as_written", -math.inf),
        numbers("upper_as_written", math.inf),
    )
    probability = np.minimum(
        conformance_probabilities(numbers("lowest", math.nan) - bias, *fixed),
        conformance_probabilities(numbers("highest", math.nan) - bias, *fixed),
    )
    frame = frame.with_columns(pl.Series("probability", probability).fill_nan(None))
    return {row["lot"]: _conformity(row, judged[row["lot"]].limits_met) for row in frame.iter_rows(named=True)}


def _conformity(row: dict[str, Any], met: str | None) -> Conformity:
    guarded = row["decision_rule"] == "guarded"
    compared = row["conforms_by"] or "spot"
    band = row["guard_band"] if guarded and compared != "k_method" else None
    probability = None if compared == "k_method" else row["probability"]
    inwards = 0.0 if not guarded or compared == "k_method" else band
    lower, upper = row["lower_as_written"], row["upper_as_written"]
    reason = None
    if compared == "k_method":
        reason = "the k method judges the share of the lot beyond the limits, not single values"
    elif row["compared_standard_uncertainty"] is None:
        reason = row["uncertainty_reason"] or "no reading counts"
    elif row["guard_reason"] is not None:
        reason = row["guard_reason"]
    required = row["required_probability"] if band is not None else None
    return Conformity(
        compared=compared,
        unit=row["limits_unit"],
        lowest=row["lowest"],
        highest=row["highest"],
        standard_uncertainty=row["compared_standard_uncertainty"],
        degrees_of_freedom=row["compared_degrees_of_freedom"],
        coverage_factor=row["compared_coverage_factor"],
        expanded_uncertainty=row["compared_expanded_uncertainty"],
        known_bias=row["compared_bias"] or 0.0,
        guard_band=band,
        guard_band_from=None
        if band is None
        else "expanded_uncertainty"
        if required is None
        else "conformance_probability",
        required_probability=required,
        acceptance_lower=None if lower is None or inwards is None else lower + inwards,
        acceptance_upper=None if upper is None or inwards is None else upper - inwards,
        conformance_probability=probability,
        false_acceptance_risk=1.0 - probability if met == "in" and probability is not None else None,
        false_rejection_risk=probability if met == "out" else None,
        reason=reason,
    )
