"""What every page has: how others name it, with what it was made, and the decisions that stand on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

__all__ = ["Decision", "PageLink", "Provenance"]


@dataclass(frozen=True, slots=True)
class Decision:
    """A disposition: what a person decided about a lot or a signal. It stands beside the verdict.

    `signed` says in which role, from where and how it was signed; None where a command recorded it.
    """

    at: datetime
    by: str
    decision: str
    why: str
    signed: str | None = None

    @property
    def signed_as(self) -> str | None:
        """The role in which it was signed; None where it was not."""
        return None if self.signed is None else self.signed.partition(",")[0]


@dataclass(frozen=True, slots=True)
class Provenance:
    """The footer: with what the page was made."""

    software_version: str
    workspace: str
    as_of: datetime
    zone: str
    unit: str
    reference_temperature_c: float
    files: pl.DataFrame  # name, sha256, layout, layout_version, readings
    data_sha256: str


@dataclass(frozen=True, slots=True)
class PageLink:
    """What the index and other pages say of a page: enough to name it, to show its state and to find it.

    `kind` and `identifier` give its address (`reports.address`); `state` is a word of the page's own verdict (None
    where it has none), `sentence` says in plain words how things stand, `at` is when it last changed.
    """

    kind: str
    identifier: str
    title: str
    state: str | None = None
    sentence: str = ""
    at: datetime | None = None
