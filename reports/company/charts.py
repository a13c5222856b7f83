"""Charts of the company: levels of plants with what they leave open, and who disagrees with whom, a row each."""

from __future__ import annotations

from collections import defaultdict
from statistics import median
from typing import TYPE_CHECKING

from reports.kit.charts import Plot, figure, svg
from reports.kit.geometry import clipped, domain
from reports.kit.markup import Html, shorten
from reports.kit.numbers import decimals_for, finite, fixed
from reports.words.company import FIGURE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.tables import Numbered
    from schemas.blocks import MeterDifference
    from schemas.union import GroupOverPlants

__all__ = ["e_n_chart", "levels_chart"]

_MOST = 30
"""Rows that a chart has room for: those furthest out; the table holds all, or as many as it can."""
_ROW, _LABEL = 22, 14


def _rows(count: int, x_domain: tuple[float, float], title: str) -> Plot:
    return Plot(x_domain, (0.4, count + 0.6), title, "", y_axis=False, height=_ROW * count + 16)


def levels_chart(group: GroupOverPlants, place: int, numbered: Numbered) -> Html:
    """Draw the level of each plant; nothing with fewer than two that have one."""
    told = [plant for plant in group.plants if finite(plant.mean) is not None]
    if len(told) < 2:
        return Html("")
    middle = group.mean if group.mean is not None else median(plant.mean or 0.0 for plant in told)
    shown = sorted(told, key=lambda plant: -abs((plant.mean or 0.0) - middle))[:_MOST]
    shown.sort(key=lambda plant: (plant.mean or 0.0, plant.site))
    ends = [middle]
    for plant in shown:
        level, half = plant.mean or 0.0, plant.expanded_uncertainty or 0.0
        ends += [level - half, level + half, *(plant.mean_interval or ())]
    low, high = domain(ends)
    plot = _rows(len(shown), (low, high), FIGURE["level_axis"])
    plot.x_decimals = decimals_for(shown[0].standard_deviation, middle)
    bottom, top = plot.y_domain
    if group.mean is not None:
        if group.mean_interval is not None:
            first, last = (min(max(end, low), high) for end in group.mean_interval)
            plot.rect(first, last, bottom, top, "grid")
        plot.segment(middle, middle, bottom, top, "limit", dash="long", width=1.4)
        plot.names.append((middle, top, FIGURE["mean"].format(value=fixed(middle, plot.x_decimals)), "limit"))
    apart = {
        name for one in group.pairs if one.e_n is not None and abs(one.e_n) > 1 for name in (one.first, one.second)
    }
    for y, plant in enumerate(shown, start=1):
        x, u = plant.mean or 0.0, plant.expanded_uncertainty
        if u is not None:
            plot.segment(x - u, x + u, y, y, "inner", width=1.2)
            for end in (x - u, x + u):
                plot.segment(end, end, y - 0.16, y + 0.16, "inner", width=1.2)
        if plant.mean_interval is not None:
            plot.segment(*plant.mean_interval, y, y, "inner", width=4)
        plot.point(x, y, "signal" if plant.site in apart else "plain", said=shorten(plant.site, 40))
        plot.names_right.append((y, clipped(plant.site, _LABEL), "ink"))
    said = FIGURE["level"].format(material=shorten(group.material, 60))
    more = FIGURE["furthest"].format(shown=len(shown), total=len(told)) if len(shown) < len(told) else ""
    label, anchor = svg(plot, said), f"plants-{place}"
    return figure(numbered.figure(), anchor, label, said, FIGURE["level_key"], more, table=anchor)


def e_n_chart(pairs: Sequence[MeterDifference], numbered: Numbered) -> Html:
    """Draw Eₙ of each site's meter against those of other sites; nothing with fewer than three to compare."""
    of: dict[str, list[tuple[float, str]]] = defaultdict(list)
    for one in pairs:
        if (value := finite(one.e_n)) is not None:
            of[one.first].append((value, one.second))
            of[one.second].append((-value, one.first))
    if len(of) < 3:
        return Html("")
    shown = sorted(of, key=lambda name: (-max(abs(value) for value, _ in of[name]), name))[:_MOST]
    shown.sort(key=lambda name: (median(value for value, _ in of[name]), name))
    values = [value for name in shown for value, _ in of[name]]
    widest = max(1.2, *(abs(value) for value in values)) * 1.06
    plot = _rows(len(shown), (-widest, widest), FIGURE["e_n_axis"])
    plot.x_decimals = 2
    bottom, top = plot.y_domain
    plot.segment(0, 0, bottom, top, "inner", width=1)
    for limit, word in ((-1.0, "−1"), (1.0, "+1")):
        plot.segment(limit, limit, bottom, top, "limit", dash="long", width=1.4)
        plot.names.append((limit, top, word, "limit"))
    plain = [
        name.partition(" on ")[0] for name in shown
    ]  # on which block stands in the table, where the rest is enough
    labels = plain if len(set(plain)) == len(plain) else shown
    for y, (name, label) in enumerate(zip(shown, labels, strict=True), start=1):
        for value, other in of[name]:
            said = FIGURE["against"].format(first=shorten(name, 40), second=shorten(other, 40))
            plot.point(value, y, "signal" if abs(value) > 1 else "plain", said=said)
        plot.names_right.append((y, clipped(label, _LABEL), "ink"))
    more = FIGURE["furthest"].format(shown=len(shown), total=len(of)) if len(shown) < len(of) else ""
    return figure(
        numbered.figure(), "e-n", svg(plot, FIGURE["e_n"]), FIGURE["e_n"], FIGURE["e_n_key"], more, table="differences"
    )
