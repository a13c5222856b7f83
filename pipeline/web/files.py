"""Pages as the files they are: no listing, nothing hidden, no link, and what thing a page is about."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address, kind_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from reports.kit.markup import Html

__all__ = ["page_file", "thing_of", "with_bar"]

_SHEET = b'<div class="sheet">'


def page_file(folder: Path, parts: list[str]) -> Path | None:
    """Return the file of an address, where it is one of the folder, in whatever spelling, and no link to one elsewhere."""
    if any(
        part in ("", ".", "..") or part.startswith(".") or "/" in part or "\\" in part
        for part in parts
        if parts != [""]
    ):
        return None
    try:
        place = folder.joinpath(*parts)
        place = place / "index.html" if place.is_dir() else place
        inside = place.relative_to(folder).parts
        # a pipe would keep whoever reads it waiting
        plain = place.is_file() and place.resolve() == folder.resolve().joinpath(*inside)
    except (ValueError, OSError):  # a NUL, or a name that is too long
        return None
    return place if plain else None


def with_bar(page: bytes, bar: Html) -> bytes:
    """Return a page with something above its sheet; a page without one, such as the board, is left as it is."""
    return page.replace(_SHEET, bar.encode() + _SHEET, 1)


def thing_of(page: str, known: Callable[[str], Iterable[str]]) -> tuple[str, str]:
    """Return the kind of a page and the thing that it is about; empty where no known thing has that address.

    Parameters
    ----------
    page
        Address relative to the folder of pages.
    known
        Names of things by kind, for those whose name could not be kept in the address.
    """
    kind = kind_of(page)
    kind = {"checks": "meter", "readings": "lot", "month": "lot"}.get(kind, kind)
    name = page.rpartition("/")[2].removesuffix(".html")
    if kind == "index":
        return kind, ""
    if "~" not in name:
        return kind, name
    return kind, next((one for one in known(kind) if address(kind, one).endswith(f"/{name}.html")), "")
