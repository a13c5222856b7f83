"""What pure functions said is kept for the time of a process, for many tests ask the same: a text parsed, a page rendered, a frame validated.

The handbook comes into each workspace that is rendered, always the same, and the same few exports are read by hundreds of tests.
"""

from __future__ import annotations

import hashlib
from functools import cache
from typing import TYPE_CHECKING, Any

from reports.handbook import page as handbook
from reports.kit import links
from schemas import validate

if TYPE_CHECKING:
    import polars as pl

    from schemas.declare import Table
    from schemas.handbook import HandbookPage

__all__ = ["render_anew"]

_parsed, _render = handbook.parsed, handbook.render
_PAGES: dict[Any, tuple[str, set[str]]] = {}


def render_anew() -> None:
    """Forget the pages of the handbook that were rendered: for tests that render twice and compare."""
    _PAGES.clear()


def _rendered(page: HandbookPage) -> str:
    """Render a page of the handbook once for each language and each set of pages that it may link to: its own and the index."""
    site = links._site.get()
    if site is None:
        return _render(page)
    near = (
        None
        if site.known is None
        else frozenset(one for one in site.known if one.startswith("handbook/") or "/" not in one)
    )
    key = (page, site.alone, near, site.here, site.language, None if site.texts is None else tuple(site.texts.items()))
    if key not in _PAGES:
        before, site.missing = site.missing, set()
        try:
            _PAGES[key] = _render(page), site.missing
        finally:
            site.missing = before | site.missing
    text, missing = _PAGES[key]
    site.missing |= missing
    return text


class _Remembering:
    """A contract that looks at the very same frame once; what breaks it is found anew each time."""

    def __init__(self, table: Table) -> None:
        self._contract, self._kept = table.pandera(), set[bytes]()

    def validate(self, frame: pl.DataFrame, **how: Any) -> pl.DataFrame:
        told = hashlib.sha256(repr(frame.schema).encode() + frame.write_ipc(None).getvalue()).digest()
        if told not in self._kept:
            self._contract.validate(frame, **how)
            self._kept.add(told)
        return frame


handbook.parsed = cache(_parsed)
object.__setattr__(handbook.REPORT, "render", _rendered)
validate._contract = cache(_Remembering)  # type: ignore[assignment]
