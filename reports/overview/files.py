"""The page of the files that a workspace's readings came from, with their hashes."""

from __future__ import annotations

from dataclasses import replace

from reports.kit.address import INDEX, address
from reports.kit.links import linked_to
from reports.kit.markup import element, isolated, text
from reports.kit.page import Masthead, document, layout_in_words, section
from reports.kit.report import Report
from reports.kit.style import WIDE
from reports.kit.tables import Heading, Numbered, best_order, table
from reports.words import general as words
from reports.words import index as say
from schemas.results import FILES, FilesPage

__all__ = ["REPORT", "render"]


def render(page: FilesPage) -> str:
    """Render the list of files.

    Parameters
    ----------
    page
        Its footer names the files.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    here, numbered, column = address("files", FILES), Numbered(), words.COLUMN
    files = best_order(page.provenance.files, ("name", "sha256"))
    columns = [
        Heading(column["name"]), Heading(column["hash"], kind="h"), Heading(column["layout"]), Heading(column["readings"], kind="n"),
    ]  # fmt: skip
    rows = [
        (
            isolated(row.get("name") or words.FRAGMENT["not_stated"], 80), row.get("sha256"),
            layout_in_words(row.get("layout"), row.get("layout_version")), row.get("readings"),
        )
        for row in files.iter_rows(named=True)
    ]  # fmt: skip
    body = [
        element("p", linked_to(here, INDEX, text(say.SAY["back"]))),
        section("files", table(numbered.table(), "all-files", say.TABLE["files"], columns, rows), wide=True),
    ]
    title = say.HEADING["files"]
    head = Masthead(kind=title, name=None, heading=title, what=words.counted(files.height, "file"), title=title)
    return document(head, here, replace(page.provenance, files=files.clear()), numbered, body, style=WIDE)


REPORT = Report(name="files", page=FilesPage, render=render)
