"""Labels as files."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import TYPE_CHECKING

import reports
from pipeline.history.store import History
from pipeline.judge.carry_on import everything
from pipeline.pages.language import texts_of
from pipeline.pages.pdf import print_pages
from pipeline.questions.labels import label_of_block, label_of_lot
from pipeline.workspace.files import write_atomically
from reports.kit.links import here_is
from reports.paper.label import HEIGHT_MM, WIDTH_MM, label

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pipeline.workspace.settings import Workspace

__all__ = ["write_labels"]


def write_labels(
    workspace: Workspace, *, lots: Iterable[str] = (), blocks: Iterable[str] = (), pdf: bool = False
) -> list[Path]:
    """Write labels into the folder `labels` of the pages, one SVG each, and print each to PDF.

    Raises
    ------
    UsageError
        If a lot or block is not known, or its name does not fit in a code; no label is written then.
    EnvironmentProblem
        If a PDF is asked for and there is no Chromium.
    """
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        found = everything(history, workspace.settings, as_of=None)
    labels = [*(label_of_lot(found, lot) for lot in lots), *(label_of_block(found, block) for block in blocks)]
    paths = []
    site = reports.Site(alone=True, language=workspace.settings.language, texts=texts_of(workspace))
    for page in labels:
        stem = PurePosixPath(reports.address(page.kind, page.identifier)).stem
        path = workspace.pages / "labels" / f"{page.kind}-{stem}.svg"
        with here_is(site):
            write_atomically(path, label(page).encode())
        paths.append(path)
    if pdf:
        return print_pages(paths, size=(WIDTH_MM / 25.4, HEIGHT_MM / 25.4))
    return paths
