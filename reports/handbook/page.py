"""A page of the handbook in the look of all others: its sections in the margin, no verdict, no data behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.handbook.markdown import anchor, parsed, plain, rendered
from reports.kit.address import address
from reports.kit.markup import element
from reports.kit.page import Masthead, document, section
from reports.kit.report import Report
from reports.kit.tables import Numbered
from reports.words import handbook as words
from schemas.handbook import HandbookPage

if TYPE_CHECKING:
    from markdown_it.tree import SyntaxTreeNode

__all__ = ["REPORT", "render"]

_STYLE = (
    ".handbook p,.handbook li{max-width:46rem}pre{overflow-x:auto;padding:.6rem .9rem;border:1px solid var(--rule);"
    "background:var(--none-wash);line-height:1.4}code{font-family:ui-monospace,'DejaVu Sans Mono',monospace;font-size:.9em}@media print{code{font-size:max(.9em,8pt)}}"
)


def render(page: HandbookPage) -> str:
    """Render a page of the handbook.

    Parameters
    ----------
    page
        Markdown: a heading of the first order, what it is about, and headings of the second order.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    first, *nodes = parsed(page.text).children
    parts: list[list[SyntaxTreeNode]] = [[]]
    for node in nodes:
        if node.type == "heading" and node.tag == "h2":
            parts.append([])
        parts[-1].append(node)
    lead, *sections = parts
    body = [element("div", rendered(lead, page), class_="handbook")]
    for named, *inside in sections:
        content = element("div", rendered(inside, page), class_="handbook")
        body.append(section(anchor(plain(named)), content, heading=rendered(named.children, page)))
    head = Masthead(
        kind=words.FRAGMENT["book"],
        name=page.title,
        heading=rendered(first.children, page),
        what=words.FRAGMENT["of"].format(version=page.software_version),
        title=f"{page.title}: {words.FRAGMENT['book']}",
    )
    return document(head, address("handbook", page.name), page.provenance, Numbered(), body, style=_STYLE)


REPORT = Report(name="handbook", page=HandbookPage, render=render)
