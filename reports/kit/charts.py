"""Static charts: one plot description, one Altair template, one clean SVG that is as wide as there is room.

A :class:`Plot` holds marks in data coordinates with their look in them, so the template needs no scale but the two of
position and stays the same for every page; it is declared in Altair once for each set of layers. Axes and grid are a layer of
lines like others: axes of the engine cost three times what all the rest of a chart does. Lines are stretched to the
width of the page without getting thicker, marks and words stand at percents of it, so that both keep their size on any screen
and on paper. Words are written beside the drawing by us: none of them enters a chart specification, where text could become an
expression, and measuring text is most of what a chart costs. Geometry is fixed, so the same data gives the same bytes everywhere.
"""

from __future__ import annotations

import json
import math
import re
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache
from typing import Any

import altair as alt
import vl_convert

from reports.kit.chart_words import percent, written
from reports.kit.clean_svg import clean
from reports.kit.geometry import number_ticks
from reports.kit.markup import Html, element, join
from reports.kit.numbers import offset_in_words
from reports.kit.plot import HEIGHT, WIDTH, Plot, Row
from reports.kit.scripts import data_block
from reports.words import general as words

__all__ = ["HEIGHT", "WIDTH", "Plot", "drawing", "figure", "framed", "svg"]


_VEGA_LITE = ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])
_LAYERS = ("axis", "rects", "segments", "path", "points")


def _layer(name: str) -> Any:
    """Return one layer; colours and shapes stand in the data, so no scale but those of position is made."""
    x = alt.X("x:Q", scale=alt.Scale(domain=[0, 1], nice=False, zero=False), axis=None)
    y = alt.Y("y:Q", scale=alt.Scale(domain=[0, 1], nice=False, zero=False), axis=None)
    chart = alt.Chart(alt.NamedData(name))
    fill, stroke = alt.Fill("colour:N", scale=None), alt.Stroke("colour:N", scale=None)
    if name == "axis":
        return chart.mark_rule(aria=False).encode(x=x, x2="x2:Q", y=y, y2="y2:Q", stroke=stroke)
    if name == "rects":
        return chart.mark_rect(aria=False).encode(
            x=x, x2="x2:Q", y=y, y2="y2:Q", fill=fill, stroke=alt.Stroke("edge:N", scale=None)
        )
    if name == "segments":
        return chart.mark_rule(aria=False, strokeCap="butt").encode(
            x=x, x2="x2:Q", y=y, y2="y2:Q", stroke=stroke,
            strokeDash=alt.StrokeDash("dash:N", scale=None), strokeWidth=alt.StrokeWidth("width:Q", scale=None),
        )  # fmt: skip
    if name == "path":
        # in the order given; a point without y breaks the line, so that one path can be several lines
        return chart.mark_line(aria=False, strokeWidth=1, stroke="var(--spot)").encode(x=x, y=y, order="place:Q")
    # only the places are kept: how a mark looks follows from what it means
    return chart.mark_point(aria=False, shape="circle", stroke="#000").encode(x=x, y=y)


@lru_cache(maxsize=32)
def _template(layers: tuple[str, ...]) -> str:
    """Declare a chart in Altair and compile it, without data and with domains and height to be replaced.

    Compiling costs as much as drawing a dozen charts, and depends on nothing that a page brings.
    """
    chart = (
        alt.layer(*map(_layer, layers))
        .properties(
            width=WIDTH,
            height=HEIGHT,
            padding=0,
            autosize=alt.AutoSizeParams(type="none"),
            background="transparent",
        )
        .configure_view(stroke=None)
    )
    compiled = vl_convert.vegalite_to_vega(
        {**chart.to_dict(), "datasets": {name: [] for name in layers}}, vl_version=_VEGA_LITE, show_warnings=False
    )
    # marks without a place would be taken out of copies of the data; ours have one, and each copy costs a quarter of a millisecond
    copied_from = {data["name"]: data["source"] for data in compiled["data"] if "source" in data}
    compiled["data"] = [data for data in compiled["data"] if data["name"] not in copied_from]
    for marks in compiled["marks"]:
        marks["from"]["data"] = copied_from.get(marks["from"]["data"], marks["from"]["data"])
    return json.dumps(compiled, allow_nan=False)


def svg(plot: Plot, label: str) -> Html:
    """Draw a plot as :func:`drawing` does, with its data beside it, for the script that makes it answer."""
    return join([drawing(plot, label), _values(plot)])


def drawing(plot: Plot, label: str) -> Html:
    """Draw a plot.

    Parameters
    ----------
    plot
        The marks.
    label
        What a reader who cannot see the chart must know.

    Returns
    -------
    Html
        An ``svg`` element without style, script or address.

    Raises
    ------
    ValueError
        If a number is not finite, or the drawing holds an element that no chart of ours has.
    """
    ticks = _ticks(plot)
    shown = {"axis": _axes(plot, ticks), **{name: getattr(plot, name) for name in _LAYERS[1:]}}
    layers = tuple(name for name, marks in shown.items() if marks)
    spec = {**json.loads(_template(layers)), "height": plot.height}
    for scale in spec["scales"]:
        scale["domain"] = {"x": plot.x_domain, "y": plot.y_domain}[scale["name"]]
    for data in spec["data"]:
        if data["name"] in layers:
            data["values"] = [{**_drawn(mark), "place": place} for place, mark in enumerate(shown[data["name"]])]
    drawn = clean(vl_convert.vega_to_svg(json.dumps(spec, allow_nan=False), allowed_base_urls=[]), layers)
    marks = _POINTS.search(drawn)
    names, room = written(plot, ticks["x"], ticks["y"])
    picture = element(
        "svg",
        element(
            "svg", Html(_POINTS.sub("", drawn)), class_="lines", viewBox=f"0 0 {WIDTH} {plot.height}", preserveAspectRatio="none", width="100%",
            height="100%",
        ),
        element("svg", element("g", _marks(plot.points, marks[0] if marks else ""), class_="points"), class_="marks"),
        names, role="img", aria_label=label, height=plot.height, class_=room or None,
    )  # fmt: skip
    return framed(plot, picture)


def framed(plot: Plot, picture: Html) -> Html:
    """Return a drawing between the titles of its axes."""
    above, below = (element("p", title, class_="axis") if title else None for title in (plot.y_title, plot.x_title))
    return join([above, picture, below])


_POINTS = re.compile(r'<g class="points">.*?</g>')
_PLACE = re.compile(r'<path(?: transform="translate\(([^,]*),([^)]*)\)")?')


def _marks(points: list[Row], drawn: str) -> Html:
    """Put the mark of its meaning at the place of each point."""
    places = _PLACE.findall(drawn)
    return Html(
        "".join(
            f'<use href="#{point["mark"]}" x="{percent(float(x or 0) / WIDTH)}" y="{y or 0}"/>'
            for point, (x, y) in zip(points, places, strict=True)
        )
    )


def _drawn(mark: Row) -> Row:
    """Return a mark without its words, which never enter a specification."""
    return {key: value for key, value in mark.items() if key not in ("said", "key", "mark")}


def _ticks(plot: Plot) -> dict[str, list[tuple[float, str]]]:
    """Return the ticks of both axes with their words; an axis that names its places in another way has none."""
    if plot.x_time is None:
        x = number_ticks(*plot.x_domain, most=9, whole=plot.x_counts)
    else:
        x = plot.x_time.ticks(*plot.x_domain, most=10 if plot.x_time.written == "%H:%M" else 6)
    return {"x": x if plot.x_axis else [], "y": number_ticks(*plot.y_domain, most=6) if plot.y_axis else []}


def _axes(plot: Plot, ticks: dict[str, list[tuple[float, str]]]) -> list[Row]:
    """Return grid, ticks and lines of the axes; they stand in the middle of a pixel, so that they are drawn sharp."""
    (left, right), (low, high) = plot.x_domain, plot.y_domain
    a_pixel, a_line = (right - left) / WIDTH, (high - low) / plot.height
    first, last, top, bottom = (
        left + 0.5 * a_pixel, right + 0.5 * a_pixel, high - 0.5 * a_line, low - 0.5 * a_line,
    )  # fmt: skip
    across = [left + (_nearest((place - left) / a_pixel) + 0.5) * a_pixel for place, _ in ticks["x"]]
    down = [high - (_nearest((high - place) / a_line) + 0.5) * a_line for place, _ in ticks["y"]]
    lines = [(first, last, y, y, "grid") for y in down]
    lines += [(x, x, bottom, bottom - _TICK * a_line, "inner") for x in across]
    lines.append((first, last, bottom, bottom, "inner"))
    if plot.y_axis:
        lines += [(first, first - _TICK * a_pixel, y, y, "inner") for y in down]
        lines.append((first, first, bottom, top, "inner"))
    return [{"x": x, "x2": x2, "y": y, "y2": y2, "colour": f"var(--{colour})"} for x, x2, y, y2, colour in lines]


_TICK = 4
"""Pixels."""


def _nearest(pixels: float) -> int:
    return math.floor(pixels + 0.5)


def _values(plot: Plot) -> Html:
    """Return what a script needs to tell values and to enlarge the chart: numbers and our own words, as data.

    Nothing in it is ever run.
    """
    timed = plot.x_time is not None
    start = math.floor(plot.x_domain[0]) if timed else 0
    decimals = [0 if plot.x_counts else plot.x_decimals, plot.y_decimals]
    points = [
        [round(point["x"] - start) if timed else _value(point["x"], decimals[0]), _value(point["y"], decimals[1])]
        for point in plot.points
    ]
    said = [point.get("said", "") for point in plot.points]
    keys = [int(key) if (key := point.get("key", "")).isdecimal() else key for point in plot.points]
    document: Row = {
        "domain": [*plot.x_domain, *plot.y_domain],
        "area": [WIDTH, plot.height],
        "axes": [int(plot.x_axis), int(plot.y_axis)],
        "titles": [plot.x_title, plot.y_title],
        "points": points,
    }
    if decimals != [None, None]:
        document["decimals"] = decimals
    if plot.x_time is not None:
        stretches = plot.x_time.stretches(*plot.x_domain)
        offsets = [(start, offset, offset_in_words(timedelta(milliseconds=offset))) for start, _, offset in stretches]
        document |= {"timed": offsets, "start": start}
    if plot.names_below:
        document["places"] = [[x, name] for x, name in plot.names_below]
    if any(said):
        document["said"] = said
    if any(key != "" for key in keys):
        # most charts over a number are keyed by that number
        document |= {"keys": "x" if keys == [x for x, _ in points] else keys, "set": plot.keys_of}
    return data_block(document)


def _value(value: float, decimals: int | None) -> float:
    """Return a value as exactly as a reader of a chart could want it, so that the script rounds it as the tables are rounded.

    A script rounds a half up that Python rounds to even.
    """
    short = float(f"{value:.7g}")
    if decimals is None:
        return short
    written = f"{value:.{decimals}f}"
    return (
        short
        if f"{Decimal(short).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)}" == written
        else float(written)
    )


def figure(number: int, anchor: str, chart: Html, *sentences: str, table: str | None = None, there: str = "") -> Html:
    """Return a figure with its caption and a link to the table of its points.

    The chart can be reached by keyboard, for the script that answers keys.

    Parameters
    ----------
    number
        Its number on the page.
    anchor
        Name by which the page links to it; our own word, never data.
    chart
        From :func:`svg`.
    *sentences
        Caption; empty ones are left out.
    table
        Anchor of the table of its points.
    there
        Address of the page that holds the table, relative to this one; empty for this one.
    """
    name = words.FRAGMENT["figure"].format(n=number)
    caption: list[object] = [element("b", f"{name}. "), join([s for s in sentences if s], " ")]
    if table is not None:
        caption += [" ", element("a", words.FIGURE["points"], href=f"{there}#table-{table}")]
    frame = element("div", chart, class_="chart", role="group", tabindex="0", aria_label=name)
    return element("figure", frame, element("figcaption", *caption), id=f"figure-{anchor}")
