"""Typed results to pages. Pure: no file, no clock, no network; the same result gives the same bytes.

A new report is a new module here with a value ``REPORT``; nothing else has to be told.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from reports._address import address
from reports._language import ENGLISH, catalogue, complaints
from reports._links import Site, here_is
from reports._page import LOOK
from reports._report import Report
from schemas.scan import declared

__all__ = ["ENGLISH", "LOOK", "Report", "Site", "address", "catalogue", "complaints", "find", "render"]


@lru_cache(maxsize=1)
def find() -> tuple[Report, ...]:
    """Return every report of this folder, sorted by name.

    Returns
    -------
    tuple of Report

    Raises
    ------
    TypeError
        If a module of the folder, other than those whose names begin with an underscore, holds no report.
    """
    found = declared(
        __name__, __path__, Report, lambda report: report.name, leave_out=lambda module: module.startswith("_")
    )
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
    for report in find():
        if isinstance(page, report.page):
            with here_is(site or Site()):
                return report.render(page)
    raise TypeError(f"no report takes a {type(page).__name__}; known: {', '.join(r.page.__name__ for r in find())}")
