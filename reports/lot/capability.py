"""Sections of a lot page: capability with its conditions, and the plan by variables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.charts import Plot, figure, svg
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import compact, finite, fixed, percent, significant
from reports.kit.page import p_told, section
from reports.kit.tables import Heading, caption, table
from reports.words import general as shared
from reports.words import lot_detail as words

if TYPE_CHECKING:
    from reports.kit.tables import Numbered
    from schemas.lot_detail import CapabilityDetail, ComponentsDetail, ExpectedOutside, IntervalsDetail, PlanDetail
    from schemas.results import LotResult

__all__ = ["capability_section", "part_name", "plan_section", "withheld"]

_ROWS = ("cp", "cpk", "pp", "ppk")


def fraction_in_words(value: float | None) -> str:
    """Return a fraction in percent; below a millionth its digits mean nothing."""
    number = finite(value)
    if number is None:
        return ""
    if number < 1e-6:
        return words.SAY["below_millionth"] if number > 0 else words.SAY["percent"].format(value="0")
    return words.SAY["percent"].format(value=compact(100 * number, 2))


def withheld(result: LotResult, detail: CapabilityDetail | None) -> str | None:
    """Return why no capability is stated on a page: a lot that is rejected or not stable says nothing of what the process can do.

    The figures stay in the data.
    """
    if result.verdict == "reject":
        return words.SAY["rejected"]
    if detail is not None and not detail.headline:
        return detail.headline_reason or shared.FRAGMENT["no_reason"]
    return None


def capability_section(
    result: LotResult,
    detail: CapabilityDetail,
    components: ComponentsDetail | None,
    numbered: Numbered,
    unit: str,
    decimals: int,
) -> Html:
    """Return the section on capability: its conditions first, then the intervals and the indices."""
    points = [*_order(detail), _shape(detail)]
    if not detail.headline and detail.stability.state != "unstable":
        points.insert(0, words.SAY["mixed"])
    reason = withheld(result, detail)
    if reason is None:
        points += _limits(result, detail, components)
    points += _intervals(detail.intervals, unit, decimals)
    if reason is not None:
        points.append(words.SAY["no_capability"].format(reason=reason))
    elif detail.indicative and result.parts:
        points.append(words.SAY["few"].format(n=detail.subgroups))
    return section(
        "capability",
        element("ul", join(element("li", point) for point in points), class_="points"),
        _indices(result, detail, numbered, unit, decimals) if reason is None else None,
        heading=words.HEADING["capability"],
        wide=True,
    )


def _order(detail: CapabilityDetail) -> list[str]:
    say, order = words.SAY, detail.stability
    if order.state == "not_judged":
        return [say["not_judged"].format(reason=order.reason)]
    deciding = [s for s in order.signals if s.decides]
    if deciding:
        named = [
            words.ORDER[s.rule].format(part=shorten(str(s.part or s.place), 24), length=s.length) for s in deciding
        ]
        found = [say["unstable"].format(signals=shared.listed(named, 4))]
    else:
        found = [say["stable"].format(n=order.points)]
    patterns = list(dict.fromkeys(s.title for s in order.signals if not s.decides))
    if patterns:
        found.append(say["patterns"].format(patterns=shared.listed(patterns)))
    if order.independent is not None:
        key = "independent" if order.independent else "alike"
        found.append(
            say[key].format(
                r=fixed(order.autocorrelation, 2, sign=True),
                bound=fixed(order.autocorrelation_bound, 2),
                n=order.points,
            )
        )
    return found


def _shape(detail: CapabilityDetail) -> str:
    say, shape = words.SAY, detail.normality
    if shape.normal is None:
        return say["normality_unknown"].format(reason=shape.reason)
    told = say["normal" if shape.normal else "not_normal"].format(
        a=fixed(shape.corrected_statistic, 2), p=p_told(shape.p_value), n=shape.values
    )
    if shape.normal:
        return told
    quantile = detail.quantile
    if quantile.definition is not None:
        return f"{told} {say['quantile'].format(definition=quantile.definition)}"
    reason = next(iter(quantile.not_computable.values()), shared.FRAGMENT["no_reason"])
    return f"{told} {say['no_quantile'].format(reason=reason)}"


def _limits(result: LotResult, detail: CapabilityDetail, components: ComponentsDetail | None) -> list[str]:
    say = words.SAY
    found = []
    if detail.limiting_side is not None and result.standard_deviation:
        told = say["limiting"].format(side=detail.limiting_side)
        lost = finite(detail.lost_off_centre)
        if lost is not None:
            if lost >= 1:
                told += say["beyond"]
            else:
                told += say["off_centre"].format(share=percent(lost)) if lost >= 0.05 else say["centred"]
        if components is not None and components.dominant is not None:
            line = next(line for line in components.lines if line.level == components.dominant)
            told += " " + say["dominant"].format(level=words.LEVEL[line.level], share=percent(line.share or 0.0))
        found.append(told)
    outside = detail.outside
    if outside.observed_interval is not None:
        found.append(_outside(outside, result.parts, detail.normality.normal is False))
    return found


def _outside(outside: ExpectedOutside, parts: int, not_normal: bool) -> str:
    say = words.SAY
    assert outside.observed_interval is not None  # noqa: S101 - the caller looked
    seen_low, seen_high = map(fraction_in_words, outside.observed_interval)
    if outside.interval is None or not_normal:
        reason = say["not_normal_short"] if not_normal else outside.reason
        return say["outside_counted"].format(
            counted=outside.counted, n=parts, seen_low=seen_low, seen_high=seen_high, reason=reason
        )
    low, high = map(fraction_in_words, outside.interval)
    return say["outside"].format(
        total=fraction_in_words(outside.total), low=low, high=high, how=say["bounds"] if outside.conservative else "",
        counted=outside.counted, n=parts, seen_low=seen_low, seen_high=seen_high,
    )  # fmt: skip


def _intervals(found: IntervalsDetail, unit: str, decimals: int) -> list[str]:
    """Return what the intervals say; the ends get one decimal more than a value, for they are no values."""
    say, missing = words.SAY, found.not_computable
    if found.mean_interval is None:
        told = [say["no_mean_interval"].format(reason=missing["mean_interval"])]
    else:
        low, high = (fixed(end, decimals + 1) for end in found.mean_interval)
        told = [say["mean_interval"].format(low=low, high=high, unit=unit, n=found.parts)]
    ends = found.tolerance_lower, found.tolerance_upper
    if ends == (None, None):
        return [*told, say["no_tolerance"].format(reason=missing["tolerance_interval"])]
    low, high = (fixed(end, decimals + 1) for end in ends)
    side = "tolerance_lower" if ends[1] is None else "tolerance_upper" if ends[0] is None else "tolerance_both"
    return [*told, say[side].format(low=low, high=high, unit=unit, n=found.parts)]


def _indices(result: LotResult, detail: CapabilityDetail, numbered: Numbered, unit: str, decimals: int) -> Html:
    column, say = words.COLUMN, words.SAY
    columns = [
        Heading(column["index"]), Heading(column["value"], kind="n"), Heading(column["interval"], kind="n"),
        Heading(column["from"]), Heading(column["degrees"], kind="n"), Heading(column["parts"], kind="n"),
    ]  # fmt: skip
    rows: list[tuple[object, ...]] = []
    within = (result.within_estimator or "").replace("_", " ")
    for name in _ROWS:
        value, interval = getattr(result, name), getattr(result, f"{name}_interval")
        inner = name in ("cp", "cpk")
        basis = say["estimator"].format(name=within) if inner else say["overall"]
        freedom = result.within_degrees_of_freedom if inner else float(result.parts - 1)
        if value is None:
            reason = shorten(result.not_computable.get(name, ""), 200)
            rows.append((words.INDEX[name], "", "", reason, "", result.parts))
        else:
            written = (
                shared.FRAGMENT["span"].format(low=fixed(interval[0], 2), high=fixed(interval[1], 2))
                if interval
                else ""
            )
            rows.append((words.INDEX[name], fixed(value, 2), written, basis, compact(freedom), result.parts))
    aimed = detail.intervals
    if aimed.cpm is None or aimed.cpm_interval is None:
        why = say["not_stated"].format(reason=aimed.not_computable["cpm"])
        rows.append((words.INDEX["cpm"], "", "", why, "", result.parts))
    else:
        low, high = (fixed(end, 2) for end in aimed.cpm_interval)
        span = shared.FRAGMENT["span"].format(low=low, high=high)
        basis = say["about_target"].format(target=fixed(aimed.target, decimals), unit=unit)
        rows.append(
            (words.INDEX["cpm"], fixed(aimed.cpm, 2), span, basis, compact(float(result.parts - 1)), result.parts)
        )
    rows += [
        (words.INDEX[name], fixed(value, 2), "", say["of_quantiles"], "", result.parts)
        for name in ("quantile_pp", "quantile_ppk")
        if (value := getattr(detail.quantile, name)) is not None
    ]
    return table(numbered.table(), "capability", words.TABLE["capability"], columns, rows)


def plan_section(detail: PlanDetail, numbered: Numbered) -> Html:
    """Return the section on acceptance by variables, with the operating curve of the plan."""
    say = words.SAY
    if detail.accepted is None:
        told = say["plan_unknown"].format(reason=detail.reason)
    else:
        told = say["accepted" if detail.accepted else "not_accepted"].format(rule=detail.rule)
    size = detail.plan_parts or detail.parts
    content: list[Html] = [element("p", told)]
    if detail.quality_at:
        p95, p50, p10 = (fraction_in_words(detail.quality_at[chance]) for chance in ("95", "50", "10"))
        content.append(
            element("p", say["plan_quality"].format(n=size, k=compact(detail.k, 6), p95=p95, p50=p50, p10=p10))
        )
    rows: list[tuple[object, ...]] = []
    for name in words.PLAN:
        value = getattr(detail, name)
        if value is None:
            continue
        written = (
            fraction_in_words(value)
            if "nonconforming" in name
            else str(value)
            if isinstance(value, int)
            else significant(value, 4)
        )
        rows.append((words.PLAN[name], written))
    columns = [Heading(words.COLUMN["quantity"]), Heading(words.COLUMN["value"], kind="n")]
    content.append(table(numbered.table(), "plan", words.TABLE["plan"], columns, rows))
    if detail.curve.height:
        content += _curve(detail, size, numbered)
    return section("plan", *content, heading=words.HEADING["plan"], wide=True)


def _curve(detail: PlanDetail, size: int, numbered: Numbered) -> list[Html]:
    points = [(100 * p, 100 * chance) for p, chance in detail.curve.select("nonconforming", "accepted").iter_rows()]
    plot = Plot(
        (0.0, points[-1][0] * 1.02),
        (0.0, 105.0),
        words.FIGURE["curve_x"],
        words.FIGURE["curve_y"],
        height=210,
        x_decimals=2,
        y_decimals=0,
    )
    plot.path = [{"x": 0.0, "y": 100.0}, *({"x": x, "y": y} for x, y in points)]
    for chance, p in detail.quality_at.items():
        plot.point(100 * p, float(chance), "plain")
        plot.notes.append(
            (
                100 * p + plot.x_domain[1] * 0.02,
                float(chance) - 1.5,
                words.FIGURE["at"].format(chance=chance, value=compact(100 * p, 2)),
                "ink",
            )
        )
    sentence = words.FIGURE["curve"].format(n=size, k=compact(detail.k, 6))
    number = numbered.figure()
    drawn = figure(number, "curve", svg(plot, sentence), sentence, words.FIGURE["curve_key"], table="curve")
    columns = [Heading(words.COLUMN["nonconforming"], "%", "n"), Heading(words.COLUMN["accepted"], "%", "n")]
    rows = [(compact(x, 3), fixed(y, 1)) for x, y in points]
    said = caption(words.TABLE["curve"], figures=[(number, "curve")])
    return [drawn, table(numbered.table(), "curve", said, columns, rows)]


def part_name(value: object) -> Html:
    """Return the name of a part, or that it has none."""
    return isolated(shared.FRAGMENT["not_stated"] if value in (None, "") else value)
