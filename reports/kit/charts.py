"""Static charts: one plot description, one Altair template, one clean SVG that is as wide as there is room.

A :class:`Plot` holds marks in data coordinates with their look in them, so the template needs no scale but the two of
position and stays the same for every page; it is declared in Altair once for each set of layers. The engine draws bars, bands and
curves. Straight lines (axes, limits, whiskers), the places of marks and words are two multiplications and written here, where
they cost a thirtieth; a test holds straight lines and places against the engine. Lines are stretched to the
width of the page without getting thicker, marks and words stand at percents of it, so that both keep their size on any screen
and on paper. No word enters a chart specification, where text could become an expression.
Geometry is fixed, so the same data gives the same bytes everywhere.
"""

from __future__ import annotations

import json
import math
import re
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache
from typing import Any, NamedTuple

import vl_convert

from reports.kit.chart_words import percent, written
from reports.kit.clean_svg import clean
from reports.kit.geometry import number_ticks
from reports.kit.markup import Html, element, join
from reports.kit.numbers import offset_in_words
from reports.kit.plot import HEIGHT, WIDTH, Plot, Row
from reports.kit.scripts import data_block
from reports.kit.together import answered
from reports.words import general as words

__all__ = ["HEIGHT", "WIDTH", "Plot", "drawing", "figure", "framed", "svg"]


Ticks = dict[str, list[tuple[float, str]]]
_LAYERS = ("rects", "path")
"""What the engine draws."""


def _layer(name: str) -> Any:
    """Return one layer; colours and shapes stand in the data, so no scale but those of position is made."""
    import altair as alt  # takes longer than writing the page of a lot, which may need none of it

    x = alt.X("x:Q", scale=alt.Scale(domain=[0, 1], nice=False, zero=False), axis=None)
    y = alt.Y("y:Q", scale=alt.Scale(domain=[0, 1], nice=False, zero=False), axis=None)
    chart = alt.Chart(alt.NamedData(name))
    if name == "rects":
        fill, edge = alt.Fill("colour:N", scale=None), alt.Stroke("edge:N", scale=None)
        return chart.mark_rect(aria=False).encode(x=x, x2="x2:Q", y=y, y2="y2:Q", fill=fill, stroke=edge)
    # in the order given; a point without y breaks the line, so that one path can be several lines
    return chart.mark_line(aria=False, strokeWidth=1, stroke="var(--spot)").encode(x=x, y=y, order="place:Q")


@lru_cache(maxsize=4)
def _template(layers: tuple[str, ...]) -> str:
    """Declare a chart in Altair and compile it to what a group of a drawing holds, without data, domains and height.

    Compiling costs as much as drawing a dozen charts, and depends on nothing that a page brings.
    """
    import altair as alt

    declared = {**alt.layer(*map(_layer, layers)).to_dict(), "datasets": {name: [] for name in layers}}
    version = ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])
    compiled = vl_convert.vegalite_to_vega(declared, vl_version=version, show_warnings=False)
    # marks without a place would be taken out of copies of the data; ours have one, and each copy costs a quarter of a millisecond
    copied_from = {data["name"]: data["source"] for data in compiled["data"] if "source" in data}
    for marks in compiled["marks"]:
        marks["from"]["data"] = copied_from.get(marks["from"]["data"], marks["from"]["data"])
    return json.dumps(
        {
            "type": "group",
            "data": [data for data in compiled["data"] if data["name"] not in copied_from],
            "scales": compiled["scales"],
            "marks": compiled["marks"],
        },
        allow_nan=False,
    )


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
    names, room = written(plot, ticks["x"], ticks["y"])
    sketch = _sketch(plot, ticks)
    refers_to = "".join(f'href="#{mark}"' for mark in sorted({point["mark"] for point in plot.points}))
    picture = element(
        "svg", answered(_pictures, sketch, refers_to) if sketch.layers else _picture(sketch), names,
        role="img", aria_label=label, height=plot.height, class_=room or None,
    )  # fmt: skip
    return framed(plot, picture)


class _Sketch(NamedTuple):
    """What is drawn here of a chart: its straight lines by layer and its marks; and what the engine is told, if its help is needed."""

    height: int
    straight: dict[str, str]
    marks: Html
    layers: tuple[str, ...]
    group: str


def _sketch(plot: Plot, ticks: Ticks) -> _Sketch:
    straight = {"axis": _axes(plot, ticks), "segments": _segments(plot)}
    shown = {name: marks for name in _LAYERS if (marks := getattr(plot, name))}
    layers = tuple(shown)
    if not layers:
        return _Sketch(plot.height, straight, _marks(plot), (), "")
    group = json.loads(_template(layers))
    spans = {"x": (plot.x_domain, (0, WIDTH)), "y": (plot.y_domain, (plot.height, 0))}
    for scale in group["scales"]:
        scale["domain"], scale["range"] = spans[scale["name"]]
    for data in group["data"]:
        data["values"] = [{**mark, "place": place} for place, mark in enumerate(shown[data["name"]])]
    return _Sketch(plot.height, straight, _marks(plot), layers, json.dumps(group, allow_nan=False))


_MOST = 100
"""Charts of one drawing: what the engine holds of them at a time."""


def _pictures(sketches: list[_Sketch]) -> list[Html]:
    """Draw bars and curves of charts, many in one drawing, for each drawing costs a millisecond and a wait for another thread."""
    found: list[Html] = []
    for start in range(0, len(sketches), _MOST):
        some = sketches[start : start + _MOST]
        # the last one is left out: what ends the drawing would stand behind it
        groups = ",".join(f'{{"name":"chart_{n}",{sketch.group[1:]}' for n, sketch in enumerate([*some, some[-1]]))
        drawing = f'{{"$schema":"{_VEGA}","width":{WIDTH},"height":{HEIGHT},"padding":0,"autosize":"none","marks":[{groups}]}}'
        parts = _CHART.split(vl_convert.vega_to_svg(drawing, allowed_base_urls=[]))[1:-1]
        found += [_picture(sketch, part) for sketch, part in zip(some, parts, strict=True)]
    return found


_VEGA = f"https://vega.github.io/schema/vega/v{vl_convert.get_vega_version().split('.')[0]}.json"
_CHART = re.compile(r'<g class="mark-group role-scope chart_[0-9]+"[^>]*>')
_LAYER = re.compile(r'<g class="(\w+)">(.*?)</g>')


def _picture(sketch: _Sketch, drawn: str = "") -> Html:
    """Return the lines of a chart, which stretch with the page, and its marks, which do not."""
    layers = {**sketch.straight, **dict(_LAYER.findall(clean(drawn, sketch.layers)))}
    lines = "".join(
        f'<g class="{name}">{layers[name]}</g>' for name in ("axis", "rects", "segments", "path") if layers.get(name)
    )
    return Html(
        f'<svg class="lines" viewBox="0 0 {WIDTH} {sketch.height}" preserveAspectRatio="none" width="100%" height="100%">{lines}</svg>'
        f'<svg class="marks"><g class="points">{sketch.marks}</g></svg>'
    )


def framed(plot: Plot, picture: Html) -> Html:
    """Return a drawing between the titles of its axes."""
    above, below = (element("p", title, class_="axis") if title else None for title in (plot.y_title, plot.x_title))
    return join([above, picture, below])


def _placed(plot: Plot, x: float, y: float) -> tuple[float, float]:
    """Return the place of a value in pixels.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    (left, right), (low, high) = plot.x_domain, plot.y_domain
    if not (math.isfinite(x) and math.isfinite(y)):
        raise ValueError(f"a chart can show finite numbers alone, not ({x}, {y})")
    return (x - left) / (right - left) * WIDTH, (1 - (y - low) / (high - low)) * plot.height


def _tenth(pixels: float) -> str:
    return f"{pixels:.1f}".removesuffix(".0")


def _marks(plot: Plot) -> Html:
    """Put the mark of its meaning at the place of each point."""
    places = (_placed(plot, point["x"], point["y"]) for point in plot.points)
    return Html(
        "".join(
            f'<use href="#{point["mark"]}" x="{percent(round(x, 1) / WIDTH)}" y="{_tenth(y)}"/>'
            for point, (x, y) in zip(plot.points, places, strict=True)
        )
    )


def _segments(plot: Plot) -> str:
    """Return straight lines with their look; what is the default is left out."""
    drawn = []
    for line in plot.segments:
        x, y = _placed(plot, line["x"], line["y"])
        x2, y2 = _placed(plot, line["x2"], line["y2"])
        across, down, width = _tenth(x2 - x), _tenth(y2 - y), _tenth(line["width"])
        attributes = {
            "x2": across if across != "0" else "", "y2": down if down != "0" else "", "stroke": line["colour"],
            "stroke-width": width if width != "1" else "", "stroke-dasharray": ",".join(map(_tenth, line["dash"])),
        }  # fmt: skip
        written = "".join(f' {name}="{value}"' for name, value in attributes.items() if value)
        drawn.append(f'<line transform="translate({_tenth(x)},{_tenth(y)})"{written}/>')
    return "".join(drawn)


def _ticks(plot: Plot) -> Ticks:
    """Return the ticks of both axes with their words; an axis that names its places in another way has none."""
    if plot.x_time is None:
        x = number_ticks(*plot.x_domain, most=9, whole=plot.x_counts)
    else:
        x = plot.x_time.ticks(*plot.x_domain, most=10 if plot.x_time.written == "%H:%M" else 6)
    return {"x": x if plot.x_axis else [], "y": number_ticks(*plot.y_domain, most=6) if plot.y_axis else []}


def _axes(plot: Plot, ticks: Ticks) -> str:
    """Return grid, ticks and lines of the axes; they stand in the middle of a pixel, so that they are drawn sharp."""
    across = [math.floor(_placed(plot, x, plot.y_domain[0])[0] + 0.5) + 0.5 for x, _ in ticks["x"]]
    down = [math.floor(_placed(plot, plot.x_domain[0], y)[1] + 0.5) + 0.5 for y, _ in ticks["y"]]
    bottom = plot.height + 0.5
    inner = [f"M{x},{bottom}l0,{_TICK}" for x in across]
    inner.append(f"M0.5,{bottom}l{WIDTH},0")
    if plot.y_axis:
        inner += [f"M0.5,{y}l-{_TICK},0" for y in down]
        inner.append(f"M0.5,{bottom}l0,-{plot.height}")
    drawn = {"grid": "".join(f"M0.5,{y}l{WIDTH},0" for y in down), "inner": "".join(inner)}
    return "".join(f'<path d="{lines}" stroke="var(--{colour})"/>' for colour, lines in drawn.items() if lines)


_TICK = 4
"""Pixels."""


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
