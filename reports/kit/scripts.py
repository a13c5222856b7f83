"""The scripts of pages: our own, small, and let through by their hashes alone.

A page is complete without them. They run no text as code, write no markup, fetch nothing and keep nothing; but
readings that are typed by hand stay in the browser until they were taken, and a served page listens whether it was written again.
"""

from __future__ import annotations

import json
import re
from importlib.resources import files
from typing import Any

from reports.kit.markup import Html, visible

__all__ = ["BOARD_CLOCK", "CHANGED", "CHARTS", "ENTRY", "INDEX_FILTER", "as_data", "data_block"]


def _script(name: str) -> str:
    """Return a script of this folder without its comments and indents, as it stands in pages."""
    source = files("reports.kit").joinpath(name).read_text(encoding="utf-8")
    lines = (line.strip() for line in source.splitlines())
    return "\n".join(line for line in lines if line and not line.startswith("//"))


CHARTS = _script("charts.js")
"""Values of marks, enlarging, linked selections."""
INDEX_FILTER = _script("index.js")
"""Search and filters of the index."""
BOARD_CLOCK = _script("board.js")
"""Clock of the board, and the age of its data."""
ENTRY = _script("entry.js")
"""Readings typed by hand, on served pages: what is typed is kept in the browser until it was taken."""

CHANGED = _script("changed.js")
"""Whether the page was written again, on served pages."""


def as_data(value: Any) -> str:
    """Return JSON that can stand in a page: no character of it ends its element, none is invisible.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    written = json.dumps(_visible(value), allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return re.sub("[<>&]", lambda found: f"\\u{ord(found[0]):04x}", written)


def data_block(value: Any, name: str | None = None) -> Html:
    """Return an element that holds data for a script and is never run itself."""
    named = f' id="{name}"' if name else ""
    return Html(f'<script type="application/json"{named}>{as_data(value)}</script>')


def _visible(value: Any) -> Any:
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, dict):
        return {key: _visible(item) for key, item in value.items()}
    if isinstance(value, float | int):
        return value
    return [_visible(item) for item in value] if isinstance(value, list | tuple) else value
