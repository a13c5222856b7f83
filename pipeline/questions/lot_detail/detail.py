"""What is computed of a lot only when it is shown: conditions of its capability, components, suspect values, materials."""

from __future__ import annotations

from collections import Counter
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import polars as pl
import scipy

from pipeline.metrology.units import convert
from pipeline.questions.lot_detail.capability import capability_detail
from pipeline.questions.lot_detail.material import heat_treatment_detail, material_detail
from pipeline.statistics.acceptance import accept_by_k, operating_characteristic
from pipeline.statistics.components import variance_components
from pipeline.statistics.grouping import NO_VALUE as NOT_GROUPED
from pipeline.statistics.grouping import two_groups_by_lot
from pipeline.statistics.normality import NO_VALUE as NOT_TESTED
from pipeline.statistics.normality import anderson_darling_by_lot
from pipeline.statistics.outliers import generalised_extreme_studentized_deviate, grubbs, tietjen_moore
from schemas.lot_detail import (
    ComponentLine,
    ComponentsDetail,
    EarlierLot,
    LotDetail,
    PlanDetail,
    SuspectsDetail,
    SuspectValue,
)
from schemas.versions import intervals

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from pipeline.judge.assessment import Assessment
    from schemas.results import LotResult

__all__ = ["LotDetails", "earlier_lots"]

_EARLIER_LOTS = 20
_SIGNIFICANCE = 0.05
_MOST_OUTLIERS = 10
_FEWEST_TESTED = 8
_MOST_TESTED = 20_000
_MOST_TOGETHER = 1_000
"""Part means whose critical value is simulated; a larger lot would wait for it."""


class LotDetails:
    """Computes the details of lots of one assessment.

    Parameters
    ----------
    assessment
        With results, part values and spot values.
    behind
        From :func:`earlier_lots`, of those that will be asked for: what is found of all at once is, and spots of lots to compare
        with are gathered once.
    """

    def __init__(self, assessment: Assessment, behind: Mapping[str, list[str]]) -> None:
        self._assessment, self._behind = assessment, behind
        lots = list(behind)
        own = assessment.part_values
        own = own.filter(pl.col("lot").is_in(lots)) if own.height else own
        self._shape = anderson_darling_by_lot(own) if own.height else {}
        self._grouping = two_groups_by_lot(own) if own.height else {}
        wanted = sorted({name for names in behind.values() for name in names})
        glance = assessment.lots_at_a_glance().filter(pl.col("lot").is_in(wanted))
        glance = glance.select("lot", "first_at", "mean", "verdict")
        self._at_a_glance = {row["lot"]: row for row in glance.iter_rows(named=True)}
        spots = assessment.spot_values
        self._spots: dict[str, pl.DataFrame] = {}
        if spots.height:
            kept = spots.filter(pl.col("lot").is_in(wanted)).select(_OF_SPOT)
            parted = kept.partition_by("lot", as_dict=True, maintain_order=True)
            self._spots = {str(key[0]): frame for key, frame in parted.items()}
        versions = intervals(assessment.tables["specifications"], ["specification"]).to_dicts()
        self._versions = {
            name: list(rows) for name, rows in groupby(versions, key=lambda row: str(row["specification"]))
        }
        table = assessment.tables.get("material_ranges")
        self._ranges = table if table is not None and table.height else None

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
        """
        parts = parts if parts["order"].is_sorted() else parts.sort("order")
        means = parts["mean"].to_numpy()
        names = ["" if part is None else str(part) for part in parts["part"].to_list()]
        grouping, shape = self._grouping.get(result.lot, NOT_GROUPED), self._shape.get(result.lot, NOT_TESTED)
        material = material_detail(result, parts, readings, self._ranges, grouping)
        size, version = self._assessment.settings.subgroup_size, self._specification(result)
        return LotDetail(
            capability_detail(
                result,
                means,
                names,
                size,
                shape=shape,
                mixed=bool(material.groups.found),
                target=_target(version, result.unit),
            ),
            self._components(result.lot),
            _suspects(parts, spots, readings),
            _plan(version, result, spots),
            material,
            heat_treatment_detail(result, material),
            self._earlier(result.lot),
        )

    def _earlier(self, lot: str) -> tuple[EarlierLot, ...]:
        names = [name for name in self._behind[lot] if name != lot]
        return tuple(EarlierLot(**self._at_a_glance[name]) for name in names)

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

    def _specification(self, result: LotResult) -> dict[str, Any] | None:
        """Return the version of the lot's specification that held when it was read."""
        if result.specification is None:
            return None
        at = result.last_at or result.as_of
        held = [row for row in self._versions.get(result.specification, ()) if row["holds_from"] <= at]
        return held[-1] if held else None


def _target(version: dict[str, Any] | None, unit: str) -> float | None:
    if version is None or version["target"] is None or version["unit"] is None:
        return None
    return convert(version["target"], version["unit"], unit)


def _plan(version: dict[str, Any] | None, result: LotResult, spots: pl.DataFrame) -> PlanDetail | None:
    if result.conforms_by != "k_method" or version is None:
        return None
    of_part = spots.group_by("part", maintain_order=True).agg(pl.col("mean_in_limits_unit").mean())
    values = of_part["mean_in_limits_unit"].drop_nulls().to_numpy()
    n, k = int(values.size), version["k"]
    mean = float(values.mean()) if n else None
    deviation = float(values.std(ddof=1)) if n > 1 else None
    judged = accept_by_k(
        n, mean, deviation, k, version["lower"], version["upper"], version["most_nonconforming_percent"]
    )
    size = version["parts"] or n
    at, curve = _operating_curve(size, k) if k is not None and size > 1 else ({}, _NO_CURVE)
    return PlanDetail(
        n, version["parts"], k, judged.accepted, judged.rule, judged.quality_lower, judged.quality_upper,
        judged.nonconforming, judged.most_nonconforming, judged.reason, at, curve,
    )  # fmt: skip


_OF_SPOT = ["lot", "part", "spot", "readings", "mean", "ss_within", "df_within"]
_OF_COMPONENT = [
    "level", "degrees_of_freedom", "raw", "variance", "standard_deviation", "low", "high", "f_ratio", "p_value", "reason",
]  # fmt: skip
_NO_CURVE = pl.DataFrame(schema={"nonconforming": pl.Float64, "accepted": pl.Float64})


_SERIES = ["product", "supplier", "specification"]


def _series_with(all_lots: pl.DataFrame, lots: list[str]) -> list[list[str]]:
    """Return the series, each in order of time, that hold some of the lots; one without product or specification is in none."""
    placed = all_lots.filter(pl.all_horizontal(pl.col("product", "specification", "first_at").is_not_null()))
    asked = placed.filter(pl.col("lot").is_in(lots)).select(_SERIES).unique()
    members = placed.join(asked, on=_SERIES, how="semi", nulls_equal=True).sort(*_SERIES, "first_at", "lot")
    return [group["lot"].to_list() for group in members.partition_by(_SERIES, maintain_order=True)]


def earlier_lots(all_lots: pl.DataFrame, lots: Iterable[str]) -> dict[str, list[str]]:
    """Return for each lot itself and the last lots before it of the same product, supplier and specification.

    Parameters
    ----------
    all_lots
        From :meth:`pipeline.judge.assess.Assessment.lots_at_a_glance`.
    lots
        Which ones are asked for; one without a product or a specification stands alone.
    """
    wanted = list(lots)
    found = {lot: [lot] for lot in wanted}
    for names in _series_with(all_lots, wanted):
        for n, name in enumerate(names):
            if name in found:
                found[name] = names[max(0, n - _EARLIER_LOTS) : n + 1]
    return found


def _with_share(line: ComponentLine, total: float) -> ComponentLine:
    """Add the share of the variance inside the lot."""
    if line.level == "lot" or line.variance is None or total <= 0:
        return line
    given = {name: getattr(line, name) for name in ComponentLine.__slots__}
    return ComponentLine(**{**given, "share": line.variance / total})


def _operating_curve(n: int, k: float) -> tuple[dict[str, float], pl.DataFrame]:
    """Return the fractions nonconforming accepted with 95, 50 and 10 percent chance, and points of the curve."""

    def accepted(z: float) -> float:
        return float(operating_characteristic(float(scipy.special.ndtr(-z)), n, k))

    def fraction(chance: float) -> float:
        reach = 8.0  # Φ(−8) is 6e-16: what lies beyond is nobody's plan
        low, high = -reach, reach
        if accepted(low) > chance:
            return float(scipy.special.ndtr(reach))
        if accepted(high) < chance:
            return float(scipy.special.ndtr(-reach))
        return float(scipy.special.ndtr(-scipy.optimize.brentq(lambda z: accepted(z) - chance, low, high, xtol=1e-9)))

    largest = fraction(0.02)
    grid = largest * np.linspace(0.0, 1.0, 21)[1:]
    curve = pl.DataFrame({"nonconforming": grid, "accepted": operating_characteristic(grid, n, k)})
    return {f"{chance:.0%}".rstrip("%"): fraction(chance) for chance in (0.95, 0.50, 0.10)}, curve


class _Tested(NamedTuple):
    """A value that is tested beside the others of its group."""

    part: str | None
    spot: str | None
    source: str | None
    line: int | None
    value: float
    group: str | tuple[str, str | None] = ""


def _in_groups(rows: Iterable[_Tested]) -> list[_Tested]:
    """Return the values that are not alone in their group, in an order that does not depend on that of loading; None is last."""
    rows = list(rows)
    sizes = Counter(row.group for row in rows)

    def place(row: _Tested) -> list[tuple[bool, Any]]:
        first = row.group if isinstance(row.group, tuple) else (row.group,)
        return [(name is None, name) for name in (*first, row.source, row.line, row.spot, row.part)]

    return sorted([row for row in rows if sizes[row.group] > 1], key=place)


def _levels(parts: pl.DataFrame, spots: pl.DataFrame, readings: pl.DataFrame) -> dict[str, list[_Tested]]:
    """Return part means, spot means by part, and single readings by spot; on lists, for frames of a lot are small."""

    def rows(frame: pl.DataFrame, *names: str) -> Iterator[tuple[Any, ...]]:
        return zip(*(frame[name].to_list() for name in names), strict=True)

    single = (
        _Tested(part, spot, source, line, value, (part, spot))
        for part, spot, source, line, value, excluded, count in rows(
            readings, "part", "spot", "source", "line", "value_at_reference", "excluded", "count"
        )
        if not excluded and value is not None and part is not None and count in (None, 1)
    )
    by_part = rows(spots, "part", "spot", "mean")
    return {
        "part": _in_groups(_Tested(part, None, None, None, mean) for part, mean in rows(parts, "part", "mean")),
        "spot": _in_groups(
            _Tested(part, spot, None, None, mean, part) for part, spot, mean in by_part if part is not None
        ),
        "reading": _in_groups(single),
    }


def _suspects(parts: pl.DataFrame, spots: pl.DataFrame, readings: pl.DataFrame) -> SuspectsDetail:
    """Test part means, spots inside their part and readings on their spot for outliers."""
    found: list[SuspectValue] = []
    tested: dict[str, str] = {}
    for level, rows in _levels(parts, spots, readings).items():
        n = len(rows)
        if not _FEWEST_TESTED <= n <= _MOST_TESTED:
            bound = f"at least {_FEWEST_TESTED}" if n < _FEWEST_TESTED else f"at most {_MOST_TESTED}"
            tested[level] = f"{n} values; the tests need {bound}"
            continue
        numbers = {group: number for number, group in enumerate(dict.fromkeys(row.group for row in rows))}
        values, groups = np.array([row.value for row in rows]), np.array([numbers[row.group] for row in rows])
        tested[level] = f"{n} values"
        most = max(1, min(_MOST_OUTLIERS, n // 5))
        general = generalised_extreme_studentized_deviate(values, groups, most=most, significance=_SIGNIFICANCE)
        hits = {
            place: (general.statistics[i], general.criticals[i], ["generalised"])
            for i, place in enumerate(general.places)
        }
        if level == "part":
            one = grubbs(values, significance=_SIGNIFICANCE)
            if one.outlier and one.place is not None and one.statistic is not None and one.critical is not None:
                hits.setdefault(one.place, (one.statistic, one.critical, []))[2].insert(0, "Grubbs")
            # the number comes from the generalised test, so this one only says whether those values stand out together
            if len(general.places) >= 2 and n <= _MOST_TOGETHER:
                together = tietjen_moore(values, len(general.places), significance=_SIGNIFICANCE)
                for place in set(together.places) & set(hits) if together.outlying else ():
                    hits[place][2].append("Tietjen-Moore")
        kept = np.ones(n, dtype=bool)
        kept[list(hits)] = False
        for place, (statistic, critical, tests) in hits.items():
            row = rows[place]
            others = values[kept & (groups == groups[place])]
            deviation = float(values[place] - others.mean()) if others.size else None
            found.append(
                SuspectValue(
                    level, row.part, row.spot, row.source, row.line, row.value, deviation, statistic,
                    critical, " and ".join(tests),
                )
            )  # fmt: skip
    return SuspectsDetail(tuple(found), tested, _SIGNIFICANCE)
