"""A page of the handbook: Markdown that is shown like every other page."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from schemas.page import PageLink

__all__ = ["Edition", "HandbookPage"]


@dataclass(frozen=True, slots=True)
class Edition:
    """With what a page of the handbook was made: it rests on no data."""

    software_version: str
    workspace: str
    data_sha256: str


@dataclass(frozen=True, slots=True)
class HandbookPage:
    """One page.

    Parameters
    ----------
    path
        Of its Markdown in the handbook's folder, such as ``method/capability.md``.
    text
        Markdown.
    software_version, workspace
        Printed at its foot and head.
    """

    path: str
    text: str
    software_version: str
    workspace: str

    @property
    def name(self) -> str:
        """Return by which name it is addressed, such as ``method-capability``; that of the first page is ``index``."""
        return self.name_of(self.path)

    @staticmethod
    def name_of(path: str) -> str:
        """Return the name of the page that a path of Markdown becomes."""
        plain = path.removesuffix(".md").replace("/", "-")
        return "index" if plain == "README" else plain

    @property
    def title(self) -> str:
        """Return its heading of the first order."""
        return self.text.partition("\n")[0].removeprefix("# ").strip()

    @property
    def provenance(self) -> Edition:
        """Its hash decides whether the page is written again."""
        told = f"{self.software_version}\0{self.workspace}\0{self.text}"
        return Edition(self.software_version, self.workspace, hashlib.sha256(told.encode()).hexdigest())

    @property
    def answer(self) -> None:
        """No command tells of it in the same words."""

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        return PageLink("handbook", self.name, self.title)
