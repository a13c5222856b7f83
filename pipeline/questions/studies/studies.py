"""Gauge studies: from the readings of a run to repeatability, reproducibility, and whether the gauge will do."""

from __future__ import annotations

from math import floor, isfinite, sqrt
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.judge.values.prepare import adjustments_of, exclusions_of, prepare
from pipeline.metrology.units import convert, is_resistivity
from pipeline.near import nearest
from pipeline.questions.provenance import PageContext
from pipeline.questions.studies.cautions import cautions_of, failed_checks, holes
from pipeline.statistics.gauge_study import crossed_study, nested_study
from schemas.reference_tables import REFERENCE_TABLES
from schemas.studies import StudyComponent, StudyPage, StudyResult, StudySource
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.statistics.gauge_study import GaugeStudy
    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["studies", "study_pages"]

STUDY_WIDTH = 6.0
"""Standard deviations that a share of the tolerance spans."""
FEW_CATEGORIES = 5
"""A gauge that tells fewer categories of part apart is called weak (common practice, no source)."""
_ALWAYS_POOLED = -1.0
_CATEGORY_FACTOR = 1.41


def studies(
    assessment: Assessment, events: Sequence[Event], sources: pl.DataFrame, names: Iterable[str] | None = None
) -> dict[str, tuple[StudyResult, pl.DataFrame, pl.DataFrame]]:
    """Evaluate registered studies.

    Parameters
    ----------
    assessment
        With the readings of studies.
    events
        For exclusions and settings.
    sources
        The ledger.
    names
        Which; None means all that are registered.

    Returns
    -------
    dict
        Name -> result, readings as :class:`StudyPage` describes them, and the prepared readings behind them.

    Raises
    ------
    UsageError
        If a study is not registered.
    """
    table = version_at(assessment.tables["studies"], ["run"], None)
    known = table["run"].to_list()
    wanted = sorted(known if names is None else set(names))
    for name in wanted:
        if name not in known:
            raise UsageError(
                f"Study {name!r} does not stand in reference/studies.csv"
                + (nearest(name, known) or f". Known: {', '.join(known) or 'none'}.")
                + " A plan for a new one: annealog study plan"
            )
    if not wanted:
        return {}
    prepared = _prepared(assessment, events, sources, table)
    rows = {row["run"]: row for row in table.iter_rows(named=True)}
    found = {}
    for name in wanted:
        own = prepared.filter(pl.col("run") == name)
        readings = _readings(own, rows[name]["compares"] or "operator", sources)
        found[name] = (_result(rows[name], readings, assessment), readings, own)
    return found


def _prepared(
    assessment: Assessment, events: Sequence[Event], sources: pl.DataFrame, table: pl.DataFrame
) -> pl.DataFrame:
    """Bring the readings of studies to the reference temperature: each part is of the material of its study."""
    raw = assessment.study_readings
    if not raw.height:
        return raw.with_columns(
            pl.lit(None, pl.Float64).alias("value_at_reference"),
            pl.lit(None, pl.String).alias("no_reference_reason"),
            pl.lit(False).alias("excluded"),
        )
    text = pl.col(pl.Categorical).cast(pl.String)
    of_study = raw.with_columns(text)
    # parts of a study may come from any lot, and often from none: the study says what they are made of
    registered = of_study.with_columns(
        pl.when(pl.col("role") == "part").then(pl.col("run")).otherwise("lot").alias("lot")
    )
    lots = REFERENCE_TABLES["lots"].complete(table.select(pl.col("run").alias("lot"), "material", "specification"))
    settings_of_meters = assessment.on_blocks().filter(
        (pl.col("role") == "setting") & pl.col("meter").cast(pl.String).is_in(of_study["meter"].unique().to_list())
    )
    columns = [name for name in of_study.columns if name in settings_of_meters.columns]
    together = pl.concat(
        [registered.select(columns), settings_of_meters.with_columns(text).select(columns)], how="vertical_relaxed"
    )
    prepared = prepare(
        together, {**assessment.tables, "lots": lots}, assessment.settings,
        exclusions=exclusions_of(events, sources), as_of=assessment.as_of, sources=sources,
        adjustments=adjustments_of(events).filter(pl.col("measured_at") <= assessment.as_of),
    )  # fmt: skip
    return prepared.filter(pl.col("role") != "setting").with_columns(pl.col(pl.Categorical).cast(pl.String))


def _readings(own: pl.DataFrame, compares: str, sources: pl.DataFrame) -> pl.DataFrame:
    """Return the readings of one study in time order: what was read, by whom, its value, and why one is left out."""
    names = dict(sources.select("source_id", "name").iter_rows())
    several = own.group_by("part").agg(pl.col("spot").n_unique().alias("_spots"))
    frame = own.join(several, on="part", how="left", nulls_equal=True)
    item = (
        pl.when(pl.col("role") == "block")
        .then("block")
        .when(pl.col("_spots") > 1)
        .then(pl.format("{}, spot {}", pl.col("part"), pl.col("spot").fill_null("?")))
        .otherwise("part")
    )
    note = (
        pl.when("excluded")
        .then(pl.lit("left out by a recorded decision"))
        .when(pl.col("non_reading").is_not_null())
        .then(pl.format("no value: {}", "non_reading"))
        .when(pl.col("value_at_reference").is_null())
        .then(pl.coalesce("no_reference_reason", pl.lit("no value at the reference temperature")))
        .when(item.is_null())
        .then(pl.lit("no part is stated"))
        .when(pl.col(compares).is_null())
        .then(pl.lit(f"no {compares} is stated"))
    )
    return frame.select(
        item.alias("item"),
        pl.col(compares).alias("group"),
        pl.col("value_at_reference").alias("value"),
        pl.col("measured_at").alias("at"),
        "meter",
        "operator",
        pl.col("source_id").replace_strict(names, default=None, return_dtype=pl.String).alias("source"),
        "line",
        note.alias("note"),
    ).sort("at", "source", "line", nulls_last=True)


def _tolerance(row: dict[str, Any], assessment: Assessment) -> tuple[float | None, str | None]:
    """Return the tolerance in the working unit, or why there is none."""
    unit = assessment.settings.unit
    if row["tolerance"] is not None:
        if is_resistivity(row["unit"]) != is_resistivity(unit):
            return None, f"a tolerance in {row['unit']} is no fixed width in {unit}"
        return abs(convert(row["tolerance"], row["unit"], unit)), None
    if row["specification"] is None:
        return None, "the study names no tolerance and no specification"
    table = version_at(assessment.tables["specifications"], ["specification"], assessment.as_of)
    found = table.filter(pl.col("specification") == row["specification"])
    if not found.height:
        return None, f"specification {row['specification']} does not stand in reference/specifications.csv"
    limits = found.row(0, named=True)
    if limits["lower"] is None or limits["upper"] is None:
        return None, f"specification {row['specification']} has one limit only, so there is no width"
    ends = [convert(limits[name], limits["unit"], unit) for name in ("lower", "upper")]
    return abs(ends[1] - ends[0]), None


def _result(row: dict[str, Any], readings: pl.DataFrame, assessment: Assessment) -> StudyResult:
    settings = assessment.settings
    compares = row["compares"] or "operator"
    kind = row["kind"] or "crossed"
    counted = readings.filter(pl.col("note").is_null())
    tolerance, no_tolerance = _tolerance(row, assessment)
    groups = tuple(counted["group"].unique().sort().to_list())
    missing: dict[str, str] = {} if no_tolerance is None else {"percent_of_tolerance": no_tolerance}
    common: dict[str, Any] = {
        "study": row["run"], "kind": kind, "compares": compares, "readings": readings.height,
        "left_out": readings.height - counted.height, "parts": counted["item"].n_unique() if counted.height else 0,
        "groups": groups, "meters": tuple(readings["meter"].unique().sort().to_list()), "unit": settings.unit,
        "reference_temperature_c": settings.reference_temperature_c, "tolerance": tolerance, "study_width": STUDY_WIDTH,
        "first_at": readings["at"].min(), "last_at": readings["at"].max(), "as_of": readings["at"].max() or assessment.as_of,
    }  # fmt: skip
    cautions = cautions_of(row, common, readings, assessment)
    try:
        evaluated, plain = _evaluated(counted, kind, tolerance)
    except ValueError as error:
        reasons = ("No reading of this study was loaded yet.",) if not readings.height else (
            f"The study cannot be evaluated: {error}.", *holes(counted, kind, compares),
        )  # fmt: skip
        nothing = dict.fromkeys(
            (
                "judged_by", "judged_percent", "judged_interval", "percent_of_study", "percent_of_study_interval",
                "percent_of_tolerance", "percent_of_tolerance_interval", "distinct_categories",
                "distinct_categories_interval", "interaction_p_value",
            )
        )  # fmt: skip
        return StudyResult(
            **common, **nothing, state="not_assessed", reasons=reasons, cautions=cautions, repeats=0, components=(),  # type: ignore[arg-type]
            without_interaction=(), sources=(), not_computable={**missing, "components": str(error)},
        )  # fmt: skip
    failed = failed_checks(common, assessment)
    return _judged(common, cautions, missing, evaluated, plain, settings, failed)


def _evaluated(counted: pl.DataFrame, kind: str, tolerance: float | None) -> tuple[GaugeStudy, GaugeStudy | None]:
    """Return the study with its interaction, and, where that can be told apart, without."""
    names: dict[str, Any] = {
        "part": "item", "operator": "group", "value": "value", "tolerance": tolerance, "study_width": STUDY_WIDTH,
    }  # fmt: skip
    if kind == "nested":
        return nested_study(counted, **names), None
    kept = crossed_study(counted, pool_interaction_above=None, **names)
    if "interaction" not in kept.components["source"].to_list():
        return kept, None
    return kept, crossed_study(counted, pool_interaction_above=_ALWAYS_POOLED, **names)


def _components(study: GaugeStudy | None) -> tuple[StudyComponent, ...]:
    if study is None:
        return ()
    return tuple(
        StudyComponent(
            row["source"], row["standard_deviation"], (sqrt(row["low"]), sqrt(row["high"])), row["percent_of_variance"],
            row["percent_of_study"], row["percent_of_tolerance"],
        )
        for row in study.components.iter_rows(named=True)
    )  # fmt: skip


def _categories(interval: tuple[float, float] | None) -> tuple[int, int | None] | None:
    """Return the interval of the number of distinct categories from that of the gauge's share of study variation."""
    if interval is None:
        return None

    def at(percent: float) -> int | None:
        share = percent / 100.0
        if share <= 0:
            return None
        found = _CATEGORY_FACTOR * sqrt(max(1.0 / share**2 - 1.0, 0.0))
        return floor(found) if isfinite(found) else None

    return at(interval[1]) or 0, at(interval[0])


def _judged(
    common: dict[str, Any],
    cautions: tuple[str, ...],
    missing: dict[str, str],
    study: GaugeStudy,
    plain: GaugeStudy | None,
    settings: Settings,
    failed: list[str],
) -> StudyResult:
    components = _components(study)
    gauge = next(component for component in components if component.source == "gauge")
    missing = {**study.not_computable, **missing}
    tolerance = common["tolerance"]
    of_tolerance = None
    if tolerance is not None:
        low, high = (100.0 * STUDY_WIDTH * end / tolerance for end in gauge.interval)
        of_tolerance = (low, high)
    by, percent, interval = "study", study.percent_gauge, study.percent_gauge_interval
    if gauge.percent_of_tolerance is not None:
        by, percent, interval = "tolerance", gauge.percent_of_tolerance, of_tolerance
    categories = study.distinct_categories
    state, reasons = _state(by, percent, interval, categories, components, settings)
    if failed:
        # the figures stay: whoever reads them sees the meter they came from
        state, reasons = "not_assessed", [*failed, *reasons]
    return StudyResult(
        **common,
        state=state,
        reasons=tuple(reasons),
        cautions=cautions,
        repeats=study.repeats,
        judged_by=by if percent is not None else None,
        judged_percent=percent,
        judged_interval=interval,
        percent_of_study=study.percent_gauge,
        percent_of_study_interval=study.percent_gauge_interval,
        percent_of_tolerance=gauge.percent_of_tolerance,
        percent_of_tolerance_interval=of_tolerance,
        distinct_categories=categories,
        distinct_categories_interval=_categories(study.percent_gauge_interval),
        interaction_p_value=study.interaction_p_value,
        components=components,
        without_interaction=_components(plain),
        sources=tuple(StudySource(*line) for line in study.anova.select(_SOURCE).iter_rows()),
        not_computable=missing,
    )


_SOURCE = ["source", "degrees_of_freedom", "sum_of_squares", "mean_square", "f_ratio", "p_value"]


def _state(
    by: str,
    percent: float | None,
    interval: tuple[float, float] | None,
    categories: int | None,
    components: tuple[StudyComponent, ...],
    settings: Settings,
) -> tuple[str, list[str]]:
    """Judge the share of the gauge against the site's two limits, and say whether the study settles it."""
    low, high = settings.study_limits_percent
    gauge = next(component for component in components if component.source == "gauge")

    def word(share: float) -> str:
        return "usable" if share <= low else "limited" if share <= high else "not_usable"

    if percent is None or gauge.standard_deviation <= 0:
        every = next(component for component in components if component.source == "total").standard_deviation <= 0
        if every:
            return "not_assessed", ["All readings are equal, so nothing can be said of their variation."]
        return "not_assessed", ["Repeated readings never differ: their step hides what the gauge adds."]
    state = word(percent)
    what = "the tolerance" if by == "tolerance" else "the variation in the study"
    said = {
        "usable": f"at most {low:g} %",
        "limited": f"between {low:g} % and {high:g} %",
        "not_usable": f"more than {high:g} %",
    }
    reasons = [f"Repeatability and reproducibility together take {percent:.1f} % of {what}: {said[state]}."]
    if interval is not None:
        settled = word(interval[0]) == word(interval[1])
        reasons.append(
            f"The 95 % interval runs from {interval[0]:.1f} % to {interval[1]:.1f} %"
            + ("." if settled else ": it reaches into another class, so the study alone does not settle it.")
        )
    if categories is not None and categories < FEW_CATEGORIES:
        reasons.append(
            f"It tells {categories} {'category' if categories == 1 else 'categories'} of these parts apart, fewer than "
            f"{FEW_CATEGORIES}: it can hardly follow their variation, or the parts were too much alike."
        )
    inner = {component.source: component.standard_deviation for component in components}
    if "reproducibility" in inner:
        larger = "reproducibility" if inner["reproducibility"] > inner["repeatability"] else "repeatability"
        reasons.append(f"The larger share is {larger}.")
    return state, reasons


def study_pages(
    workspace: Workspace,
    assessment: Assessment,
    history: History,
    sources: pl.DataFrame,
    names: Iterable[str] | None = None,
) -> Iterable[StudyPage]:
    """Return the pages of studies, by name."""
    if not assessment.tables["studies"].height:
        return []
    context = PageContext(workspace, assessment, sources)
    return [
        StudyPage(result, readings, context.provenance(own, result.as_of, result, readings))
        for result, readings, own in studies(assessment, history.decisions(), sources, names).values()
    ]
