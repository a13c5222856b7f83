"""Answers that were kept beside the pages, for the commands that look."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.cli import output

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.settings import Workspace
    from pipeline.steps.answers import Answer

__all__ = ["kept_answer", "printed"]


def kept_answer(place: Workspace, kind: str, name: str) -> Answer | None:
    """Return the answer to a question about now, where it was kept and holds; what was edited since is said first."""
    from pipeline.steps.answers import answer_of

    answer = answer_of(place, kind, name)
    if answer is not None:
        output.note_edits(answer.not_taken_over)
    return answer


def printed(place: Workspace, page: Path | None, *, dry_run: bool, pdf: bool = False) -> str | None:
    """Return the path of a page, or of its PDF printed now; None in a dry run."""
    if dry_run or page is None:
        return None
    if pdf:
        from pipeline.steps.pdf import print_pages

        (page,) = print_pages([page], place.settings.paper)
    return str(page)
