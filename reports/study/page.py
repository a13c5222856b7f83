"""The page of a gauge study: will the gauge do, what to improve, and every reading behind that."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from reports.kit.address import address
from reports.kit.charts import figure, svg
from reports.kit.links import linked
from reports.kit.marks import GROUPS
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact, decimals_for, finite, fixed, significant
from reports.kit.page import Masthead, behind, document, p_in_words, p_told, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.tables import Heading, Numbered, best_order, capped, caption, facts, table
from reports.study import charts as plots
from reports.words import general
from reports.words import study as words
from schemas.studies import StudyPage, StudyResult

if TYPE_CHECKING:
    from reports.kit.charts import Plot
    from schemas.studies import StudyComponent

__all__ = ["REPORT", "render"]

MOST_ROWS = 400
_C = words.COLUMN


def render(page: StudyPage) -> str:
    """Render the page of a gauge study.

    Parameters
    ----------
    page
        The study with its readings.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here, unit = address("study", result.study), unit_in_words(result.unit)
    word = words.STATE.get(result.state, result.state)
    readings = best_order(page.readings, ("at", "source", "line"))
    points = join(element("li", point) for point in _points(result, unit))
    charts = _charts(readings, result, numbered, unit)
    body = [
        verdict(words.TONE[result.state], word, result.reasons, _steps(result)),
        section("points", element("ul", points, class_="points")),
    ]
    if result.cautions:
        cautions = (element("li", shorten(caution, 300)) for caution in result.cautions)
        body.append(_section("cautions_of", element("ul", *cautions)))
    body.append(_section("charts", *(charts or [element("p", _no_components(result))]), wide=True))
    if result.components:
        body += [
            _section("components", _components_table(result, numbered.table(), unit), wide=True),
            behind(_section("anova", _anova_table(result, numbered.table()), wide=True)),
        ]
    body.append(behind(_section("method", facts(_method(result, unit)))))
    if readings.height:
        annex = _readings_table(readings, result, numbered.table(), clock, here, unit)
        body.append(behind(_section("annex", annex, wide=True), general.counted(readings.height, "reading")))
    said = [words.FRAGMENT["from"].format(kind=result.kind, first=clock.minute(result.first_at), last=f"{clock.minute(result.last_at)} {clock.zone}")] if result.first_at else [result.kind]  # fmt: skip
    head = Masthead(
        kind=words.FRAGMENT["study"],
        name=result.study,
        heading=isolated(result.study, 80),
        what=join([*said, join([linked(here, "meter", meter) for meter in result.meters], ", ")], " · "),
        title=f"{word}: {shorten(result.study, 60)}",
    )
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="study", page=StudyPage, render=render)


def _section(name: str, *content: object, wide: bool = False) -> Html:
    return section(name, *content, heading=words.SECTION[name], wide=wide)


def _groups(result: StudyResult) -> str:
    return words.COMPARES.get(result.compares, result.compares)


def _names(result: StudyResult) -> dict[str, str]:
    return {key: name.format(groups=_groups(result), group=result.compares) for key, name in words.SOURCE.items()}


def _no_components(result: StudyResult) -> str:
    reason = result.not_computable.get("components") or " ".join(result.reasons[:1])
    return words.FRAGMENT["no_components"].format(reason=shorten(reason.rstrip("."), 300))


def _of(result: StudyResult, source: str) -> StudyComponent | None:
    return next((component for component in result.components if component.source == source), None)


def _steps(result: StudyResult) -> list[str]:
    """Return what to do, the first thing first."""
    step, groups = words.STEP, _groups(result)
    if result.state == "not_assessed":
        name = shorten(result.study, 60)
        gauge = _of(result, "gauge")
        if gauge is not None:
            return [step["repeat" if gauge.standard_deviation > 0 else "finer"].format(run=name)]
        return [step["complete" if result.readings else "measure"].format(run=name)]
    this = words.FRAGMENT["this_tolerance" if result.judged_by == "tolerance" else "this_study"]
    steps = [step[{"usable": "use", "limited": "limited", "not_usable": "stop"}[result.state]].format(this=this)]
    if any("run of checks" in caution for caution in result.cautions):
        steps.insert(0, step["checks"])
    inside, between = _of(result, "repeatability"), _of(result, "reproducibility")
    if result.state != "usable" and inside is not None:
        larger = between is not None and between.standard_deviation > inside.standard_deviation
        steps.append(step["reproducibility" if larger else "repeatability"].format(groups=groups))
    if any("does not settle" in reason for reason in result.reasons):
        steps.append(step["settle"].format(groups=groups))
    if result.interaction_p_value is not None and result.interaction_p_value < 0.05:
        steps.append(step["interaction"].format(groups=groups, p=p_told(result.interaction_p_value)))
    if result.distinct_categories is not None and result.distinct_categories < 5:
        steps.append(step["categories"])
    return steps


def _points(result: StudyResult, unit: str) -> list[str]:
    say = words.POINT
    points = [
        say["design"].format(
            parts=general.counted(result.parts, "part"), n=len(result.groups), groups=_groups(result), repeats=result.repeats,
            readings=result.readings - result.left_out, left=result.left_out,
        )
    ]  # fmt: skip
    gauge, inside, between = (_of(result, name) for name in ("gauge", "repeatability", "reproducibility"))
    if gauge is not None and inside is not None:
        rest = ""
        if between is not None:
            low, high = (significant(end, 2) for end in between.interval)
            rest = say["reproducibility"].format(
                r=significant(between.standard_deviation, 2), unit=unit, low=low, high=high
            )
        low, high = (significant(end, 2) for end in gauge.interval)
        points.append(
            say["gauge"].format(
                s=significant(gauge.standard_deviation, 2), unit=unit, low=low, high=high,
                r=significant(inside.standard_deviation, 2), rest=rest,
            )
        )  # fmt: skip
    if result.percent_of_tolerance is not None and result.percent_of_tolerance_interval is not None:
        low, high = (fixed(end, 1) for end in result.percent_of_tolerance_interval)
        points.append(
            say["tolerance"].format(
                percent=fixed(result.percent_of_tolerance, 1),
                tolerance=compact(result.tolerance, 4),
                unit=unit,
                low=low,
                high=high,
            )
        )
    elif (reason := result.not_computable.get("percent_of_tolerance")) is not None:
        points.append(say["no_tolerance"].format(reason=shorten(reason, 200)))
    if result.percent_of_study is not None:
        pair = result.percent_of_study_interval
        points.append(
            say["study_bare"].format(percent=fixed(result.percent_of_study, 1))
            if pair is None
            else say["study"].format(
                percent=fixed(result.percent_of_study, 1), low=fixed(pair[0], 1), high=fixed(pair[1], 1)
            )
        )
    if result.distinct_categories is not None:
        span = result.distinct_categories_interval
        points.append(
            say["categories_bare"].format(n=result.distinct_categories)
            if span is None or span[1] is None
            else say["categories"].format(n=result.distinct_categories, low=span[0], high=span[1])
        )
    return points


def _charts(readings: pl.DataFrame, result: StudyResult, numbered: Numbered, unit: str) -> list[Html]:
    drawn: list[Html] = []

    def add(anchor: str, plot: Plot, behind: str, *sentences: str) -> None:
        drawn.append(figure(numbered.figure(), anchor, svg(plot, sentences[0]), *sentences, table=behind))

    if bars := plots.components_plot(result, _names(result), unit=unit):
        add("components", bars, "components", words.CHART["components"], words.FIGURE["key_components"])
    counted = readings.filter(pl.col("note").is_null()) if readings.height else readings
    if not counted.height:
        return drawn
    more = len(result.groups) - len(GROUPS)
    rest = words.FIGURE["more"].format(n=more, groups=_groups(result)) if more > 0 else ""
    marks = plots.marks_in_words(result.groups)
    add(
        "readings", plots.readings_plot(counted, result, unit=unit), "readings",
        words.CHART["readings"].format(group=result.compares),
        words.FIGURE["key_readings"].format(marks=marks[:1].upper() + marks[1:]), rest,
    )  # fmt: skip
    if lines := plots.interaction_plot(counted, result, unit=unit):
        add(
            "interaction", lines, "readings", words.CHART["interaction"].format(group=result.compares),
            words.FIGURE["key_interaction"].format(marks=marks), rest,
        )  # fmt: skip
    return drawn


def _components_table(result: StudyResult, number: int, unit: str) -> Html:
    names = _names(result)
    plain = {component.source: component for component in result.without_interaction}
    columns = [
        Heading(_C["source"]), Heading(_C["s"], unit, "n"), Heading(_C["interval"], unit, "t"), Heading(_C["variance"], "%", "n"),
        Heading(_C["study"], "%", "n"), Heading(_C["tolerance"], "%", "n"), Heading(_C["without"], unit, "n"),
    ]  # fmt: skip
    rows = []
    for component in result.components:
        low, high = (significant(end, 3) for end in component.interval)
        other = plain.get(component.source)
        rows.append(
            (
                names[component.source], significant(component.standard_deviation, 3), general.FRAGMENT["span"].format(low=low, high=high),
                fixed(component.percent_of_variance, 1), fixed(component.percent_of_study, 1), fixed(component.percent_of_tolerance, 1),
                "" if other is None else significant(other.standard_deviation, 3),
            )
        )  # fmt: skip
    said = caption(words.TABLE["components"], figures=[(1, "components")])
    return table(number, "components", said, columns, rows)


def _anova_table(result: StudyResult, number: int) -> Html:
    names = _names(result)
    columns = [
        Heading(_C["source"]), Heading(_C["df"], kind="n"), Heading(_C["ss"], kind="n"), Heading(_C["ms"], kind="n"), Heading(_C["f"], kind="n"),
        Heading(_C["p"], kind="n"),
    ]  # fmt: skip
    rows = [
        (
            names[line.source], line.degrees_of_freedom, significant(line.sum_of_squares, 5), significant(line.mean_square, 5),
            significant(line.f_ratio, 4), p_in_words(line.p_value),
        )
        for line in result.sources
    ]  # fmt: skip
    return table(number, "anova", caption(words.TABLE["anova"]), columns, rows)


def _readings_table(
    readings: pl.DataFrame, result: StudyResult, number: int, clock: Clock, here: str, unit: str
) -> Html:
    flagged = readings["note"].is_not_null().to_list()
    frame, flagged, note = capped(readings, flagged, MOST_ROWS)
    inside = _of(result, "repeatability")
    values = [value for value in readings["value"].to_list() if finite(value) is not None]
    decimals = decimals_for(None if inside is None else inside.standard_deviation, values[0] if values else None)
    columns = [
        Heading(_C["number"], kind="n"), Heading(_C["item"]), Heading(_C["group"]), Heading(_C["value"], unit, "n"), Heading(_C["at"], clock.zone, "t"),
        Heading(_C["meter"]), Heading(_C["operator"]), Heading(_C["file"]), Heading(_C["note"]),
    ]  # fmt: skip
    rows = [
        (
            place, isolated(row["item"]) if row["item"] is not None else "", isolated(row["group"]) if row["group"] is not None else "",
            fixed(row["value"], decimals), clock.second(row["at"]), linked(here, "meter", row["meter"]),
            shorten(row["operator"] or "", 40), f"{shorten(row['source'] or '', 60)}, {general.NOTE['line'].format(line=row['line'])}", shorten(row["note"] or "", 160),
        )
        for place, row in enumerate(frame.iter_rows(named=True), start=1)
    ]  # fmt: skip
    said = caption(words.TABLE["readings"].format(reference=f"{result.reference_temperature_c:g}"), note)
    return table(number, "readings", said, columns, rows, marked=flagged)


def _method(result: StudyResult, unit: str) -> list[tuple[str, object]]:
    fact, fragment = words.FACT, words.FRAGMENT
    judged = {"tolerance": fragment["tolerance"], "study": fragment["study_share"], None: None}[result.judged_by]
    tolerance = None if result.tolerance is None else f"{compact(result.tolerance, 5)} {unit}"
    return [
        (fact["kind"], words.KIND.get(result.kind, result.kind)),
        (fact["compares"], _groups(result)),
        (
            fact["tolerance"],
            tolerance or shorten(result.not_computable.get("percent_of_tolerance", fragment["none"]), 200),
        ),
        (fact["judged"], judged),
        (fact["width"], fragment["width"].format(width=f"{result.study_width:g}")),
        (fact["interaction"], fragment["interaction"] if result.kind == "crossed" else None),
        (fact["intervals"], fragment["intervals"]),
        (fact["negative"], fragment["negative"]),
        (fact["categories"], fragment["categories"]),
        (fact["production"], fragment["production"]),
    ]
