"""Writing the pages of a workspace."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.history.store import History
from pipeline.steps.assess import Assessment, assess
from pipeline.steps.pages import PageReport, index_page, lot_pages, meter_pages, write_pages

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from pipeline.settings import Workspace

__all__ = ["render"]


def render(
    workspace: Workspace,
    *,
    as_of: datetime | None = None,
    always: bool = False,
    progress: Callable[[PageReport, int], None] | None = None,
) -> tuple[list[PageReport], Assessment]:
    """Write every page whose data changed: lots, meters, index.

    Parameters
    ----------
    workspace
        A workspace with a history.
    as_of
        Moment shown; None means the last reading.
    always
        Write all pages.
    progress
        Called after each page with the number of pages in all.

    Returns
    -------
    (list of PageReport, Assessment)
    """
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        assessment = assess(history, workspace.settings, as_of=as_of)
        sources = history.sources()
        index = index_page(workspace, assessment, history, sources)
    total = len(assessment.lots) + len(assessment.meters) + 1

    def after(report: PageReport) -> None:
        if progress is not None:
            progress(report, total)

    written = write_pages(
        workspace,
        [*lot_pages(workspace, assessment, sources), *meter_pages(workspace, assessment, sources), index],
        as_of=as_of,
        always=always,
        progress=after,
    )
    return written, assessment
