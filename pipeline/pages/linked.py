"""Pages beside others: what is long, and what few look at, has a page of its own that is linked from the short one."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

from schemas.results import ChecksPage, FilesPage, IndexPage, LotPage, MeterPage, MonthPage, ReadingsPage

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from pipeline.pages.page import Page
    from schemas.page import Provenance
    from schemas.results import LotResult

__all__ = ["linked_pages", "with_linked"]


def linked_pages(page: Page) -> Iterator[Page]:
    """Yield the pages that hold the long parts of a page; few pages have any."""
    if isinstance(page, MeterPage) and page.result.checks:
        yield ChecksPage(page)
    elif isinstance(page, LotPage) and page.result.long:
        yield ReadingsPage(page)
    elif isinstance(page, IndexPage):
        for month, lots in page.months.items():
            yield MonthPage(month, lots, _of_lots(page, lots))
        yield FilesPage(page.provenance)


def _of_lots(page: IndexPage, lots: Sequence[LotResult]) -> Provenance:
    """Return a footer that changes only when something of these lots does: its time is that of the last of them."""
    provenance = page.provenance
    moment = max((lot.last_at for lot in lots if lot.last_at is not None), default=provenance.as_of)
    said = [page.lot_keys[lot.lot] for lot in lots]
    digest = hashlib.sha256(f"{provenance.software_version}{moment}{said}".encode()).hexdigest()
    return replace(provenance, as_of=moment, files=provenance.files.clear(), data_sha256=digest)


def with_linked(pages: Iterable[Page]) -> Iterator[Page]:
    """Yield pages, each followed by those that hold its long parts."""
    for page in pages:
        yield page
        yield from linked_pages(page)
