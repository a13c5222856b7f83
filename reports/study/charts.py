"""The charts of a gauge study: components with intervals, readings by part and person, means of each on each part."""

from __future__ import annotations

from statistics import fmean
from typing import TYPE_CHECKING

from reports.kit.charts import Plot
from reports.kit.geometry import clipped, domain
from reports.kit.marks import GROUPS, MARKS
from reports.kit.markup import shorten
from reports.kit.numbers import compact, decimals_for, finite
from reports.words import general as common
from reports.words import study as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from schemas.studies import StudyResult

__all__ = ["components_plot", "interaction_plot", "marks_in_words", "ordered_items", "readings_plot"]

MOST_ITEMS = 40


_FARTHEST = 5.0
"""So many times the largest estimate the frame of the components reaches at most."""


def ordered_items(counted: pl.DataFrame) -> list[str]:
    """Return what was read in order of its mean: the readings of neighbours can then be compared by eye."""
    values: dict[str, list[float]] = {}
    for row in counted.sort("item", "group", "value").iter_rows(named=True):
        values.setdefault(row["item"], []).append(row["value"])
    return sorted(values, key=lambda item: (fmean(values[item]), item))[:MOST_ITEMS]


def marks_in_words(groups: Sequence[str]) -> str:
    """Return which mark stands for whom."""
    return ", ".join(
        words.FIGURE["mark"].format(shape=common.SHAPE[mark], name=shorten(name, 40))
        for name, mark in zip(groups, GROUPS, strict=False)
    )


def components_plot(result: StudyResult, source_names: dict[str, str], *, unit: str) -> Plot | None:
    """Draw the standard deviation of each component with its interval; None where there are none."""
    shown = [c for c in result.components if c.source in ("repeatability", "reproducibility", "gauge", "part", "total")]
    if not shown:
        return None
    # with few people an upper limit can be many times the estimate; what lies farther than this ends at the edge
    largest = max(c.standard_deviation for c in shown) or 1.0
    share = None if result.tolerance is None else result.tolerance / result.study_width
    share = share if share is not None and share <= _FARTHEST * largest else None
    inside = [end for c in shown if (end := c.interval[1]) <= _FARTHEST * largest]
    top = 1.18 * max([largest, *inside, *([share] if share is not None else [])])
    plot = Plot(
        (0.4, len(shown) + 0.6), (0.0, top), words.FIGURE["component_axis"], words.FIGURE["s_axis"].format(unit=unit),
        x_axis=False, height=210,
    )  # fmt: skip
    if share is not None:
        line = words.FIGURE["tolerance"].format(width=f"{result.study_width:g}", value=compact(share, 3))
        plot.across(share, "tolerance", line, dash="dashdot", width=1.4)
    for place, component in enumerate(shown, start=1):
        plot.rect(place - 0.28, place + 0.28, 0.0, component.standard_deviation)
        low, high = component.interval
        plot.segment(place, place, min(low, top), min(high, top), "limit", width=2)
        for end in (end for end in (low, high) if end <= top):
            plot.segment(place - 0.07, place + 0.07, end, end, "limit", width=2)
        said = compact(component.standard_deviation, 3)
        if high > top:
            beyond = words.FIGURE["no_end"] if finite(high) is None else compact(high, 3)
            said = words.FIGURE["beyond"].format(value=said, high=beyond)
        plot.name(place, min(high, 0.9 * top), said)
        plot.names_below.append((place, clipped(source_names[component.source], 22)))
    return plot


def _frame(counted: pl.DataFrame, items: Sequence[str], result: StudyResult, unit: str) -> Plot:
    values = [value for value in counted["value"].to_list() if finite(value) is not None]
    plot = Plot(
        (0.4, len(items) + 0.6), domain(values), words.FIGURE["part_axis"],
        words.FIGURE["value_axis"].format(reference=f"{result.reference_temperature_c:g}", unit=unit), x_axis=False, height=230,
        y_decimals=decimals_for(next((c.standard_deviation for c in result.components if c.source == "repeatability"), None), values[0] if values else None),
    )  # fmt: skip
    length = max(3, 84 // max(len(items), 1))
    step = max(1, -(-len(items) // 20))
    plot.names_below += [
        (place, clipped(item, length * step)) for place, item in enumerate(items, start=1) if (place - 1) % step == 0
    ]
    return plot


def readings_plot(counted: pl.DataFrame, result: StudyResult, *, unit: str) -> Plot:
    """Draw every reading: by part, and beside one another those of each person or device."""
    items = ordered_items(counted)
    plot = _frame(counted, items, result, unit)
    drawn = list(zip(result.groups, GROUPS, strict=False))
    width = 0.56 / max(len(drawn), 1)
    for n, (group, mark) in enumerate(drawn):
        own = counted.filter(counted["group"] == group)
        for place, item in enumerate(items, start=1):
            x = place - 0.28 + width * (n + 0.5)
            for value in own.filter(own["item"] == item)["value"].sort().to_list():
                plot.point(x, value, mark, said=f"{shorten(item, 40)}, {shorten(group, 40)}")
    for place in range(1, len(items)):
        plot.segment(place + 0.5, place + 0.5, *plot.y_domain, "grid", width=1)
    return plot


def interaction_plot(counted: pl.DataFrame, result: StudyResult, *, unit: str) -> Plot | None:
    """Draw the mean of each on each part, joined by lines; None with fewer than two of them or a nested design."""
    if result.kind == "nested" or len(result.groups) < 2:
        return None
    items = ordered_items(counted)
    plot = _frame(counted, items, result, unit)
    for group, mark in zip(result.groups, GROUPS, strict=False):
        own, colour = counted.filter(counted["group"] == group), MARKS[mark].colour
        means = [
            (place, fmean(sorted(values)))
            for place, item in enumerate(items, start=1)
            if (values := own.filter(own["item"] == item)["value"].to_list())
        ]
        for (x, y), (x2, y2) in zip(means, means[1:], strict=False):  # noqa: RUF007
            plot.segment(x, x2, y, y2, colour, width=1.5)
        for x, y in means:
            plot.point(x, y, mark, said=shorten(group, 40))
        if means:
            plot.names_right.append((means[-1][1], clipped(group, 16), colour))
    return plot
