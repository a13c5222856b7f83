"""A drawn chart made small and harmless: only elements and attributes that draw, places in tenths of a pixel."""

from __future__ import annotations

import re
from functools import lru_cache

from reports.kit.markup import Html

__all__ = ["clean"]

_PIECE = re.compile(r"<[^>]*>|[^<]+")
_NAME = re.compile(r"</?([A-Za-z]+)")
_ATTRIBUTE = re.compile(r' ([A-Za-z][A-Za-z0-9:-]*)="([^"]*)"')
_KEPT = {"d", "transform", "fill", "stroke", "stroke-width", "stroke-dasharray", "text-anchor", "font-weight", "x2", "y2",
         "font-size", "x", "y", "width", "height", "opacity"}  # fmt: skip
_PLAIN = {("opacity", "1"), ("stroke-width", "1"), ("font-size", "12px"), ("text-anchor", "start"), ("x2", "0"), ("y2", "0"),
          ("fill", "none"), ("transform", "translate(0,0)"), ("stroke-dasharray", "")}  # fmt: skip
"""Values that are the default, or stand on the outer element."""
_LONG = re.compile(r"-?\d+\.\d\d+")
_ELEMENTS = {"g", "path", "line", "text", "rect"}
_GROUP = re.compile(r'class="[^"]*role-mark layer_(\d+)_marks"')
_EMPTY_GROUP = re.compile(r"<g(?: [^>]*)?></g>")
_BARE_GROUP = re.compile(r"<g>((?:<(?:path|line|text|rect)[^>]*/>|<text[^>]*>[^<]*</text>)*)</g>")


def _rounded(number: re.Match[str]) -> str:
    return f"{float(number[0]):.1f}".removesuffix(".0")


@lru_cache(maxsize=1 << 12)
def _written(key: str, value: str) -> str:
    """Return an attribute as it is kept, or nothing; most come again and again."""
    if key not in _KEPT or (key, value) in _PLAIN:
        return ""
    return f' {key}="{_LONG.sub(_rounded, value)}"'


def clean(drawn: str, layers: tuple[str, ...] = ()) -> Html:
    """Keep the elements and attributes that draw; refuse an element that a chart of ours does not have.

    The page needs no style, identifier or address inside a chart, and a third of the bytes is such. Of the classes only
    two are kept, written by us: those that tell the groups of axes and of each layer's marks.
    """
    kept: list[str] = []
    for piece in _PIECE.findall(drawn):
        if piece[0] != "<":
            kept.append(piece)
            continue
        name = _NAME.match(piece)
        if name is None or (name[1] != "svg" and name[1] not in _ELEMENTS):
            raise ValueError(f"a chart holds an element that was not expected: {piece[:60]}")
        if name[1] == "svg":
            continue
        if piece.startswith("</"):
            kept.append(piece)
            continue
        attributes = _ATTRIBUTE.findall(piece)
        kind = ""
        if name[1] == "g" and (found := _GROUP.search(piece)):
            kind = f' class="{layers[int(found[1])]}"'
        if name[1] == "path" and not {"fill", "stroke"} & {key for key, value in attributes if value != "none"}:
            continue  # ground and frame of a group, drawn with nothing
        kept.append(
            f"<{name[1]}{kind}"
            + "".join([_written(key, value) for key, value in attributes])
            + ("/>" if piece.endswith("/>") else ">")
        )
    cleaned = "".join(kept)
    while True:
        fewer = _BARE_GROUP.sub(r"\1", _EMPTY_GROUP.sub("", cleaned))
        if fewer == cleaned:
            return Html(cleaned)
        cleaned = fewer
