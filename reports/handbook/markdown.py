"""Markdown to markup, by a parser of CommonMark with tables; raw HTML is off, and every text is escaped like that of any page.

Links lead to pages of the handbook only. A link to anything else (a file of the repository, an outside address) is shown as
text: a page fetches and opens nothing that does not lie beside it.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

from markdown_it import MarkdownIt
from markdown_it.tree import SyntaxTreeNode

from reports.kit.address import address
from reports.kit.links import linked_to
from reports.kit.markup import Html, element, join, text
from reports.kit.numbers import typeset
from reports.kit.tables import BROAD
from schemas.handbook import HandbookPage

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["anchor", "links_of", "parsed", "plain", "rendered", "target"]

_MARKS = re.compile(r"[^\w\- ]")
_ELEMENTS = {
    "paragraph": "p", "bullet_list": "ul", "ordered_list": "ol", "list_item": "li", "strong": "strong", "em": "em",
    "blockquote": "blockquote", "thead": "thead", "tbody": "tbody", "tr": "tr",
}  # fmt: skip


@lru_cache(maxsize=1)
def _parser() -> MarkdownIt:
    return MarkdownIt("commonmark", {"html": False}).enable("table")


def parsed(source: str) -> SyntaxTreeNode:
    """Return a text as a tree."""
    return SyntaxTreeNode(_parser().parse(source))


def plain(node: SyntaxTreeNode) -> str:
    """Return the words of a node without their markup."""
    if node.type in ("text", "code_inline"):
        return node.content
    return " " if node.type == "softbreak" else "".join(plain(child) for child in node.children)


def anchor(heading: str) -> str:
    """Return the anchor of a heading, as the usual viewers of repositories make it."""
    return _MARKS.sub("", heading.lower()).replace(" ", "-")


def target(path: str, href: str) -> tuple[str, str] | None:
    """Return the path and anchor to which a link on a page of the handbook leads; None where it leads outside the handbook.

    Parameters
    ----------
    path
        Of the page, relative to the handbook's folder.
    href
        As it is written.
    """
    there, _, part = href.partition("#")
    if not there:
        return path, part
    steps = path.split("/")[:-1]
    for step in there.split("/"):
        if step == "..":
            if not steps:
                return None
            steps.pop()
        elif step != ".":
            steps.append(step)
    found = "/".join(steps)
    return (found, part) if found.endswith(".md") and ":" not in found else None


def links_of(source: str) -> list[str]:
    """Return where the links of a text lead, as written."""
    return [str(node.attrs["href"]) for node in parsed(source).walk() if node.type == "link"]


def rendered(nodes: Sequence[SyntaxTreeNode], page: HandbookPage) -> Html:
    """Return nodes as markup.

    Raises
    ------
    ValueError
        If a kind of node has no form here.
    """
    return join(_one(node, page) for node in nodes)


def _one(node: SyntaxTreeNode, page: HandbookPage) -> Html:
    inside = _SPECIAL.get(node.type)
    if inside is not None:
        return inside(node, page)
    name = _ELEMENTS.get(node.type)
    if name is None:
        raise ValueError(f"{page.path}: {node.type} has no form on a page")
    if name == "p" and node.parent is not None and node.parent.type == "list_item":
        return rendered(node.children, page)
    return element(name, rendered(node.children, page))


def _heading(node: SyntaxTreeNode, page: HandbookPage) -> Html:
    return element(node.tag, rendered(node.children, page), id=anchor(plain(node)))


def _link(node: SyntaxTreeNode, page: HandbookPage) -> Html:
    shown = rendered(node.children, page)
    found = target(page.path, str(node.attrs["href"]))
    if found is None:
        return shown
    there = address("handbook", HandbookPage.name_of(found[0]))
    return linked_to(address("handbook", page.name), there, shown, found[1])


def _table(node: SyntaxTreeNode, page: HandbookPage) -> Html:
    columns = len(node.children[0].children[0].children)
    whole = element("table", rendered(node.children, page), class_="broad" if columns >= BROAD else None)
    named = ", ".join(plain(cell) for cell in node.children[0].children[0].children)
    return element("div", whole, class_="scroll", tabindex="0", role="group", aria_label=named)


def _cell(node: SyntaxTreeNode, page: HandbookPage) -> Html:
    right = "right" in str(node.attrs.get("style", ""))
    scope = "col" if node.type == "th" else None
    return element(node.type, rendered(node.children, page), scope=scope, class_="n" if right else None)


def _block(node: SyntaxTreeNode, page: HandbookPage) -> Html:
    del page
    return element("pre", element("code", join(node.content.rstrip("\n").split("\n"), "\n")), tabindex="0")


_SPECIAL: dict[str, Callable[[SyntaxTreeNode, HandbookPage], Html]] = {
    "inline": lambda node, page: rendered(node.children, page),
    "text": lambda node, _: text(typeset(node.content)),
    "softbreak": lambda *_: Html("\n"),
    "hardbreak": lambda *_: element("br"),
    "code_inline": lambda node, _: element("code", node.content),
    "heading": _heading,
    "link": _link,
    "table": _table,
    "th": _cell,
    "td": _cell,
    "fence": _block,
    "code_block": _block,
}
