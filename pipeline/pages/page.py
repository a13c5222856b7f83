"""What can be written as a page, and what is said of one that was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from pathlib import Path

    from schemas.handbook import Edition
    from schemas.page import PageLink, Provenance

__all__ = ["Page", "PageReport"]


class Page(Protocol):
    """Whatever can be written as a page: it says how others name it, and on what it rests."""

    @property
    def link(self) -> PageLink:
        """Kind and identifier give the address."""

    @property
    def provenance(self) -> Provenance | Edition:
        """Footer; its hash decides whether the page is written again."""

    @property
    def answer(self) -> dict[str, Any] | None:
        """The JSON document of the command that tells of the same thing; None where there is none."""


@dataclass(frozen=True, slots=True)
class PageReport:
    """A page and whether it was written now."""

    path: Path
    kind: str
    id: str
    written: bool
