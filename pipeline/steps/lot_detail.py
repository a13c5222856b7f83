"""What is computed of a lot only when it is shown: conditions of its capability, components, suspect values, materials."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from scipy import optimize, special

from pipeline.metrology.material_fit import fit_ranges
from pipeline.metrology.units import convert, is_resistivity
from pipeline.statistics.acceptance import accept_by_k, operating_characteristic
from pipeline.statistics.components import variance_components
from pipeline.statistics.fraction_outside import fraction_outside, observed_fraction
from pipeline.statistics.grouping import two_groups
from pipeline.statistics.normality import Normality, anderson_darling
from pipeline.statistics.outliers import generalised_extreme_studentized_deviate, grubbs
from pipeline.statistics.quantiles import DEFINITIONS, pearson_iii_scores, quantile_capability, values_needed
from pipeline.statistics.stability import Stability, stability
from schemas.lot_detail import (
    CapabilityDetail,
    ComponentLine,
    ComponentsDetail,
    ExpectedOutside,
    GroupsDetail,
    LotDetail,
    MaterialDetail,
    MaterialLine,
    NormalityDetail,
    OrderSignal,
    PartMaterial,
    PlanDetail,
    QuantileIndices,
    StabilityDetail,
    SuspectsDetail,
    SuspectValue,
)
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.steps.assess import Assessment
    from schemas.results import LotResult

__all__ = ["LotDetails"]

INDICATIVE = 25
"""Fewer subgroups than this make a capability figure indicative."""

NORMAL_FROM = 0.05
"""From this p on part means can be normal."""

_EARLIER_LOTS = 20
_SIGNIFICANCE = 0.05
_MOST_OUTLIERS = 10
_FEWEST_TESTED = 8
_MOST_TESTED = 20_000


class LotDetails:
    """Computes the details of lots of one assessment.

    Parameters
    ----------
    assessment
        With results, part values and spot values.
    lots
        Which ones will be asked for: spots of lots to compare with are gathered once.
    """

    def __init__(self, assessment: Assessment, lots: Iterable[str]) -> None:
        self._assessment = assessment
        self._behind = self._earlier_lots(list(lots))
        wanted = sorted({name for names in self._behind.values() for name in names})
        spots = assessment.spot_values
        self._spots: dict[str, pl.DataFrame] = {}
        if spots.height:
            kept = spots.filter(pl.col("lot").is_in(wanted)).select(_OF_SPOT)
            parted = kept.partition_by("lot", as_dict=True, maintain_order=True)
            self._spots = {str(key[0]): frame for key, frame in parted.items()}
        table = assessment.tables.get("material_ranges")
        self._ranges = table if table is not None and table.height else None

    def _earlier_lots(self, lots: Sequence[str]) -> dict[str, list[str]]:
        """Return for each lot itself and the last lots before it of the same product, supplier and specification."""
        results = self._assessment.lots
        series: dict[tuple[object, ...], list[tuple[Any, str]]] = {}
        for name, result in results.items():
            if result.first_at is not None:
                series.setdefault(_series(result), []).append((result.first_at, name))
        place: dict[str, tuple[list[tuple[Any, str]], int]] = {}
        for members in series.values():
            members.sort()
            place |= {name: (members, n) for n, (_, name) in enumerate(members)}
        found = {}
        for lot in lots:
            result = results[lot]
            found[lot] = [lot]
            if lot in place and None not in (result.product, result.specification):
                members, n = place[lot]
                found[lot] = [name for _, name in members[max(0, n - _EARLIER_LOTS) : n + 1]]
        return found

    def of(self, result: LotResult, parts: pl.DataFrame, spots: pl.DataFrame, readings: pl.DataFrame) -> LotDetail:
        """Return the details of one lot.

        Parameters
        ----------
        result
            The lot's result.
        parts
            Its part values, by order: part, mean, readings.
        spots
            Its spot values: part, spot, mean, mean_in_limits_unit.
        readings
            Its readings as the page shows them.

        Returns
        -------
        LotDetail
        """
        parts = parts.sort("order")
        means = parts["mean"].to_numpy()
        names = ["" if part is None else str(part) for part in parts["part"].to_list()]
        material = self._material(result, parts, readings)
        size = self._assessment.settings.subgroup_size
        return LotDetail(
            _capability(result, means, names, size, mixed=bool(material.groups.found)),
            self._components(result.lot),
            _suspects(parts, spots, readings),
            self._plan(result, spots),
            material,
        )

    def _components(self, lot: str) -> ComponentsDetail | None:
        if lot not in self._spots:
            return None
        # the lots behind a page are those of its own time, so an assessment of one lot alone would show less
        behind = [name for name in self._behind[lot] if name in self._spots]
        found = variance_components(pl.concat([self._spots[name] for name in behind]))
        own = variance_components(self._spots[lot]) if len(behind) > 1 else found
        lines = []
        for row in own.table.iter_rows(named=True):
            if row["level"] == "lot":
                row = found["lot"]
            lines.append(ComponentLine(share=None, **{name: row[name] for name in _OF_COMPONENT}))
        total = sum(line.variance for line in lines if line.variance is not None and line.level != "lot")
        lines = [_with_share(line, total) for line in lines]
        inside = [line for line in lines if line.share is not None]
        largest = max(inside, key=lambda line: line.share or 0.0, default=None)
        return ComponentsDetail(
            tuple(lines),
            len(behind),
            own.balanced and found.balanced,
            own.interval_method if not own.balanced or found.balanced else found.interval_method,
            None if largest is None or not total else largest.level,
        )

    def _plan(self, result: LotResult, spots: pl.DataFrame) -> PlanDetail | None:
        if result.conforms_by != "k_method" or result.specification is None:
            return None
        table = self._assessment.tables["specifications"].filter(pl.col("specification") == result.specification)
        row = version_at(table, ["specification"], result.last_at or result.as_of).row(0, named=True)
        of_part = spots.group_by("part", maintain_order=True).agg(pl.col("mean_in_limits_unit").mean())
        values = of_part["mean_in_limits_unit"].drop_nulls().to_numpy()
        n, k = int(values.size), row["k"]
        mean = float(values.mean()) if n else None
        deviation = float(values.std(ddof=1)) if n > 1 else None
        judged = accept_by_k(n, mean, deviation, k, row["lower"], row["upper"])
        size = row["parts"] or n
        at, curve = _operating_curve(size, k) if k is not None and size > 1 else ({}, _NO_CURVE)
        return PlanDetail(
            n, row["parts"], k, judged.accepted, judged.rule, judged.quality_lower, judged.quality_upper,
            judged.nonconforming, judged.most_nonconforming, judged.reason, at, curve,
        )  # fmt: skip

    def _material(self, result: LotResult, parts: pl.DataFrame, readings: pl.DataFrame) -> MaterialDetail:
        groups = _groups(parts, readings)
        nothing = MaterialDetail(None, result.mean, None, result.material, None, 0, (), (), groups)

        def unknown(reason: str) -> MaterialDetail:
            return MaterialDetail(reason, *(getattr(nothing, name) for name in MaterialDetail.__slots__[1:]))

        if self._ranges is None:
            return unknown("reference/material_ranges.csv holds no range")
        if result.mean is None:
            return unknown("no part has a value at the reference temperature")
        if not result.expanded_uncertainty or not result.coverage_factor:
            return unknown(
                "the uncertainty of the mean is not known: "
                + result.not_computable.get("expanded_uncertainty", "it is zero")
            )
        at = result.last_at or result.as_of
        ranges = _in_unit(version_at(self._ranges, ["material", "temper"], at), result.unit)
        u = result.expanded_uncertainty / result.coverage_factor
        per_part = [_part_uncertainty(result, n, u) for n in parts["readings"].to_list()]
        fit = fit_ranges(
            [result.mean, *parts["mean"].to_list()], [u, *per_part], ranges["low"], ranges["high"], ranges["weight"],
            result.coverage_factor,
        )  # fmt: skip
        rows = ranges.to_dicts()
        order = sorted(range(len(rows)), key=lambda i: (-fit.probability[0, i], fit.distance[0, i], i))
        lines = tuple(_line(rows[i], fit.probability[0, i], fit.likelihood[0, i], fit.distance[0, i], fit.fits[0, i]) for i in order)  # fmt: skip
        of_parts = []
        for place, (name, mean) in enumerate(parts.select("part", "mean").iter_rows(), start=1):
            best = int(np.argmax(np.where(fit.fits[place], fit.probability[place], -1.0)))
            likely = rows[best] if fit.fits[place].any() else None
            of_parts.append(
                PartMaterial(
                    "" if name is None else str(name),
                    mean,
                    None if likely is None else likely["material"],
                    None if likely is None else likely["temper"],
                    None if likely is None else float(fit.probability[place, best]),
                    int(fit.fits[place].sum()),
                )
            )
        own = [line for line in lines if line.material == result.material]
        return MaterialDetail(
            None, result.mean, u, result.material, any(line.fits for line in own) if own else None,
            sum(line.fits for line in lines), lines, tuple(of_parts), groups,
        )  # fmt: skip


_OF_SPOT = ["lot", "part", "spot", "readings", "mean", "ss_within", "df_within"]
_OF_COMPONENT = [
    "level", "degrees_of_freedom", "raw", "variance", "standard_deviation", "low", "high", "f_ratio", "p_value", "reason",
]  # fmt: skip
_NO_CURVE = pl.DataFrame(schema={"nonconforming": pl.Float64, "accepted": pl.Float64})


def _series(result: LotResult) -> tuple[object, ...]:
    return result.product, result.supplier, result.specification


def _with_share(line: ComponentLine, total: float) -> ComponentLine:
    """Add the share of the variance inside the lot."""
    if line.level == "lot" or line.variance is None or total <= 0:
        return line
    given = {name: getattr(line, name) for name in ComponentLine.__slots__}
    return ComponentLine(**{**given, "share": line.variance / total})


_UNSTABLE = "the parts, in the order of measuring, do not come from one stable process"
_MIXED = "the part means fall into two groups, so there is no one process to speak of"


def _capability(
    result: LotResult, means: np.ndarray, names: list[str], subgroup_size: int, *, mixed: bool
) -> CapabilityDetail:
    order = stability(means)
    shape = anderson_darling(means)
    normal = None if shape.p_value is None else shape.p_value >= NORMAL_FROM
    unstable = order.state == "unstable"
    subgroups = result.parts if subgroup_size == 1 else -(-result.parts // subgroup_size)
    side, lost = None, None
    if result.mean is not None:
        distances = {
            name: sign * (limit - result.mean)
            for name, limit, sign in (("lower", result.lower, -1.0), ("upper", result.upper, 1.0))
            if limit is not None
        }
        side = min(distances, key=lambda name: distances[name], default=None)
    if result.pp and result.ppk is not None:
        lost = 1.0 - result.ppk / result.pp
    return CapabilityDetail(
        headline=not (unstable or mixed),
        headline_reason=_MIXED if mixed else _UNSTABLE if unstable else None,
        subgroups=subgroups,
        indicative=subgroups < INDICATIVE,
        stability=_order(order, names),
        normality=NormalityDetail(
            shape.values, shape.statistic, shape.corrected_statistic, shape.p_value, normal, shape.reason
        ),
        quantile=_quantiles(means, result.lower, result.upper, shape, normal),
        outside=_outside(result, means),
        limiting_side=side,
        lost_off_centre=lost,
    )


def _order(order: Stability, names: list[str]) -> StabilityDetail:
    return StabilityDetail(
        order.state,
        order.reason,
        order.points,
        tuple(
            OrderSignal(s.rule, s.title, None if s.place is None else names[s.place - 1], s.place, s.length, s.decides)
            for s in order.signals
        ),
        order.autocorrelation,
        order.autocorrelation_bound,
        order.independent,
    )


def _quantiles(
    means: np.ndarray, lower: float | None, upper: float | None, shape: Normality, normal: bool | None
) -> QuantileIndices:
    """Return indices from quantiles where the moment indices do not hold, by the first definition that can be had."""

    def none(reason: str, fit: float | None = None) -> QuantileIndices:
        missing = dict.fromkeys(("quantile_pp", "quantile_ppk"), reason)
        return QuantileIndices(None, None, None, None, None, None, fit, missing)

    if normal is None:
        return none(f"the shape was not tested: {shape.reason}")
    if normal:
        return none("the part means can be normal, so the index from mean and standard deviation holds")
    fit_p: float | None = None
    needed = values_needed("type_6")
    if means.size >= needed:
        found = quantile_capability(means, lower, upper, definition="type_6")
    else:
        fit_p = anderson_darling(pearson_iii_scores(means)).p_value
        if fit_p is None or fit_p < NORMAL_FROM:
            return none(
                f"{means.size} part means are too few for their own quantiles (at least {needed}), and no distribution "
                "that was tried follows them",
                fit_p,
            )
        found = quantile_capability(means, lower, upper, definition="pearson_iii")
    return QuantileIndices(
        found.quantile_pp, found.quantile_ppk, DEFINITIONS[found.definition], found.low_quantile, found.median,
        found.high_quantile, fit_p, found.not_computable,
    )  # fmt: skip


def _outside(result: LotResult, means: np.ndarray) -> ExpectedOutside:
    lower, upper = result.lower, result.upper
    expected = fraction_outside(result.parts, result.mean, result.standard_deviation, lower, upper)
    if not means.size or (lower is None and upper is None):
        return ExpectedOutside(
            0, None, None, None, None, None, None, conservative=False, reason=expected.reason or "no part was measured"
        )
    beyond = np.zeros(means.size, dtype=bool)
    if lower is not None:
        beyond |= means < lower
    if upper is not None:
        beyond |= means > upper
    counted = int(beyond.sum())
    observed, interval = observed_fraction(counted, int(means.size))
    return ExpectedOutside(
        counted, observed, interval, expected.below, expected.above, expected.total, expected.interval,
        expected.conservative, expected.reason,
    )  # fmt: skip


def _operating_curve(n: int, k: float) -> tuple[dict[str, float], pl.DataFrame]:
    """Return the fractions nonconforming accepted with 95, 50 and 10 percent chance, and points of the curve."""

    def accepted(z: float) -> float:
        return float(operating_characteristic(float(special.ndtr(-z)), n, k))

    def fraction(chance: float) -> float:
        reach = 8.0  # Φ(−8) is 6e-16: what lies beyond is nobody's plan
        low, high = -reach, reach
        if accepted(low) > chance:
            return float(special.ndtr(reach))
        if accepted(high) < chance:
            return float(special.ndtr(-reach))
        return float(special.ndtr(-optimize.brentq(lambda z: accepted(z) - chance, low, high, xtol=1e-9)))

    largest = fraction(0.02)
    grid = largest * np.linspace(0.0, 1.0, 21)[1:]
    curve = pl.DataFrame({"nonconforming": grid, "accepted": operating_characteristic(grid, n, k)})
    return {f"{chance:.0%}".rstrip("%"): fraction(chance) for chance in (0.95, 0.50, 0.10)}, curve


def _suspects(parts: pl.DataFrame, spots: pl.DataFrame, readings: pl.DataFrame) -> SuspectsDetail:
    """Test part means, spots inside their part and readings on their spot for outliers."""
    found: list[SuspectValue] = []
    tested: dict[str, str] = {}
    single = readings.filter(
        ~pl.col("excluded")
        & pl.col("value_at_reference").is_not_null()
        & pl.col("part").is_not_null()
        & (pl.col("count").fill_null(1) == 1)
    )
    nothing = {name: pl.lit(None) for name in ("spot", "source", "line")}
    levels = {
        "part": parts.select("part", value="mean", deviation=pl.col("mean") - pl.col("mean").mean(), **nothing),
        "spot": _inside(
            spots.select("part", "spot", value="mean", source=pl.lit(None), line=pl.lit(None)), ["part"]
        ),
        "reading": _inside(
            single.select("part", "spot", "source", "line", value="value_at_reference"), ["part", "spot"]
        ),
    }  # fmt: skip
    for level, frame in levels.items():
        n = frame.height
        if not _FEWEST_TESTED <= n <= _MOST_TESTED:
            bound = f"at least {_FEWEST_TESTED}" if n < _FEWEST_TESTED else f"at most {_MOST_TESTED}"
            tested[level] = f"{n} values; the tests need {bound}"
            continue
        values = frame["deviation"].to_numpy()
        tested[level] = f"{n} values"
        most = max(1, min(_MOST_OUTLIERS, n // 5))
        general = generalised_extreme_studentized_deviate(values, most=most, significance=_SIGNIFICANCE)
        hits = {place: (general.statistics[i], general.criticals[i], ["generalised"]) for i, place in enumerate(general.places)}  # fmt: skip
        if level == "part":
            one = grubbs(values, significance=_SIGNIFICANCE)
            if one.outlier and one.place is not None and one.statistic is not None and one.critical is not None:
                hits.setdefault(one.place, (one.statistic, one.critical, []))[2].insert(0, "Grubbs")
        for place, (statistic, critical, tests) in hits.items():
            row = frame.row(place, named=True)
            found.append(
                SuspectValue(
                    level, row["part"], row["spot"], row["source"], row["line"], row["value"], row["deviation"],
                    statistic, critical, " and ".join(tests),
                )
            )  # fmt: skip
    return SuspectsDetail(tuple(found), tested, _SIGNIFICANCE)


def _inside(frame: pl.DataFrame, group: list[str]) -> pl.DataFrame:
    """Add deviations from the mean of the own group, widened so that small and large groups can be set side by side."""
    n = pl.len().over(group)
    mean = pl.col("value").mean().over(group)
    return (
        frame.with_columns(n=n, deviation=pl.col("value") - mean)
        .filter(pl.col("n") > 1)
        .with_columns(pl.col("deviation") * (pl.col("n") / (pl.col("n") - 1)).sqrt())
    )


def _groups(parts: pl.DataFrame, readings: pl.DataFrame) -> GroupsDetail:
    found = two_groups(parts["mean"].to_numpy())
    lower: tuple[str, ...] = ()
    upper: tuple[str, ...] = ()
    differ = False
    if found.found and found.lower_count is not None:
        by_mean = parts.sort("mean", "order")["part"].cast(pl.String).fill_null("").to_list()
        in_lower = set(by_mean[: found.lower_count])
        names = parts["part"].cast(pl.String).fill_null("").to_list()
        lower = tuple(name for name in names if name in in_lower)
        upper = tuple(name for name in names if name not in in_lower)
        meters = [set(readings.filter(pl.col("part").is_in(group))["meter"]) for group in (lower, upper)]
        differ = bool(meters[0]) and bool(meters[1]) and not meters[0] & meters[1]
    return GroupsDetail(
        found.found, found.reason, found.p_value, found.separation, found.lower_mean, found.upper_mean,
        found.within_standard_deviation, lower, upper, differ,
    )  # fmt: skip


def _in_unit(ranges: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Add low and high in the working unit; between conductivity and resistivity the two ends change places."""
    ends = []
    for lower, upper, given in ranges.select("lower", "upper", "unit").iter_rows():
        pair = [convert(lower, given, unit), convert(upper, given, unit)]
        ends.append(pair[::-1] if is_resistivity(given) != is_resistivity(unit) else pair)
    return ranges.with_columns(
        pl.Series("low", [pair[0] for pair in ends], dtype=pl.Float64),
        pl.Series("high", [pair[1] for pair in ends], dtype=pl.Float64),
        pl.col("weight").fill_null(1.0),
        pl.col("example").fill_null(value=False),
    ).sort("low", "high", "material", "temper", nulls_last=False)


def _part_uncertainty(result: LotResult, readings: int, of_mean: float) -> float:
    """Return the standard uncertainty of one part mean: what does not average stays, what does is of fewer readings.

    A known bias that was not corrected is spread over the coverage factor, as it is in the uncertainty of the lot's mean.
    """
    budget = next((b for b in result.budgets if b.of == "part" and b.standard_uncertainty and b.coverage_factor), None)
    lines, behind = (budget.contributions, budget.readings) if budget else (result.contributions, result.readings)
    if not lines:
        return of_mean
    fewer = behind / max(readings, 1)
    bias = abs(budget.uncorrected_bias) / budget.coverage_factor if budget and budget.coverage_factor else 0.0
    return sqrt(sum(c.standard_uncertainty**2 * (fewer if c.averages else 1.0) for c in lines)) + bias or of_mean


def _line(row: dict[str, Any], probability: float, likelihood: float, distance: float, fits: bool) -> MaterialLine:
    p = float(probability)
    return MaterialLine(
        row["material"], row["temper"], row["low"], row["high"], float(distance), bool(fits), float(likelihood), p,
        p / (1.0 - p) if p < 1.0 else None, row["source"], row["example"],
    )  # fmt: skip
