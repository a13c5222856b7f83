"""Every sample page, rendered once, and what a browser's parser makes of it."""

from __future__ import annotations

from functools import cache
from html.parser import HTMLParser
from typing import Any

from sample_blocks import block_pages
from sample_company import company_pages
from sample_events import event_pages
from sample_pages import detailed_pages, index_page, lot_pages, meter_pages
from sample_processes import process_pages, supplier_pages
from sample_reviews import review_pages
from sample_studies import study_pages

import reports
from pipeline.pages.linked import linked_pages
from schemas.results import ChecksPage, ReadingsPage

__all__ = ["Parsed", "pages", "parsed", "rendered"]

VOID = {"meta", "link", "br"}


class Parsed(HTMLParser):
    """What a browser would make of the page."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: list[str] = []
        self.styles: list[str] = []
        self.scripts: list[str] = []
        self.headings: list[tuple[int, str]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len({key for key, _ in attrs}) == len(attrs), (tag, attrs)
        self.elements.append((tag, dict(attrs)))
        if tag in {"h1", "h2", "h3"}:
            self.headings.append((int(tag[1]), ""))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            self.styles.append(data)
            return
        if self.open and self.open[-1] == "script":
            self.scripts.append(data)
            return
        self.texts.append(data)
        if self.headings and any(tag in {"h1", "h2", "h3"} for tag in self.open):
            level, words_so_far = self.headings[-1]
            self.headings[-1] = level, words_so_far + data

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment: {data}")

    def handle_pi(self, data: str) -> None:
        raise AssertionError(f"a processing instruction: {data}")

    def values(self, attribute: str) -> list[str]:
        return [value for _, attrs in self.elements if (value := attrs.get(attribute)) is not None]

    @property
    def text(self) -> str:
        return "".join(self.texts).strip()


@cache
def pages() -> dict[str, Any]:
    found: dict[str, Any] = {f"lot {name}": page for name, page in (lot_pages() | detailed_pages()).items()}
    found |= {f"meter {name}": page for name, page in meter_pages().items()}
    found |= {f"checks {name}": ChecksPage(page) for name, page in meter_pages().items() if page.result.checks}
    found |= {f"readings {name}": ReadingsPage(lot_pages()[name]) for name in ("many", "hostile")}
    found |= {f"block {name}": page for name, page in block_pages().items()}
    found |= {f"event {name}": page for name, page in event_pages().items()}
    found |= {f"process {name}": page for name, page in process_pages().items()}
    found |= {f"supplier {name}": page for name, page in supplier_pages().items()}
    found |= {f"study {name}": page for name, page in study_pages().items()}
    found |= {f"review {name}": page for name, page in review_pages().items()}
    found |= {f"company {name}": page for name, page in company_pages().items()}
    found |= {f"company {name} hostile": page for name, page in company_pages(hostile=True).items()}
    found["index"], found["index quiet"] = index_page(), index_page(quiet=True)
    found["index hostile"] = index_page(hostile=True)
    for linked in linked_pages(found["index hostile"]):
        found[f"{linked.link.kind} hostile"] = linked
    return found


@cache
def rendered(name: str) -> str:
    return reports.render(pages()[name])


@cache
def parsed(name: str) -> Parsed:
    return Parsed(rendered(name))
