"""Pages beside others: what is long, and what few look at, has a page of its own that is linked from the short one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.results import ChecksPage, LotPage, MeterPage, ReadingsPage

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from pipeline.pages.writer import Page

__all__ = ["linked_pages", "with_linked"]


def linked_pages(page: Page) -> Iterator[Page]:
    """Yield the pages that hold the long parts of a page; few pages have any."""
    if isinstance(page, MeterPage) and page.result.checks:
        yield ChecksPage(page)
    elif isinstance(page, LotPage) and page.result.long:
        yield ReadingsPage(page)


def with_linked(pages: Iterable[Page]) -> Iterator[Page]:
    """Yield pages, each followed by those that hold its long parts."""
    for page in pages:
        yield page
        yield from linked_pages(page)
