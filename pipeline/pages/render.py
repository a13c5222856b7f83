"""Writing the pages of a workspace."""

from __future__ import annotations

import contextlib
from itertools import chain
from typing import TYPE_CHECKING

import reports
from pipeline.history.snapshot import signature
from pipeline.history.store import History
from pipeline.judge.carry_on import anew, everything
from pipeline.judge.findings import state_of
from pipeline.kept.answers import Answers, one_rendering, withdraw
from pipeline.kept.trace_answers import traces
from pipeline.pages.blocks import block_pages
from pipeline.pages.board import board_pages
from pipeline.pages.due import Keys, lot_keys
from pipeline.pages.events import event_pages
from pipeline.pages.handbook import handbook_pages
from pipeline.pages.linked import linked_pages
from pipeline.pages.lots_and_meters import index_page, lot_pages, meter_pages
from pipeline.pages.page import PageReport
from pipeline.pages.writer import register_of, write_pages
from pipeline.questions.over_time.processes import process_pages
from pipeline.questions.over_time.suppliers import supplier_pages
from pipeline.questions.review import review_links
from pipeline.questions.studies.studies import study_pages
from pipeline.workspace.texts import hashes
from schemas.line import BoardPage
from schemas.look_back import EventPage

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    import polars as pl

    from pipeline.judge.assessment import Assessment
    from pipeline.pages.page import Page
    from pipeline.workspace.settings import Workspace
    from schemas.results import LotResult

__all__ = ["MORE_PAGES", "render"]

MORE_PAGES: tuple[Callable[[Workspace, Assessment, History, pl.DataFrame], Iterable[Page]], ...] = (
    board_pages,
    event_pages,
    process_pages,
    supplier_pages,
    block_pages,
    study_pages,
)
"""What makes the pages beside those of lots, meters and the index: each is called with workspace, assessment, open
history and the ledger of files, and returns its pages, sorted."""


def render(
    workspace: Workspace,
    *,
    as_of: datetime | None = None,
    always: bool = False,
    progress: Callable[[PageReport, int], None] | None = None,
    processes: int = 1,
    alone: bool = False,
    assessed: Callable[[Assessment], None] | None = None,
    found: Assessment | None = None,
    board: bool = True,
) -> tuple[list[PageReport], Assessment]:
    """Write every page whose data changed: lots, meters, index, handbook. Of lots only those are gathered whose key changed.

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
    processes
        How many render; more than one only from a guarded main module.
    alone
        Write pages that travel alone, into a folder of their own.
    assessed
        Told the assessment before the first page is written: what is urgent need not wait for the pages.
    found
        What was just computed as of the last reading, to be used if the history still says the same.
    board
        Write the board, too; else it is left to whoever writes it as of now.

    Returns
    -------
    (list of PageReport, Assessment)

    Raises
    ------
    HistoryBusy
        If another process is writing the pages of the workspace.
    """
    apart = as_of is not None or alone
    wait_s = workspace.settings.busy_wait_seconds
    with contextlib.nullcontext() if apart else one_rendering(workspace, wait_s=wait_s):
        at_first = signature(workspace.history)
        with History.open(workspace.history, wait_s=wait_s) as history:
            # answers hold only for a history that nobody wrote while it was opened, that was not too busy to be read itself, and
            # whose last reading says which moment is shown
            kept = (
                not apart
                and history.snapshot_of is None
                and history.last_measured_at() is not None
                and signature(workspace.history) == at_first
            )
            answers = Answers(workspace, at_first, hashes(history.reference_texts())) if kept else None
            if found is not None and as_of is None and found.history_state == state_of(history):
                assessment = found.ask(history)
            else:
                found = None
                # whoever wants all pages written wants nothing taken for granted
                judge = anew if always else everything
                assessment = judge(history, workspace.settings, as_of=as_of)
            sources = history.sources()
            more = [page for make in MORE_PAGES for page in make(workspace, assessment, history, sources)]
            reviews = review_links(workspace)
            links = [*(page.link for page in more), *reviews]
            index = index_page(workspace, assessment, history, sources, links)
            # pages of another moment, and those that travel alone, lie apart from the handbook
            book = [] if apart else handbook_pages(workspace)
            others = [
                *(reports.address("meter", meter) for meter in assessment.meters),
                *(reports.address("checks", name) for name, meter in assessment.meters.items() if meter.checks),
                *(
                    reports.address(link.kind, link.identifier)
                    for link in (*links, index.link, *(page.link for page in (*linked_pages(index), *book)))
                ),
            ]
            lines = assessment.held().lines()
            known = [*(address for lot in lines for _, address in _addresses(lot)), *others]
            keys = {} if apart else lot_keys(assessment)
            standing: frozenset[str] = frozenset()
            if not apart:
                if not always:
                    standing = _standing(workspace, lines, keys, frozenset(known), answers)
                withdraw(workspace)
            # rows are fetched while the history says what the assessment says
            lots = sorted(set(assessment.lots) - standing)
            of_lots = lot_pages(workspace, assessment, sources, lots)
            traced = traces(assessment, [page for page in more if isinstance(page, EventPage)]) if answers else []
        if answers is not None and standing:
            answers.stand("lot", standing)
        if assessed is not None:
            assessed(assessment)

        def after(report: PageReport) -> None:
            if progress is not None:
                progress(report, len(known) - len(reviews))

        kept_pages = [
            PageReport(workspace.pages / address, kind, line.lot, written=False)
            for line in lines
            for kind, address in _addresses(line)
            if line.lot in standing
        ]
        for report in kept_pages:
            after(report)
        written = write_pages(
            workspace,
            chain(
                of_lots,
                meter_pages(workspace, assessment, sources),
                (page for page in more if board or not isinstance(page, BoardPage)),
                [index],
                book,
            ),
            as_of=as_of,
            always=always,
            progress=after,
            known=known,
            processes=processes,
            due=len(known) if always else sum(len(_addresses(line)) for line in lines if line.lot not in standing),
            alone=alone,
            answers=answers,
        )
        if not apart:
            Keys(workspace.pages).settle({address: keys[line.lot] for line in lines for _, address in _addresses(line)})
        if answers is not None:
            for kind, name, document in traced:
                answers.keep(kind, name, document)
            named = [
                *(("lot", lot) for lot in assessment.lots),
                *(("meter", meter) for meter in assessment.meters),
                *((page.link.kind, page.link.identifier) for page in more),
            ]
            answers.settle([*named, *((kind, name) for kind, name, _ in traced)])
        return [*kept_pages, *written], assessment


def _addresses(lot: LotResult) -> list[tuple[str, str]]:
    """Return the pages of a lot, kind and address; what is long has one of its own."""
    return [(kind, reports.address(kind, lot.lot)) for kind in (("lot", "readings") if lot.long else ("lot",))]


def _standing(
    workspace: Workspace,
    lines: Iterable[LotResult],
    keys: dict[str, str],
    known: frozenset[str],
    answers: Answers | None,
) -> frozenset[str]:
    """Return the lots whose pages and answers stand as they would be written now."""
    register, written = register_of(workspace), Keys(workspace.pages)
    there = known | register.present()
    return frozenset(
        line.lot
        for line in lines
        if (answers is None or answers.has("lot", line.lot))
        and all(written.hold(at, keys[line.lot]) and register.linked(at, there) for _, at in _addresses(line))
    )
