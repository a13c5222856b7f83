"""Sections of a lot page: where the variation is, with a map of the spots, and outlying values."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.charts import figure
from reports.kit.markup import Html, element, join, shorten
from reports.kit.numbers import compact, finite, fixed, percent, significant
from reports.kit.page import p_in_words, p_told, section
from reports.kit.tables import Heading, caption, table
from reports.lot.capability import part_name
from reports.lot.map import positions_map, spot_map
from reports.words import general as shared
from reports.words import lot_detail as words

if TYPE_CHECKING:
    from collections.abc import Callable

    from reports.kit.tables import Numbered
    from schemas.lot_detail import ComponentsDetail, SuspectsDetail
    from schemas.results import LotPage

__all__ = ["components_section", "suspects_section"]


def components_section(
    page: LotPage, detail: ComponentsDetail | None, numbered: Numbered, unit: str, there: str
) -> Html:
    """Return the section on components of variance, with the map of the spots; `there` lie the points of a long lot."""
    if detail is None:
        return section(
            "components", element("p", words.SAY["no_components"]), heading=words.HEADING["components"], wide=True
        )
    soft = any(flag.startswith("spots_differ_within_parts:") for flag in page.result.flags)
    points = element("ul", join(element("li", point) for point in _points(detail, soft=soft)), class_="points")
    content = [points, _table(detail, numbered, unit), *_maps(page, numbered, unit, there)]
    return section("components", *content, heading=words.HEADING["components"], wide=True)


_DOUBTFUL = 0.05
"""Above this p nothing is said to differ."""


def _points(detail: ComponentsDetail, *, soft: bool) -> list[str]:
    say = words.SAY
    lines = {line.level: line for line in detail.lines}
    found = []
    if detail.dominant is not None:
        line = lines[detail.dominant]
        found.append(
            say["components"].format(share=percent(line.share or 0.0), level=words.LEVEL[line.level]).capitalize()
        )
    spot = lines["spot"]
    if spot.p_value is not None:
        key = "even" if spot.p_value >= _DOUBTFUL else "soft" if soft else "uneven"
        found.append(say[key].format(f=compact(spot.f_ratio, 3), p=p_told(spot.p_value)))
    elif spot.reason is not None:
        found.append(f"{spot.reason[:1].upper()}{spot.reason[1:]}.")
    found += [
        say["negative"].format(level=words.LEVEL[line.level], raw=significant(line.raw, 2))
        for line in detail.lines
        if line.raw is not None and line.raw < 0
    ]
    found.append(say["lots"].format(lots=detail.lots) if detail.lots > 1 else say["one_lot"])
    if not detail.balanced:
        found.append(say["unbalanced"])
    return found


def _table(detail: ComponentsDetail, numbered: Numbered, unit: str) -> Html:
    column = words.COLUMN
    squared = f"({unit})²"
    columns = [
        Heading(column["level"]), Heading(column["deviation"], unit, "n"), Heading(column["variance"], squared, "n"),
        Heading(column["interval"], squared, "n"), Heading(column["share"], kind="t"),
        Heading(column["degrees"], kind="n"), Heading(column["f"], kind="n"), Heading(column["p"], kind="n"),
    ]  # fmt: skip
    rows: list[tuple[object, ...]] = []
    for line in detail.lines:
        level = words.LEVEL[line.level]
        if line.variance is None:
            rows.append((level, "", "", "", shorten(line.reason or "", 120), compact(line.degrees_of_freedom), "", ""))
            continue
        share = finite(line.share)
        shown = "" if share is None else join([_bar(share), percent(share)], " ")
        interval = shared.FRAGMENT["span"].format(low=significant(line.low, 2), high=significant(line.high, 2))
        rows.append(
            (
                level, significant(line.standard_deviation, 2), significant(line.raw, 3), interval, shown,
                compact(line.degrees_of_freedom), compact(line.f_ratio, 3), p_in_words(line.p_value),
            )
        )  # fmt: skip
    said = words.TABLE["components"].format(method=detail.interval_method)
    return table(numbered.table(), "components", said, columns, rows)


def _bar(share: float) -> Html:
    return element(
        "svg",
        element("rect", width=100, height=10, fill="var(--grid)"),
        element("rect", width=f"{share * 100:.1f}", height=10, fill="var(--point)"),
        viewBox="0 0 100 10", preserveAspectRatio="none", class_="share", aria_hidden="true",
    )  # fmt: skip


def _maps(page: LotPage, numbered: Numbered, unit: str, there: str) -> list[Html]:
    say = words.FIGURE
    if not page.spot_values.height:
        return []
    found = []
    sentence = say["map"].format(unit=unit)
    if drawn := spot_map(page.result, page.spot_values, sentence):
        chart, shown, total = drawn
        thinned = say["map_thinned"].format(shown=shown, total=total) if shown < total else ""
        found.append(
            figure(numbered.figure(), "map", chart, sentence, say["map_key"], thinned, table="spots", there=there)
        )
    sentence = say["positions"].format(unit=unit)
    if placed := positions_map(page.result, page.spot_values, sentence):
        found.append(
            figure(numbered.figure(), "positions", placed, sentence, say["map_key"], table="spots", there=there)
        )
    return found


def suspects_section(
    detail: SuspectsDetail, numbered: Numbered, unit: str, decimals: int, place: Callable[[object], str]
) -> Html:
    """Return the section on outlying values; `place` names a reading's file."""
    say, column = words.SAY, words.COLUMN
    tested = say["tested"].format(significance=percent(detail.significance), **detail.tested)
    if not detail.values:
        content = [element("p", say["no_suspects"]), element("p", tested)]
        return section("suspects", *content, heading=words.HEADING["suspects"])
    columns = [
        Heading(column["what"]), Heading(column["part"]), Heading(shared.COLUMN["spot"]), Heading(column["value"], unit, "n"),
        Heading(column["from_mean"], unit, "n"), Heading(column["statistic"], kind="n"), Heading(column["critical"], kind="n"),
        Heading(column["tests"]), Heading(column["place"]),
    ]  # fmt: skip
    rows = [
        (
            shared.COLUMN.get(value.level, value.level), part_name(value.part),
            "" if value.spot is None else part_name(value.spot), fixed(value.value, decimals),
            fixed(value.deviation, decimals, sign=True), fixed(value.statistic, 2), fixed(value.critical, 2), value.tests,
            "" if value.source is None else f"{place(value.source)}, {shared.NOTE['line'].format(line=value.line)}",
        )
        for value in detail.values
    ]  # fmt: skip
    number = len(rows)
    hidden = any(value.statistic < value.critical for value in detail.values)
    told = say["suspects"].format(n=f"{number} value" + ("" if number == 1 else "s"))
    return section(
        "suspects", element("p", told), element("p", tested),
        table(numbered.table(), "suspects", caption(words.TABLE["suspects"], say["hidden"] if hidden else ""), columns, rows),
        heading=words.HEADING["suspects"], wide=True,
    )  # fmt: skip
