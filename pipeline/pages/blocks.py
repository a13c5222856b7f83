"""From blocks to their pages."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.questions.blocks import block_results
from pipeline.questions.provenance import PageContext
from schemas.blocks import BlockPage

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace
    from schemas.blocks import BlockResult

__all__ = ["block_pages"]

_CHECKS = ["meter", "at", "mean", "bias", "certified_value", "tolerance", "passes", "certificate"]


def block_pages(
    workspace: Workspace,
    assessment: Assessment,
    history: History,
    sources: pl.DataFrame,
    blocks: Iterable[str] | None = None,
) -> list[BlockPage]:
    """Return the pages of blocks, by name.

    The time on a page is that of the last check or date of a certificate that it rests on, so that it does not change
    because something else was read.
    """
    del history  # pages of blocks rest on checks and certificates alone
    context = PageContext(workspace, assessment, sources)
    pages = []
    on_blocks = assessment.blocks_read().filter(pl.col("role") == "block")
    for block, found in block_results(assessment, blocks).items():
        checks = (
            assessment.checks.filter((pl.col("block") == block) & pl.col("mean").is_not_null())
            .sort("meter", "at", "check")
            .select(_CHECKS)
        )
        used = on_blocks.filter(pl.col("block").cast(pl.String) == block)
        moment = _moment(assessment, found)
        result = replace(found, as_of=moment)
        pages.append(BlockPage(result, checks, context.provenance(used, moment, result, checks)))
    return pages


def _moment(assessment: Assessment, result: BlockResult) -> datetime:
    """Return the time of the last thing that is said of a block rests on: checks on it and its neighbours, certificates."""
    checks = assessment.checks.filter(pl.col("block").is_in([result.block, *result.neighbours]))
    moments = checks["at"].to_list()
    for one in result.certificates:
        overdue = None if one.due_on is None else one.due_on + timedelta(days=1)
        moments += [at for at in (one.holds_from, overdue) if at is not None]
    return max((at for at in moments if at <= assessment.as_of), default=assessment.as_of)
