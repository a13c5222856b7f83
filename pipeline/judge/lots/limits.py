"""Limits of a lot in its specification's unit: what is compared with them, and what comes out, in words."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.metrology.conformity import decide as decide_limits
from pipeline.metrology.units import convert, convert_expression, is_resistivity, lead_unit
from pipeline.statistics.acceptance import accept_by_k
from schemas.digits import decimals_for, decimals_that_tell, digits_that_tell

__all__ = ["Judged", "limits_in", "limits_met", "spots_in_limits_unit"]


@dataclass(frozen=True, slots=True)
class Judged:
    """What the limits say of a lot: in, out, undecided or None; in words; the outermost compared values."""

    limits_met: str | None
    sentence: str
    lowest: float | None
    highest: float | None
    decimals: int | None = None


_RULE = [
    "lower_as_written",
    "upper_as_written",
    "limits_unit",
    "decision_rule",
    "rounding",
    "k",
    "most_nonconforming_percent",
    "_guard",
    "_decimals",
    "conforms_by",
]
"""What a lot's means are compared with; the same for every spot and part of it."""


def limits_in(frame: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Add lower and upper in the working unit; between conductivity and resistivity the two change places."""
    lower: list[float | None] = []
    upper: list[float | None] = []
    for low, high, given in frame.select("lower_as_written", "upper_as_written", "limits_unit").iter_rows():
        if given is None:
            lower.append(None)
            upper.append(None)
            continue
        converted = [None if limit is None else convert(limit, given, unit) for limit in (low, high)]
        if is_resistivity(given) != is_resistivity(unit):
            converted.reverse()
        lower.append(converted[0])
        upper.append(converted[1])
    return frame.with_columns(pl.Series("lower", lower, dtype=pl.Float64), pl.Series("upper", upper, dtype=pl.Float64))


def spots_in_limits_unit(spots: pl.DataFrame, counted: pl.DataFrame, info: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Add each spot mean in its specification's unit.

    Where that unit and the working unit are proportional, the mean is converted; else the readings are.
    """
    spots = spots.join(info.select("lot", "limits_unit"), on="lot", how="left", maintain_order="left")
    result: pl.Expr = pl.lit(None, dtype=pl.Float64)
    curved = False
    for given in info["limits_unit"].drop_nulls().unique().sort().to_list():
        if is_resistivity(given) != is_resistivity(unit):
            curved = True
            continue
        result = (
            pl.when(pl.col("limits_unit") == given)
            .then(convert_expression(pl.col("mean"), unit, given))
            .otherwise(result)
        )
    spots = spots.with_columns(result.alias("mean_in_limits_unit"))
    if not curved:
        return spots
    n = pl.col("count").fill_null(1)
    pieces = []
    for given in info["limits_unit"].drop_nulls().unique().sort().to_list():
        if is_resistivity(given) != is_resistivity(unit):
            lots = info.filter(pl.col("limits_unit") == given).select("lot")
            value = convert_expression(pl.col("value_at_reference"), unit, given)
            pieces.append(
                counted.join(lots.with_columns(pl.col("lot").cast(counted.schema["lot"])), on="lot", how="semi")
                .group_by("lot", "part", "spot")
                .agg(((value * n).sum() / n.sum()).alias("_curved"))
                .with_columns(pl.col(pl.Categorical).cast(pl.String))
            )
    return (
        spots.join(pl.concat(pieces), on=["lot", "part", "spot"], how="left", nulls_equal=True, maintain_order="left")
        .with_columns(pl.coalesce("_curved", "mean_in_limits_unit").alias("mean_in_limits_unit"))
        .drop("_curved")
    )


def lead_units(info: pl.DataFrame, figures: pl.DataFrame, guards: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Return in which unit a lot is spoken of, how to get there, and with how many decimals.

    The unit of the specification leads. Where it is not proportional to the working unit (conductivity, resistivity),
    statistics stay in the working unit. Decimals follow the uncertainty of the lot's mean, for everything that is said of
    a lot: one value is rounded one way.

    Parameters
    ----------
    info, figures, guards
        By lot; `guards` has the columns of the budgets.
    unit
        Working unit.

    Returns
    -------
    polars.DataFrame
        lot, lead_unit, lead_factor (times a value in the working unit), decimals (in the lead unit), limits_decimals (in the
        unit of the limits).
    """
    given = info.select("lot", "limits_unit").join(
        figures.select("lot", "mean", "standard_deviation", "repeatability"),
        on="lot",
        how="left",
        maintain_order="left",
    )
    given = given.join(
        guards.select("lot", "expanded_uncertainty", "compared_expanded_uncertainty"),
        on="lot", how="left", maintain_order="left",
    )  # fmt: skip
    rows = []
    for lot, own, mean, s, repeatability, u, compared in given.iter_rows():
        factor, lead = lead_unit(unit, own)
        spread = u or s or repeatability
        decimals = limits_decimals = decimals_for(spread and spread * factor, mean and mean * factor)
        if own is not None and own != lead:
            limits_decimals = decimals_for(compared, mean and convert(mean, unit, own))
        rows.append((lot, lead, factor, decimals, limits_decimals))
    return pl.DataFrame(rows, schema=_LEAD, orient="row")


_LEAD = {
    "lot": pl.String, "lead_unit": pl.String, "lead_factor": pl.Float64, "decimals": pl.Int64, "limits_decimals": pl.Int64,
}  # fmt: skip


def limits_met(
    spots: pl.DataFrame, info: pl.DataFrame, guards: pl.DataFrame, lead: pl.DataFrame
) -> tuple[pl.DataFrame, dict[str, Judged]]:
    """Judge what must lie within the limits, with guard bands from `guard_bands`; return the judged spots and lots."""
    rules = info.select("lot", *(name for name in _RULE if not name.startswith("_"))).with_columns(
        pl.col("conforms_by").fill_null("spot"), pl.col("decision_rule").fill_null("simple")
    )
    guard = guards.select("lot", pl.col("guard_band").alias("_guard")).join(
        lead.select("lot", pl.col("limits_decimals").alias("_decimals")), on="lot", how="left", maintain_order="left"
    )
    units = spots.join(rules, on="lot", how="left", maintain_order="left", suffix="_of_rule").join(
        guard, on="lot", how="left", maintain_order="left"
    )
    units = units.with_columns(_judged(units, "mean_in_limits_unit").alias("within"))
    by_spot = units.select(*spots.columns, "within")
    # most lots conform by spot; only the others need means of parts and of the lot judged
    others = units.filter(pl.col("conforms_by") != "spot")
    mean_of_part = others.group_by("lot", "part", maintain_order=True).agg(
        pl.col("mean_in_limits_unit").mean().alias("value"),
        pl.col(_RULE).first(),
    )
    of_part = mean_of_part.with_columns(_judged(mean_of_part, "value").alias("within"))
    mean_of_lot = mean_of_part.group_by("lot", maintain_order=True).agg(
        pl.col("value").mean(),
        pl.col("value").std().alias("deviation"),
        pl.len().cast(pl.Int64).alias("parts"),
        pl.col(_RULE).first(),
    )
    of_lot = mean_of_lot.with_columns(_judged(mean_of_lot, "value").alias("within"))
    found: dict[str, Judged] = {}
    for frame, what in ((units, "spot"), (of_part, "part"), (of_lot, "lot_mean")):
        found |= _sentences(frame.filter(pl.col("conforms_by") == what), what)
    found |= _k_method(of_lot.filter(pl.col("conforms_by") == "k_method"))
    return by_spot, found


def _judged(frame: pl.DataFrame, value: str) -> pl.Series:
    return decide_limits(
        frame[value],
        frame["lower_as_written"],
        frame["upper_as_written"],
        frame["rounding"],
        rule=frame["decision_rule"],
        expanded_uncertainty=frame["_guard"],
    )


def _limits_in_words(lower: float | None, upper: float | None, unit: str) -> str:
    if lower is not None and upper is not None:
        return f"{lower:g} to {upper:g} {unit}"
    return f"at least {lower:g} {unit}" if lower is not None else f"at most {upper:g} {unit}"


_WORDS = {
    "spot": ("spot mean", "spot means"),
    "part": ("part mean", "part means"),
    "lot_mean": ("lot mean", "lot means"),
}


def _sentences(frame: pl.DataFrame, what: str) -> dict[str, Judged]:
    """Word the comparison of one kind of mean with the limits of each lot."""
    value = "mean_in_limits_unit" if what == "spot" else "value"
    summary = frame.group_by("lot", maintain_order=True).agg(
        pl.len().alias("n"),
        (pl.col("within") == "out").sum().alias("out"),
        (pl.col("within") == "undecided").sum().alias("undecided"),
        pl.col("within").null_count().alias("unknown"),
        pl.col(value).min().alias("low"),
        pl.col(value).max().alias("high"),
        pl.col("lower_as_written", "upper_as_written", "limits_unit", "decision_rule", "_guard", "_decimals").first(),
    )
    found: dict[str, Judged] = {}
    one, many = _WORDS[what]
    for row in summary.iter_rows(named=True):
        if row["lower_as_written"] is None and row["upper_as_written"] is None:
            continue
        limits = _limits_in_words(row["lower_as_written"], row["upper_as_written"], row["limits_unit"])
        outermost = (row["low"], row["high"])
        decimals = decimals_that_tell(row["_decimals"], outermost, (row["lower_as_written"], row["upper_as_written"]))
        band = f"guard band of {row['_guard'] or 0.0:.{decimals}f} {row['limits_unit']}"
        met: str | None = "in"
        if row["unknown"]:
            met, sentence = None, f"{row['unknown']} of {row['n']} {many} could not be compared with {limits}."
        elif row["out"]:
            run = "they run from {:.{d}f} to {:.{d}f} {}".format(*outermost, row["limits_unit"], d=decimals)
            verb = "lie outside" if " to " in limits else "are not"
            met, sentence = "out", f"{row['out']} of {row['n']} {many} {verb} {limits}: {run}."
        elif row["undecided"]:
            met = "undecided"
            low, high = row["lower_as_written"], row["upper_as_written"]
            nearest = f"a limit of {limits}" if " to " in limits else f"the limit {low if high is None else high:g}"
            sentence = f"{row['undecided']} of {row['n']} {many} lie closer to {nearest} than the {band}."
        else:
            verb = "lie within" if " to " in limits else "are"
            if row["n"] == 1:
                verb = "lies within" if " to " in limits else "is"
            subject = f"The {one}" if row["n"] == 1 else f"All {row['n']} {many}"
            clear = f", clear of the {band}" if row["decision_rule"] == "guarded" else ""
            sentence = f"{subject} {verb} {limits}{clear}."
        found[row["lot"]] = Judged(met, sentence, row["low"], row["high"], decimals)
    return found


def _k_method(frame: pl.DataFrame) -> dict[str, Judged]:
    """Judge by variables, standard deviation unknown (ISO 3951, form k; two limits together)."""
    found: dict[str, Judged] = {}
    for row in frame.iter_rows(named=True):
        lower, upper = row["lower_as_written"], row["upper_as_written"]
        if lower is None and upper is None:
            continue
        limits = _limits_in_words(lower, upper, row["limits_unit"])
        permitted = row["most_nonconforming_percent"]
        judged = accept_by_k(row["parts"], row["value"], row["deviation"], row["k"], lower, upper, permitted)
        decimals = decimals_that_tell(row["_decimals"], (row["value"],), (lower, upper))
        if judged.accepted is None:
            said = f"The k method cannot judge {limits}: {judged.reason}."
            found[row["lot"]] = Judged(None, said, row["value"], row["value"], decimals)
            continue
        verdict = "accepts" if judged.accepted else "does not accept"
        if lower is not None and upper is not None and permitted is not None and judged.nonconforming is not None:
            percent = 100 * judged.nonconforming
            digits = digits_that_tell(3, percent, permitted)
            why = f"an estimated {percent:.{digits}g} % lie beyond {limits}, and the plan permits {permitted:g} % (M)"
        else:
            worst = min(q for q in (judged.quality_lower, judged.quality_upper) if q is not None)
            why = f"the nearest limit of {limits} is {worst:.3f} standard deviations from the mean, k = {row['k']:g}"
        said = f"The k method {verdict} the lot: {why}."
        found[row["lot"]] = Judged("in" if judged.accepted else "out", said, row["value"], row["value"], decimals)
    return found
