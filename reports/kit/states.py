"""How a state looks: one of four tones and a shape, beside the word that says it."""

from __future__ import annotations

from functools import lru_cache

from reports.kit.marks import marks_in
from reports.kit.markup import Html, element, join, text

__all__ = ["TONES", "glyph", "shape_of", "shapes", "toned"]

TONES = {
    "conditional": "hold", "accept": "accept", "fit": "accept", "supported": "accept", "passed": "accept", "in": "accept",
    "hold": "hold", "overdue": "hold", "open": "hold", "undecided": "hold", "unsupported": "hold",
    "reject": "reject", "suspended": "reject", "suspect": "reject", "failed": "reject", "out": "reject",
    "not_assessed": "none", "closed": "accept", "steady": "accept", "moved": "reject", "unclear": "hold",
}  # fmt: skip
"""Which of the four tones a state has; words and shapes say more than these."""

_RING = "M12 1.5a10.5 10.5 0 1 0 0 21a10.5 10.5 0 1 0 0-21z"
_OCTAGON = "M7.7 1.5h8.6l6.2 6.2v8.6l-6.2 6.2h-8.6l-6.2-6.2v-8.6z"
_BROKEN = (
    "M12 1.5a10.5 10.5 0 0 1 8.9 4.9M22.3 9.5a10.5 10.5 0 0 1-1.4 8.1M18.2 20.5a10.5 10.5 0 0 1-8.4 1.8"
    "M6.7 21.1a10.5 10.5 0 0 1-5-6.6M1.6 11.2a10.5 10.5 0 0 1 4.1-7.6"
)
_GLYPHS = {
    # a circle with a tick; an octagon with a broad edge and two bars; a filled diamond with a cross; a dial; a broken circle with a dash
    "accept": (f"{_RING}M6.5 12.5l4 4l7.5-9", None, None),
    "hold": (f"{_OCTAGON}M10 8.8v6.4M14 8.8v6.4", f"{_OCTAGON}M8.6 3.7l-4.9 4.9v6.8l4.9 4.9h6.8l4.9-4.9v-6.8l-4.9-4.9z", None),
    "reject": ("M12 .8l11.2 11.2l-11.2 11.2l-11.2-11.2z", "M12 .8l11.2 11.2l-11.2 11.2l-11.2-11.2z", "M8.2 8.2l7.6 7.6M15.8 8.2l-7.6 7.6"),
    # the circle of an accept, with a mark of attention instead of the tick
    "conditional": (f"{_RING}M12 6v7.5M12 16.5v1.5", None, None),
    "overdue": (_RING, "M12 1.5a10.5 10.5 0 0 1 9 15.9l-9-5.4z", None),
    "none": (f"{_BROKEN}M8 12h8", None, None),
}  # fmt: skip
"""Lines, what is filled, and lines on what is filled: how much is filled tells a hold and a reject apart where there is no colour."""
_GLYPH_OF = {"overdue": "overdue", "conditional": "conditional"}


def glyph(state: str) -> Html:
    """Return the shape of a state; it is decoration, the word stands beside it. It is drawn once a page."""
    return element("svg", element("use", href=f"#shape-{shape_of(state)}"), viewBox="0 0 24 24", aria_hidden="true")


def shape_of(state: str) -> str:
    """Return which of the shapes a state has."""
    return _GLYPH_OF.get(state, TONES.get(state, "none"))


def shapes(sheet: Html) -> Html:
    """Return the shapes that :func:`glyph` and the marks of the charts of a page refer to."""
    marks = marks_in(sheet)
    return element(
        "svg",
        _symbols(),
        element("defs", *marks) if marks else None,
        width=0,
        height=0,
        class_="shapes",
        aria_hidden="true",
    )


@lru_cache(maxsize=1)
def _symbols() -> Html:
    return join(
        element(
            "symbol",
            element("path", d=filled, fill="currentColor") if filled else None,
            element("path", d=lines, fill="none", stroke="currentColor", stroke_width="2", stroke_linejoin="round"),
            element("path", d=inside, fill="none", stroke="var(--ground,#fff)", stroke_width="1.6") if inside else None,
            id=f"shape-{name}",
            viewBox="0 0 24 24",
        )
        for name, (lines, filled, inside) in _GLYPHS.items()
    )


def toned(state: str | None, word: str) -> Html:
    """Return a word in the tone of a state, with its shape."""
    if state is None:
        return text(word)
    return element("span", glyph(state), word, class_=f"tone t-{TONES.get(state, 'none')}")
