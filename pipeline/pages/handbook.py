"""The handbook of the program as pages of a workspace: the Markdown that comes with it, read once."""

from __future__ import annotations

import difflib
from dataclasses import fields
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING

from pipeline.errors import UsageError
from pipeline.pages.writer import write_pages
from pipeline.workspace.program import software_version
from pipeline.workspace.settings import Settings
from reports.kit.methods import METHODS
from schemas.handbook import HandbookPage
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from pipeline.pages.page import PageReport
    from pipeline.workspace.settings import Workspace

__all__ = ["handbook_pages", "handbook_texts", "page_about", "write_handbook"]


@lru_cache(maxsize=1)
def handbook_texts() -> dict[str, str]:
    """Return the Markdown of every page by its path in the handbook's folder, sorted."""
    found: dict[str, str] = {}

    def look(folder: Traversable, before: str) -> None:
        for entry in folder.iterdir():
            if entry.is_dir():
                look(entry, f"{before}{entry.name}/")
            elif entry.name.endswith(".md"):
                found[before + entry.name] = entry.read_text(encoding="utf-8")

    look(resources.files("reports.handbook"), "")
    return dict(sorted(found.items()))


def handbook_pages(workspace: Workspace) -> list[HandbookPage]:
    """Return every page of the handbook, by path."""
    version, name = software_version(), workspace.settings.name or workspace.root.name
    return [HandbookPage(path, text, version, name) for path, text in handbook_texts().items()]


def page_about(word: str) -> str:
    """Return the name of the page that speaks of a figure, flag, rule, setting or table, or has this name.

    Parameters
    ----------
    word
        As it stands in JSON, on a page, in the settings or in the handbook.

    Raises
    ------
    UsageError
        If the handbook speaks of no such thing under this name.
    """
    known = {f.name: "reference-settings" for f in fields(Settings)} | dict.fromkeys(
        REFERENCE_TABLES, "reference-tables"
    )
    for method in METHODS:
        words = f"{method.name} {method.flags} {method.rules} {' '.join(method.figures.values())}".split()
        known |= dict.fromkeys((one for one in words if one not in known), f"method-{method.name}")
    known |= {HandbookPage.name_of(path): HandbookPage.name_of(path) for path in handbook_texts()}
    if word in known:
        return known[word]
    near = difflib.get_close_matches(word.lower(), known, n=3, cutoff=0.5)
    hint = f" Did you mean {' or '.join(near)}?" if near else ""
    raise UsageError(f"The handbook has no page about {word!r}.{hint} All of them: annealog handbook")


def write_handbook(workspace: Workspace, *, always: bool = False) -> list[PageReport]:
    """Write the pages of the handbook that changed; they rest on no data, so a workspace without a history has them, too."""
    return write_pages(workspace, handbook_pages(workspace), always=always)
