"""Static charts: one plot description, one Altair template, one clean SVG.

A :class:`Plot` holds marks in data coordinates with their look in them, so the template needs no scale but the two of
position and stays the same for every page; it is declared in Altair once for each set of layers. Words are written
beside the drawing by us: none of them enters a chart specification, where text could become an expression, and
measuring text is most of what a chart costs. Geometry is fixed, so the same data gives the same bytes everywhere.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import altair as alt
import vl_convert

from reports.kit.clean_svg import clean
from reports.kit.geometry import apart, number_ticks, stacked, time_ticks, time_words
from reports.kit.markup import Html, element, join
from reports.kit.scripts import data_block
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

__all__ = ["HEIGHT", "WIDTH", "Plot", "drawing", "figure", "svg"]

WIDTH, HEIGHT = 640, 250
_LEFT, _RIGHT, _TOP, _BOTTOM = 66, 128, 42, 48

Row = dict[str, Any]

_DASHES = {"solid": [], "long": [9, 4], "dot": [1.5, 3.5], "dashdot": [9, 3, 2, 3], "short": [4, 3]}
_SHAPES = {
    "circle": ("circle", 34.0),
    "diamond": ("diamond", 78.0),
    "triangle": ("triangle-up", 62.0),
    "square": ("square", 48.0),
    "big_circle": ("circle", 150.0),
    "big_diamond": ("diamond", 190.0),
    "big_square": ("square", 130.0),
}


@dataclass
class Plot:
    """Marks of one chart in the coordinates of its data; times are milliseconds.

    Parameters
    ----------
    x_domain, y_domain
        What the axes span.
    x_title, y_title
        With the unit.
    x_format
        None for a numeric axis, else the format of a time axis.
    x_axis, y_axis
        Whether the axis has numbers; without them `names_below` or `notes` say what the places are.
    height
        Height of the plot in pixels.
    keys_of
        What the keys of the points count; points of charts that count the same thing light up together.
    x_counts
        Whether the numbers of the x axis count things, so that none lies between two whole ones.
    y_decimals
        How many decimals a value is told with, as in the tables of the page; None for as many as it has.
    """

    x_domain: tuple[float, float]
    y_domain: tuple[float, float]
    x_title: str
    y_title: str
    x_format: str | None = None
    x_axis: bool = True
    y_axis: bool = True
    height: int = HEIGHT
    keys_of: str = ""
    x_counts: bool = False
    y_decimals: int | None = None
    rects: list[Row] = field(default_factory=list)
    segments: list[Row] = field(default_factory=list)
    path: list[Row] = field(default_factory=list)
    points: list[Row] = field(default_factory=list)
    names: list[tuple[float, float, str, str]] = field(default_factory=list)
    names_right: list[tuple[float, str, str]] = field(default_factory=list)
    names_below: list[tuple[float, str]] = field(default_factory=list)
    names_row: list[tuple[float, str, str]] = field(default_factory=list)
    notes: list[tuple[float, float, str, str]] = field(default_factory=list)

    def rect(self, x: float, x2: float, y: float, y2: float, colour: str = "bar") -> None:
        """Add a filled rectangle."""
        self.rects.append({"x": x, "x2": x2, "y": y, "y2": y2, "colour": f"var(--{colour})"})

    def segment(
        self, x: float, x2: float, y: float, y2: float, colour: str, *, dash: str = "solid", width: float = 1.25
    ) -> None:
        """Add a straight line."""
        self.segments.append(
            {"x": x, "x2": x2, "y": y, "y2": y2, "colour": f"var(--{colour})", "dash": _DASHES[dash], "width": width}
        )

    def across(self, y: float, colour: str, label: str, *, dash: str = "solid", width: float = 1.25) -> None:
        """Add a line over the whole width, labelled at its end."""
        self.segment(*self.x_domain, y, y, colour, dash=dash, width=width)
        self.names_right.append((y, label, colour))

    def point(
        self, x: float, y: float, shape: str, colour: str, filled: bool = False, *, said: str = "", key: str = ""
    ) -> None:
        """Add a mark; a hollow one is filled with paper, so that lines do not cross it.

        Parameters
        ----------
        x, y
            Where.
        shape, colour, filled
            How it looks.
        said
            What it stands for, such as the part and spot; a script shows it beside the values.
        key
            Marks with the same key in other charts of the page stand for the same thing and light up together.
        """
        name, size = _SHAPES[shape]
        mark = {
            "x": x, "y": y, "shape": name, "size": size, "colour": f"var(--{colour})",
            "fill": f"var(--{colour if filled else 'paper'})",
        }  # fmt: skip
        self.points.append({**mark, **({"said": said} if said else {}), **({"key": key} if key else {})})

    def name(self, x: float, y: float, name: str, colour: str = "ink") -> None:
        """Write a name just above a point."""
        self.names.append((x, y, name, colour))


MOST_ROWS = 2
"""Rows of names below the axis; what finds no room there stands in the table only."""
_GAP = 15.0
"""Pixels between the middles of two words that stand one above the other."""
_VEGA_LITE = ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])
_LAYERS = ("rects", "segments", "path", "points")


def _layer(name: str, x: Callable[..., Any], y: Any) -> Any:
    """Return one layer; colours and shapes stand in the data, so no scale but those of position is made."""
    chart = alt.Chart(alt.NamedData(name))
    fill, stroke = alt.Fill("colour:N", scale=None), alt.Stroke("colour:N", scale=None)
    if name == "rects":
        return chart.mark_rect(aria=False).encode(x=x(), x2="x2:Q", y=y, y2="y2:Q", fill=fill)
    if name == "segments":
        return chart.mark_rule(aria=False, strokeCap="butt").encode(
            x=x(), x2="x2:Q", y=y, y2="y2:Q", stroke=stroke,
            strokeDash=alt.StrokeDash("dash:N", scale=None), strokeWidth=alt.StrokeWidth("width:Q", scale=None),
        )  # fmt: skip
    if name == "path":
        # in the order given; a point without y breaks the line, so that one path can be several lines
        return chart.mark_line(aria=False, strokeWidth=1, stroke="var(--spot)").encode(x=x(), y=y, order="place:Q")
    return chart.mark_point(aria=False, strokeWidth=1.4, opacity=1).encode(
        x=x(), y=y, shape=alt.Shape("shape:N", scale=None), size=alt.Size("size:Q", scale=None),
        stroke=stroke, fill=alt.Fill("fill:N", scale=None),
    )  # fmt: skip


@lru_cache(maxsize=32)
def _template(layers: tuple[str, ...], height: int, timed: bool, x_axis: bool, y_axis: bool) -> str:
    """Declare a chart in Altair and compile it, without data and with domains and ticks to be replaced.

    Compiling costs as much as drawing a small chart, and depends on nothing that a page brings.
    """
    axis: Row = {"title": None, "labels": False}
    bare: Row = {"ticks": False}
    shown_y: Row = {} if y_axis else {**bare, "grid": False, "domain": False}

    def x() -> alt.X:
        domain: Row = {"domain": [0, 1], "nice": False}
        return alt.X(
            f"x:{'T' if timed else 'Q'}",
            scale=alt.Scale(type="utc", **domain) if timed else alt.Scale(zero=False, **domain),
            axis=alt.Axis(**{**axis, "grid": False, **({} if x_axis else bare)}),
        )

    y = alt.Y(
        "y:Q",
        scale=alt.Scale(domain=[0, 1], nice=False, zero=False),
        axis=alt.Axis(**{**axis, **shown_y}),
    )
    chart = (
        alt.layer(*(_layer(name, x, y) for name in layers))
        .properties(
            width=WIDTH,
            height=height,
            padding={"left": _LEFT, "right": _RIGHT, "top": _TOP, "bottom": _BOTTOM},
            autosize=alt.AutoSizeParams(type="none"),
            background="transparent",
        )
        .configure_view(stroke=None)
        .configure_axis(
            aria=False, gridColor="var(--grid)",
            domainColor="var(--inner)", tickColor="var(--inner)", tickSize=4,
        )
    )  # fmt: skip
    compiled = vl_convert.vegalite_to_vega(
        {**chart.to_dict(), "datasets": {name: [] for name in layers}}, vl_version=_VEGA_LITE, show_warnings=False
    )
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
    layers = tuple(name for name in _LAYERS if getattr(plot, name)) or ("points",)
    spec = json.loads(_template(layers, plot.height, plot.x_format is not None, plot.x_axis, plot.y_axis))
    for scale in spec["scales"]:
        scale["domain"] = {"x": plot.x_domain, "y": plot.y_domain}[scale["name"]]
    ticks = _ticks(plot)
    for axis in spec["axes"]:
        axis["values"] = [place for place, _ in ticks[axis["scale"]]]
    for data in spec["data"]:
        if data["name"] in layers:
            data["values"] = [
                {**_drawn(mark), "place": place} for place, mark in enumerate(getattr(plot, data["name"]))
            ]
    drawn = vl_convert.vega_to_svg(json.dumps(spec, allow_nan=False), allowed_base_urls=[])
    width, height = _LEFT + WIDTH + _RIGHT, _TOP + plot.height + _BOTTOM + _GAP * len(_rows(plot))
    return element(
        "svg", clean(drawn, layers), _words(plot, ticks), viewBox=f"0 0 {width} {height}", role="img", aria_label=label,
        font_size=12,
    )  # fmt: skip


def _rows(plot: Plot) -> list[list[tuple[float, str, str]]]:
    """Return the names below the axis by row, each name (pixel, word, colour) where it covers no other."""
    low, high = plot.x_domain
    rows: list[list[tuple[float, str, str]]] = []
    ends: list[float] = []
    for x, name, colour in sorted(plot.names_row):
        half = 3.4 * len(name) + 4
        middle = min(max(_LEFT + (x - low) / (high - low) * WIDTH, half), _LEFT + WIDTH + _RIGHT - half)
        place = next((i for i, end in enumerate(ends) if middle - half >= end), len(ends))
        if place == MOST_ROWS:
            continue
        if place == len(ends):
            ends.append(0.0)
            rows.append([])
        ends[place] = middle + half
        rows[place].append((middle, name, colour))
    return rows


def _drawn(mark: Row) -> Row:
    """Return a mark without its words, which never enter a specification."""
    return {key: value for key, value in mark.items() if key not in ("said", "key")}


def _ticks(plot: Plot) -> dict[str, list[tuple[float, str]]]:
    """Return the ticks of both axes with their words; an axis that names its places in another way has none."""
    if plot.x_format is None:
        x = number_ticks(*plot.x_domain, most=9, whole=plot.x_counts)
    else:
        places = time_ticks(*plot.x_domain, most=10 if plot.x_format == "%H:%M" else 6)
        x = [(float(place), time_words(place, plot.x_format)) for place in places]
    return {"x": x if plot.x_axis else [], "y": number_ticks(*plot.y_domain, most=6) if plot.y_axis else []}


def _values(plot: Plot) -> Html:
    """Return what a script needs to tell values and to enlarge the chart: numbers and our own words, as data.

    Nothing in it is ever run.
    """
    timed = plot.x_format is not None
    start = math.floor(plot.x_domain[0]) if timed else 0
    points = [[_seven(point["x"] - start, timed=timed), _seven(point["y"])] for point in plot.points]
    said = [point.get("said", "") for point in plot.points]
    keys = [int(key) if (key := point.get("key", "")).isdecimal() else key for point in plot.points]
    document: Row = {
        "domain": [*plot.x_domain, *plot.y_domain],
        "area": [_LEFT, _TOP, WIDTH, plot.height],
        "axes": [int(plot.x_axis), int(plot.y_axis)],
        "titles": [plot.x_title, plot.y_title],
        "points": points,
    }
    if plot.y_decimals is not None:
        document["decimals"] = plot.y_decimals
    if timed:
        document |= {"timed": 1, "start": start}
    if plot.names_below:
        document["places"] = [[x, name] for x, name in plot.names_below]
    if any(said):
        document["said"] = said
    if any(key != "" for key in keys):
        # most charts over a number are keyed by that number
        document |= {"keys": "x" if keys == [x for x, _ in points] else keys, "set": plot.keys_of}
    return data_block(document)


def _seven(value: float, *, timed: bool = False) -> float:
    """Return a value as exactly as a reader of a chart could want it; a time to the millisecond."""
    return round(value) if timed else float(f"{value:.7g}")


def _words(plot: Plot, ticks: dict[str, list[tuple[float, str]]]) -> Html:
    """Write titles of axes and names beside the drawing, with a halo of paper where they cross a line."""

    def across(x: float) -> float:
        low, high = plot.x_domain
        return _LEFT + (x - low) / (high - low) * WIDTH

    def down(y: float) -> float:
        low, high = plot.y_domain
        return _TOP + (high - y) / (high - low) * plot.height

    def word(x: float, y: float, name: str, colour: str, anchor: str | None = None, *, halo: bool = False) -> Html:
        return element(
            "text", name, x=_short(x), y=_short(y), fill=f"var(--{colour})", text_anchor=anchor,
            stroke="var(--paper)" if halo else None, stroke_width="4" if halo else None,
            paint_order="stroke" if halo else None, font_weight="bold" if halo else None,
        )  # fmt: skip

    def tick(x: float, y: float, name: str) -> Html:
        return element("text", name, x=_short(x), y=_short(y))

    def group(kind: str, names: Iterable[Html]) -> Html:
        return element("g", *names, class_=kind)

    right = sorted((down(y), name, colour) for y, name, colour in plot.names_right)
    bottom = _TOP + plot.height + 18
    rows = _rows(plot)
    # a script that enlarges the chart moves each group in its own way
    return join(
        [
            word(2, 12, plot.y_title, "soft"),
            word(_LEFT, _TOP + plot.height + 40 + _GAP * len(rows), plot.x_title, "soft"),
            element(
                "g",
                *(tick(across(x), bottom, name) for x, name in ticks["x"]),
                element("g", *(tick(_LEFT - 8, down(y) + 4, name) for y, name in ticks["y"]), text_anchor="end"),
                class_="ticks", fill="var(--ink)", text_anchor="middle",
            ),
            group("below", [
                *(word(across(x), bottom, name, "ink", "middle") for x, name in plot.names_below),
                *(
                    word(x, bottom + _GAP * place + 17, name, colour, "middle")
                    for place, row in enumerate(rows)
                    for x, name, colour in row
                ),
            ]),
            group("inside", [
                *(word(across(x), down(y), name, colour) for x, y, name, colour in plot.notes),
                *(
                    word(x, y, name, colour, "middle", halo=True)
                    for x, y, name, colour in stacked(
                        [(across(x), down(y) - 9, name, colour) for x, y, name, colour in plot.names], _GAP
                    )
                ),
            ]),
            group("right", (
                word(_LEFT + WIDTH + 8, y + 4, name, colour)
                for y, (_, name, colour) in zip(apart([y for y, *_ in right], _GAP), right, strict=True)
            )),
        ]
    )  # fmt: skip


def _short(place: float) -> str:
    """Return a place in tenths of a pixel."""
    return f"{place:.1f}".removesuffix(".0")


def figure(number: int, anchor: str, chart: Html, *sentences: str, table: str | None = None, there: str = "") -> Html:
    """Return a figure with its caption and a link to the table of its points.

    A narrow screen scrolls the chart, so it can be reached by keyboard.

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
