"""The label of a lot or a block, 62 mm by 29 mm: what it is, its state in word and shape, dates, and its id as a code. Black on white."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from reports.kit.markup import Html, element, join, visible
from reports.kit.numbers import Clock
from reports.kit.states import shape_of, shapes
from reports.paper.page import cut
from reports.words import block as block_words
from reports.words import general
from reports.words import label as words

if TYPE_CHECKING:
    from schemas.papers import LabelPage

__all__ = ["HEIGHT_MM", "QUIET", "WIDTH_MM", "label"]

WIDTH_MM, HEIGHT_MM = 62.0, 29.0
QUIET = 4
"""Modules that stay white around a QR code (ISO/IEC 18004; from memory)."""
_CODE_MM = 25.0
_LEFT, _ROOM = 2.0, 33.0
_NARROW = 0.62
"""Width of a character over its height, on the safe side for a bold sans serif."""
_BOLD = 0.58
"""The same of the words of a state, which are small letters."""
_STATE = 17
"""Characters of a state that fit on one line in 8 pt."""
_SMALL, _BIG = 2.9, 6.0  # 8.2 pt and 17 pt


def label(page: LabelPage) -> str:
    """Return a label as an SVG file.

    Parameters
    ----------
    page
        What stands on it.

    Returns
    -------
    str
        A document of its own: no script, no font, no address; the same for the same label.
    """
    clock, kind = Clock(page.zone), words.LABEL[page.kind]
    if page.kind == "block":
        state = block_words.STATE[page.state]
    else:
        state = general.FIRST[page.first] if page.first else general.VERDICT[page.state]
    shown = "conditional" if page.first else page.state
    lines = _name_lines(page.identifier)
    size = min(_BIG, _ROOM / (_NARROW * max(len(line) for line in lines)), 8.6 / len(lines))
    names = [_text(line, 5.2 + size * (place + 1), size, bold=True) for place, line in enumerate(lines)]
    dated = words.DATED[page.kind].format(day=clock.day(page.dated)) if page.dated else words.DATED[f"{page.kind}_none"]
    due = (
        words.LABEL["due"].format(day=clock.day(page.due))
        if page.due
        else words.LABEL["no_due"]
        if page.kind == "block"
        else None
    )
    said = textwrap.wrap(state, _STATE) if len(state) > _STATE else [state]
    word_size = 3.6 if len(said) == 1 else _SMALL
    word_size = min(word_size, (_ROOM - 4.0) / (_BOLD * max(len(line) for line in said)))
    first = 19.0 if len(said) == 1 else 17.4
    states = [
        _text(line, first + 3.2 * place, word_size, bold=True, left=_LEFT + 5.0) for place, line in enumerate(said)
    ]
    inside = [
        shapes(Html("")),
        element("rect", width=WIDTH_MM, height=HEIGHT_MM, fill="#fff"),
        _text(kind, 4.6, _SMALL),
        *names,
        element("use", href=f"#shape-{shape_of(shown)}", x=_LEFT, y=15.6, width=4.2, height=4.2),
        *states,
        _text(dated, 23.6, _SMALL),
        _text(due, 27.2, _SMALL) if due else None,
        _code(page),
    ]
    title = words.LABEL["title"].format(kind=kind, name=page.identifier, state=state)
    drawn = element(
        "svg", element("title", title), join(part for part in inside if part is not None), xmlns="http://www.w3.org/2000/svg",
        width=f"{WIDTH_MM:g}mm", height=f"{HEIGHT_MM:g}mm", viewBox=f"0 0 {WIDTH_MM:g} {HEIGHT_MM:g}", color="#000",
        font_family="Arial, Helvetica, Liberation Sans, sans-serif",
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{drawn}\n'


def _name_lines(identifier: str) -> list[str]:
    """Return an id in at most three lines, cut where it is longer; the code holds all of it."""
    name = visible(identifier)
    if len(name) <= 10:
        return [name]
    shown = cut(name, 51)
    wide = 17 if len(shown) > 28 else -(-len(shown) // 2)
    return [shown[start : start + wide] for start in range(0, len(shown), wide)]


def _text(said: str, y: float, size: float, *, bold: bool = False, left: float = _LEFT) -> Html:
    return element("text", said, x=left, y=f"{y:.2f}", font_size=f"{size:.2f}", font_weight="bold" if bold else None)


def _code(page: LabelPage) -> Html:
    """Draw the dark modules row by row, a run of them as one stroke of a path."""
    side = len(page.code) + 2 * QUIET
    path = []
    for y, row in enumerate(page.code):
        x = 0
        while x < len(row):
            start = x
            while x < len(row) and row[x]:
                x += 1
            if x > start:
                path.append(f"M{start + QUIET} {y + QUIET}h{x - start}v1h-{x - start}z")
            x += 1
    scale = _CODE_MM / side
    place = f"translate({WIDTH_MM - _CODE_MM - 1:g} {(HEIGHT_MM - _CODE_MM) / 2:g}) scale({scale:.6f})"
    return element("path", d="".join(path), fill="#000", transform=place, shape_rendering="crispEdges")
