"""From blocks to their pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.steps.blocks import block_results
from pipeline.steps.pages import PageContext
from schemas.blocks import BlockPage

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.history.store import History
    from pipeline.settings import Workspace
    from pipeline.steps.assess import Assessment

__all__ = ["block_pages"]

_CHECKS = ["meter", "at", "mean", "bias", "certified_value", "tolerance", "passes", "certificate"]


def block_pages(
    workspace: Workspace,
    assessment: Assessment,
    history: History,
    sources: pl.DataFrame,
    blocks: Iterable[str] | None = None,
) -> list[BlockPage]:
    """Return the pages of blocks, by name."""
    del history  # pages of blocks rest on checks and certificates alone
    context = PageContext(workspace, assessment, sources)
    pages = []
    for block, result in block_results(assessment, blocks).items():
        checks = (
            assessment.checks.filter((pl.col("block") == block) & pl.col("mean").is_not_null())
            .sort("meter", "at", "check")
            .select(_CHECKS)
        )
        used = assessment.readings.filter((pl.col("role") == "block") & (pl.col("block").cast(pl.String) == block))
        pages.append(BlockPage(result, checks, context.provenance(used, assessment.as_of, result, checks)))
    return pages
