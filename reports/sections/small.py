"""Drawings as small as a word: they stand in a table beside the numbers they show, so a reader who cannot see them misses nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.marks import mark_id
from reports.kit.markup import Html, element

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["STYLE", "interval_bar", "small_line"]

_LINE, _BAR, _HEIGHT, _EDGE = 130.0, 220.0, 22.0, 5.0
STYLE = ".small{display:block;max-width:none;fill:none}"
"""Rules that a page with small drawings adds."""


def small_line(values: Sequence[float | None]) -> Html:
    """Draw values in their order from nothing up to the largest; a missing one leaves a gap, the last is what the page is about."""
    top = max((value for value in values if value is not None), default=0) or 1
    step = (_LINE - 2 * _EDGE) / max(len(values) - 1, 1)
    places = [
        None if value is None else (_EDGE + step * n, _HEIGHT - _EDGE - value / top * (_HEIGHT - 2 * _EDGE))
        for n, value in enumerate(values)
    ]
    lines = [
        element("path", d=f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}", stroke="var(--spot)", stroke_width=1.5)
        for a, b in zip(places, places[1:], strict=False)  # noqa: RUF007
        if a and b
    ]
    dots = [
        _mark(*at, "own" if n == len(places) - 1 else "plain")
        for n, at in enumerate(places)
        if at
    ]  # fmt: skip
    return _drawn(_LINE, *lines, *dots)


def interval_bar(value: float, interval: tuple[float, float] | None, reach: float) -> Html:
    """Draw a share of a tolerance with its interval between the lines of the tolerance.

    Parameters
    ----------
    value, interval
        1 is the tolerance.
    reach
        Share at the ends of the drawing, at least 1; the same for all rows of a table.
    """

    def place(share: float) -> str:
        return f"{_BAR / 2 + share / reach * (_BAR / 2 - _EDGE):.1f}"

    def upright(share: float, colour: str, half: float, dash: str | None = None) -> Html:
        x = place(share)
        d = f"M{x} {_HEIGHT / 2 - half}V{_HEIGHT / 2 + half}"
        return element("path", d=d, stroke=f"var(--{colour})", stroke_width=1.5, stroke_dasharray=dash)

    beyond = abs(value) > 1
    colour = "flag" if beyond else "point"
    marks = [upright(end, "tolerance", _HEIGHT / 2, "5 2 1 2") for end in (-1, 1)] + [
        upright(0, "inner", _HEIGHT / 2, "1 2")
    ]
    if interval is not None:
        low, high = interval
        d = f"M{place(low)} {_HEIGHT / 2}H{place(high)}"
        marks += [element("path", d=d, stroke=f"var(--{colour})", stroke_width=2)]
        marks += [upright(end, colour, 4) for end in interval]
    return _drawn(_BAR, *marks, _mark(float(place(value)), _HEIGHT / 2, "out" if beyond else "plain"))


def _mark(x: float, y: float, meaning: str) -> Html:
    return element("use", href=f"#{mark_id(meaning)}", x=f"{x:.1f}", y=f"{y:.1f}")


def _drawn(width: float, *marks: Html) -> Html:
    size = {"width": f"{width:g}", "height": f"{_HEIGHT:g}"}
    return element("svg", *marks, **size, viewBox=f"0 0 {width:g} {_HEIGHT:g}", class_="small", aria_hidden="true")
