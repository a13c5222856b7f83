"""Links from page to page: only to pages that exist, and none where a page travels alone.

Which pages exist is known where pages are written. It is told here for the time of one rendering, so that every report
may ask for a link wherever it shows an id, and what was asked for in vain can be remembered: such a page is written
again when the missing one appears.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from reports.kit.address import address, between
from reports.kit.language import ENGLISH, spoken
from reports.kit.markup import Html, element, isolated

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

__all__ = ["Site", "exists", "here", "here_is", "labels", "language", "linked", "linked_to"]


@dataclass
class Site:
    """What a page may link to.

    Parameters
    ----------
    known
        Addresses of the pages that exist; None where all do.
    alone
        Whether the page travels without the others: ids are then plain text.
    missing
        Addresses that were asked for and do not exist; filled while the page is rendered.
    language, texts
        Language of the pages, and its texts by key; None is English.
    here
        Address of the page that is being rendered; empty where nobody said.
    labels
        What labels on that page link to; found once.
    """

    known: frozenset[str] | None = None
    alone: bool = False
    missing: set[str] = field(default_factory=set)
    language: str = ENGLISH
    texts: Mapping[str, str] | None = None
    here: str = ""
    labels: dict[str, str] | None = None


_site: ContextVar[Site | None] = ContextVar("site", default=None)


@contextmanager
def here_is(site: Site) -> Iterator[Site]:
    """Render pages of this site inside the block."""
    token = _site.set(site)
    try:
        with spoken(site.texts):
            yield site
    finally:
        _site.reset(token)


def here() -> str:
    """Return the address of the page that is being rendered; empty where nobody said."""
    site = _site.get()
    return "" if site is None else site.here


def labels(find: Callable[[], dict[str, str]]) -> dict[str, str]:
    """Return what labels on the page link to, found by the function when first asked for."""
    site = _site.get()
    if site is None:
        return find()
    if site.labels is None:
        site.labels = find()
    return site.labels


def language() -> str:
    """Return the language in which the page is written, such as ``en``."""
    site = _site.get()
    return ENGLISH if site is None else site.language


def exists(there: str) -> bool:
    """Say whether a page may be linked to."""
    site = _site.get()
    if site is None:
        return True
    if site.alone:
        return False
    if site.known is None or there in site.known:
        return True
    site.missing.add(there)
    return False


def linked_to(here: str, there: str, shown: Html, part: str = "") -> Html:
    """Return markup as a link to a page, or as it is where that page does not exist or is this one.

    Parameters
    ----------
    here, there
        Addresses of this page and of the other one.
    shown
        What is shown.
    part
        Anchor on the other page; our own word, never data.
    """
    if (there == here and not part) or not exists(there):
        return shown
    return element("a", shown, href=between(here, there) + (f"#{part}" if part else ""))


def linked(here: str, kind: str, identifier: str | None, shown: object = None, length: int = 60) -> Html:
    """Return an id as a link to its page, or as text where it has none.

    Parameters
    ----------
    here
        Address of this page.
    kind
        Kind of the other page: lot, meter, block, supplier, process, study, event, review or board.
    identifier
        Its id; None gives nothing.
    shown
        What to show instead of the id.
    length
        Longest id shown in full.
    """
    if identifier is None:
        return Html("")
    name = isolated(identifier if shown is None else shown, length)
    return linked_to(here, address(kind, identifier), name)
