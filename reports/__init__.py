"""Typed results to pages. Pure: no file, no clock, no network; the same result gives the same bytes.

A new report is a new folder here whose `page.py` holds a value ``REPORT`` (or a module of `overview`); nothing else has to be told.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from reports.kit.address import address
from reports.kit.language import ENGLISH, catalogue, complaints
from reports.kit.links import Site, here_is
from reports.kit.page import LOOK
from reports.kit.report import Report
from reports.kit.together import together
from schemas.scan import declared

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

__all__ = ["ENGLISH", "LOOK", "Report", "Site", "address", "catalogue", "complaints", "find", "render", "render_all"]

_NO_REPORTS = frozenset({"reports.kit", "reports.words", "reports.sections"})


def _no_page(folder: str) -> Callable[[str], bool]:
    """Return which modules of a folder hold no report."""
    return lambda module: folder != f"{__name__}.overview" and not f"_{module}".endswith("_page")


@lru_cache(maxsize=1)
def find() -> tuple[Report, ...]:
    """Return every report of this folder, sorted by name.

    Returns
    -------
    tuple of Report

    Raises
    ------
    TypeError
        If a `page.py`, a `*_page.py` or a module of `overview` holds no report.
    """
    found: dict[str, Report] = {}
    for folder in pkgutil.iter_modules(__path__, f"{__name__}."):
        if folder.name not in _NO_REPORTS:
            path = importlib.import_module(folder.name).__path__
            found |= declared(folder.name, path, Report, lambda report: report.name, leave_out=_no_page(folder.name))
    return tuple(found[name] for name in sorted(found))


def render(page: Any, site: Site | None = None) -> str:
    """Render a page with the report for its type.

    Parameters
    ----------
    page
        A LotPage, MeterPage, IndexPage, or the page of any other report found here.
    site
        Which other pages exist, so that no link leads nowhere; None takes all to exist.

    Returns
    -------
    str
        A self-contained HTML document.

    Raises
    ------
    TypeError
        If no report takes this type of page.
    """
    return render_all([(page, site or Site())])[0]


def render_all(pages: Iterable[tuple[Any, Site]]) -> list[str]:
    """Render pages as :func:`render` does; their charts are drawn together."""
    with together() as put_in:
        return put_in([_rendered(page, site) for page, site in pages])


def _rendered(page: Any, site: Site) -> str:
    for report in find():
        if isinstance(page, report.page):
            link = page.link  # type: ignore[attr-defined]
            site.here, site.labels = address(link.kind, link.identifier), None
            with here_is(site):
                return report.render(page)
    raise TypeError(f"no report takes a {type(page).__name__}; known: {', '.join(r.page.__name__ for r in find())}")
