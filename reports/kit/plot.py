"""What a chart shows, in the coordinates of its data: lines, marks by their meaning, names; nothing here knows how it is drawn."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from reports.kit.marks import mark_id

if TYPE_CHECKING:
    from reports.kit.times import TimeAxis

__all__ = ["HEIGHT", "WIDTH", "Plot", "Row"]

WIDTH, HEIGHT = 640, 250
"""In which the template draws; a page stretches the width."""

Row = dict[str, Any]

_DASHES = {"solid": [], "long": [9, 4], "dot": [1.5, 3.5], "dashdot": [9, 3, 2, 3], "short": [4, 3]}


@dataclass
class Plot:
    """Marks of one chart in the coordinates of its data; times are milliseconds.

    Parameters
    ----------
    x_domain, y_domain
        What the axes span.
    x_title, y_title
        With the unit.
    x_time
        The axis of time, of whose places the others are; None for a numeric axis.
    x_axis, y_axis
        Whether the axis has numbers; without them `names_below` or `notes` say what the places are.
    height
        Height of the plot in pixels.
    keys_of
        What the keys of the points count; points of charts that count the same thing light up together.
    x_counts
        Whether the numbers of the x axis count things: none lies between two whole ones, and one is told as it is.
    x_decimals, y_decimals
        How many decimals a value is told with, as in the tables of the page; without them it is not told.
    """

    x_domain: tuple[float, float]
    y_domain: tuple[float, float]
    x_title: str
    y_title: str
    x_time: TimeAxis | None = None
    x_axis: bool = True
    y_axis: bool = True
    height: int = HEIGHT
    keys_of: str = ""
    x_counts: bool = False
    x_decimals: int | None = None
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
        """Add a filled rectangle; a bar has an edge that can be told from paper, a band is bounded by lines of its own."""
        edge = {"edge": "var(--spot)"} if colour == "bar" else {}
        self.rects.append({"x": x, "x2": x2, "y": y, "y2": y2, "colour": f"var(--{colour})", **edge})

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

    def point(self, x: float, y: float, meaning: str, *, said: str = "", key: str = "", big: bool = False) -> None:
        """Add a mark.

        Parameters
        ----------
        x, y
            Where.
        meaning
            What it tells, one of `reports.kit.marks.MARKS`; from it follows how it looks, on every page.
        said
            What it stands for, such as the part and spot; a script shows it beside the values.
        key
            Marks with the same key in other charts of the page stand for the same thing and light up together.
        big
            For charts of few marks.

        Raises
        ------
        KeyError
            If no mark has this meaning.
        """
        mark = {"x": x, "y": y, "mark": mark_id(meaning, big=big)}
        self.points.append({**mark, **({"said": said} if said else {}), **({"key": key} if key else {})})

    def name(self, x: float, y: float, name: str, colour: str = "ink") -> None:
        """Write a name just above a point."""
        self.names.append((x, y, name, colour))
