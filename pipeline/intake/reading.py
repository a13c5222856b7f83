"""What comes out of a file: readings, quarantine, and one fate for every line; or a file held as a whole, with why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.visible import shown
from schemas.tables import FATES, QUARANTINE, READING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import polars as pl

    from pipeline.intake.layout_outside import Key
    from pipeline.intake.layout_parts import LayoutField

__all__ = ["FileColumn", "FileReading", "Head", "Held", "HoldFile", "shown"]


@dataclass(frozen=True, slots=True)
class Held:
    """Why a whole file is held: nothing of it is loaded.

    `details` lists differences or figures, one a line; `line` counts from 1, `byte_offset` from 0.
    """

    reason: str
    sentence: str
    what_to_do: str
    details: tuple[str, ...] = ()
    line: int | None = None
    byte_offset: int | None = None


class HoldFile(Exception):
    """Carries the reason from the place that found it to the reader, which returns it as a value."""

    def __init__(self, held: Held) -> None:
        self.held = held
        super().__init__(held.sentence)


@dataclass(frozen=True, slots=True)
class FileColumn:
    """A column as it stands in the file: `name` as written, `replicate` from 1."""

    position: int
    name: str
    field: LayoutField | Key
    replicate: int = 1


@dataclass(slots=True)
class Head:
    """What the lines before the readings say.

    `said` holds what keys say of the whole file, `carried` a column for each key of a section. `before`: lines before
    the header; `header_first`: it stands once, before the first section.
    """

    columns: tuple[FileColumn, ...] = ()
    lines: int = 0
    before: int = 0
    header_first: bool = True
    header_texts: tuple[str, ...] = ()
    carried: tuple[FileColumn, ...] = ()
    said: list[tuple[Key, str]] = field(default_factory=list)
    units_text: str | None = None
    metadata: dict[str, str] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(FATES, 0))
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class FileReading:
    """What one file gave.

    `readings` has the columns of `schemas.READING` that the export fills, in order, text columns possibly
    categorical; `quarantine` those of `schemas.QUARANTINE`; `counts` the number of lines by fate, where `accepted`
    counts lines with readings and `duplicate` is 0 because only the history knows duplicates. `metadata` is the
    preamble. A held file has no reading, no quarantine and no count.
    """

    sha256: str
    name: str
    size: int
    layout_name: str
    layout_version: int
    zone: str
    held: Held | None = None
    readings: pl.DataFrame = field(default_factory=READING.empty)
    quarantine: pl.DataFrame = field(default_factory=QUARANTINE.empty)
    counts: Mapping[str, int] = field(default_factory=lambda: dict.fromkeys(FATES, 0))
    metadata: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def lines(self) -> int:
        """Number of lines of the file, each with one fate."""
        return sum(self.counts.values())
