"""How much lots, parts, spots and readings vary, over several lots at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.near import nearest
from pipeline.questions.over_time.lot_series import lots_frame
from pipeline.statistics.components import variance_components
from pipeline.statistics.restricted_likelihood import restricted_components
from schemas.components import AnovaComponent, ComponentsOfLots, LeftOutLot, LevelComponents, RemlComponent

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from pipeline.judge.assessment import Assessment

__all__ = ["components_of_lots"]

_FEW_LOTS = 5
_METHODS = {
    "anova": "analysis of variance: each sum of squares set equal to its expectation (Henderson's method 1 for nested readings)",
    "reml": "restricted maximum likelihood, no component below zero (Patterson and Thompson 1971)",
    "likelihood_ratio": (
        "restricted likelihood with and without the component; zero is the edge of what a variance can be, so p is half that of "
        "chi-square with 1 degree of freedom (Self and Liang 1987; Stram and Lee 1994), too large rather than too small for few lots"
    ),
}
_EXACT = "F ratio of neighbouring mean squares, exact for normal values"
_SYNTHESISED = (
    "F ratio of mean squares of unweighted means against the combination of those inside that has the same expectation "
    "(Satterthwaite 1946); exact for the innermost level that is tested, approximate for the others, as the readings are not balanced"
)


def components_of_lots(
    assessment: Assessment,
    *,
    lots: Iterable[str] = (),
    of: Mapping[str, str] | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> ComponentsOfLots:
    """Estimate components of variance over several lots.

    Parameters
    ----------
    assessment
        With all lots.
    lots
        Ids; empty means every lot that the other parameters leave.
    of
        Columns of :func:`~pipeline.questions.over_time.lot_series.lots_frame` (product, line, supplier, material) and what they must hold.
    start, end
        Period by the first reading of a lot; None means no limit.

    Returns
    -------
    ComponentsOfLots
        Lots whose meter failed its check, or without a value at the reference temperature, are left out and named.

    Raises
    ------
    UsageError
        If a lot was not read, or no lot is left.
    """
    every, wanted = lots_frame(assessment), list(dict.fromkeys(lots))
    known = set(every["lot"].to_list())
    for lot in wanted:
        if lot not in known:
            raise UsageError(f"Lot {lot!r} has no readings{nearest(lot, known) or '.'}")
    chosen = every.filter(pl.col("lot").is_in(wanted)) if wanted else every
    for column, value in (of or {}).items():
        values = set(every[column].drop_nulls().to_list())
        if value not in values:
            hint = nearest(value, values) or f". Known: {', '.join(sorted(values)) or 'none'}."
            raise UsageError(f"No lot of {column} {value!r} was read{hint}")
        chosen = chosen.filter(pl.col(column) == value)
    if start is not None:
        chosen = chosen.filter(pl.col("first_at") >= start)
    if end is not None:
        chosen = chosen.filter(pl.col("first_at") <= end)
    assessment = assessment.at_hand(chosen["lot"])
    spots = assessment.spot_values
    read = set(spots["lot"].unique().to_list()) if spots.height else set()
    at = f"{assessment.settings.reference_temperature_c:g} °C"
    left_out = [
        LeftOutLot(lot=lot, reason=f"no reading has a value at {at}" if lot not in read else "its meter failed the check beside it")
        for lot, support in chosen.select("lot", "support").iter_rows() if lot not in read or support == "suspect"
    ]  # fmt: skip
    chosen = chosen.filter(~pl.col("lot").is_in([each.lot for each in left_out]))
    if not chosen.height:
        why = (
            "; ".join(f"{each.lot}: {each.reason}" for each in left_out) or "none was read that fits what was asked for"
        )
        raise UsageError(f"No lot is left whose variation could be told: {why}.")
    names = chosen["lot"].to_list()
    used = spots.filter(pl.col("lot").is_in(names)).select(
        "lot", "part", "spot", "readings", "mean", "ss_within", "df_within"
    )
    anova = variance_components(used)
    reml = restricted_components(used, anova)
    groups = (
        len(names), used.select("lot", "part").unique().height, used.height, int(used["readings"].sum())
    )  # fmt: skip
    levels = tuple(
        _level(*rows) for rows in zip(anova.table.rows(named=True), reml.rows(named=True), groups, strict=True)
    )
    return ComponentsOfLots(
        lots=tuple(names), left_out=tuple(left_out), unit=assessment.settings.unit,
        reference_temperature_c=assessment.settings.reference_temperature_c, first_at=chosen["first_at"].min(),  # type: ignore[arg-type]
        last_at=chosen["last_at"].max(), mean=float(chosen["mean"].mean()), balanced=anova.balanced, levels=levels,  # type: ignore[arg-type]
        methods={**_METHODS, "f_ratio": _EXACT if anova.balanced else _SYNTHESISED, "interval": anova.interval_method},
        cautions=tuple(_cautions(assessment, chosen, levels, anova.balanced)),
    )  # fmt: skip


def _level(anova: dict[str, Any], reml: dict[str, Any], groups: int) -> LevelComponents:
    def share(percent: float | None) -> float | None:
        return None if percent is None else percent / 100.0

    return LevelComponents(
        level=anova["level"], groups=groups, reason=anova["reason"],
        anova=AnovaComponent(
            share=share(anova["percent_of_variance"]),
            interval=None if anova["low"] is None else (anova["low"], anova["high"]),
            **{
                name: anova[name]
                for name in (
                    "degrees_of_freedom", "sum_of_squares", "mean_square", "raw", "variance", "standard_deviation", "f_ratio",
                    "p_value",
                )
            },
        ),
        reml=RemlComponent(
            share=share(reml["percent_of_variance"]),
            **{name: reml[name] for name in ("variance", "standard_deviation", "likelihood_ratio", "p_value")},
        ),
    )  # fmt: skip


def _cautions(
    assessment: Assessment, lots: pl.DataFrame, levels: tuple[LevelComponents, ...], balanced: bool
) -> Iterable[str]:
    """Say what else these components may hold, and how far they can be relied on."""
    outer = levels[0]
    if outer.reason is None and lots.height < _FEW_LOTS:
        yield f"{lots.height} lots say little of the variation between lots: see its interval"
    for column, word in (
        ("product", "products"),
        ("material", "materials"),
        ("supplier", "suppliers"),
        ("line", "lines"),
    ):
        if (number := lots[column].n_unique()) > 1:
            yield f"the lots are of {number} {word}: what these differ by stands in the variation between lots"
    readings = assessment.readings.filter(
        (pl.col("role") == "part") & ~pl.col("excluded") & pl.col("lot").is_in(lots["lot"].to_list())
    )
    by_meter = readings.group_by("meter").agg(pl.col("lot").n_unique()).sort("meter")
    if by_meter.height > 1:
        told = ", ".join(f"{meter} ({count})" for meter, count in by_meter.iter_rows())
        yield f"several meters read the lots (with lots of each: {told}): what the meters differ by stands in these components"
    if not balanced:
        yield "the readings are not balanced: where both methods differ, the likelihood weighs unequal numbers by what they tell"
    for level in levels:
        if level.anova.raw is not None and level.anova.raw < 0:
            yield (
                f"the variance between {level.level}s comes out as \u2212{-level.anova.raw:.2g} by analysis of variance and is taken "
                "as zero; the likelihood counts that in the other components"
            )
