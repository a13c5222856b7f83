"""The checks of a meter on one block as its charts and tables take them: a frame, and what to draw of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from reports.kit.geometry import evenly
from reports.kit.markup import shorten
from reports.kit.tables import best_order
from reports.words import drift as drift_words
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from reports.kit.numbers import Clock
    from reports.kit.tables import Row
    from schemas.results import MeterPage

__all__ = ["COLUMNS", "MOST_CHECKS", "MOST_STRETCHES", "Key", "Series", "changes_of", "columns_of", "series_of"]

MOST_CHECKS = 200
"""Checks that are drawn one by one."""
COLUMNS = 107
"""Columns of a long history: six pixels each."""
MOST_STRETCHES = 30
"""Stretches of equal limits, and settings, that are drawn: the latest."""


@dataclass(frozen=True)
class Series:
    """The checks of one block, probe and frequency, in order of time.

    They stay a frame: of tens of thousands of checks few are drawn one by one, and a row that Python sees costs microseconds.

    Parameters
    ----------
    name
        The block, and what else tells its checks from others.
    frame
        Checks with a mean, as rows of the page's frame.
    settings
        Times of the settings.
    unit
        As printed.
    clock
        The zone.
    most
        How many checks are drawn one by one.
    """

    name: str
    frame: pl.DataFrame
    settings: Sequence[datetime]
    unit: str
    clock: Clock
    most: int = MOST_CHECKS

    def __len__(self) -> int:
        """Return the number of checks."""
        return self.frame.height

    def row(self, place: int) -> Row:
        """Return one check; a negative place counts from the last."""
        return self.frame.row(place, named=True)

    def values(self, name: str) -> NDArray[np.float64]:
        """Return a column of numbers, NaN where there is none."""
        return self.frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()

    def known(self, name: str) -> list[int]:
        """Return the places of the checks with a finite number in a column."""
        found: list[int] = np.flatnonzero(np.isfinite(self.values(name))).tolist()
        return found

    @cached_property
    def rejected(self) -> NDArray[np.bool_]:
        """Which checks carry a reject."""
        return (self.frame["rejects"].fill_null("") != "").to_numpy()

    @cached_property
    def failed(self) -> NDArray[np.bool_]:
        """Which checks failed their tolerance."""
        return ~self.frame["passes"].fill_null(True).to_numpy()

    @cached_property
    def warned(self) -> NDArray[np.bool_]:
        """Which checks carry a warning."""
        return self.frame["warning"].fill_null(False).to_numpy()

    @cached_property
    def crowded(self) -> bool:
        """Whether more checks need a look than are drawn one by one: then checks are drawn in columns."""
        needs = int((self.rejected | self.failed | self.warned).sum())
        return len(self) > self.most and needs > self.most

    @cached_property
    def chosen(self) -> list[int]:
        """The places of the checks to draw: every signal, warning and failure, others spread evenly.

        In columns: every signal and failure.
        """
        if self.crowded:
            found: list[int] = np.flatnonzero(self.rejected | self.failed).tolist()
            return found
        keep: list[bool] = (self.rejected | self.failed | self.warned).tolist()
        if keep:
            keep[0] = keep[-1] = True
        return evenly(keep, self.most)

    @cached_property
    def columns(self) -> list[tuple[int, int]]:
        """First and last index of each column of a crowded chart."""
        return columns_of(len(self))

    @cached_property
    def setting_numbers(self) -> list[float]:
        """Where the latest settings stand among the numbers of the checks."""
        times = self.frame["at"]
        return [int(times.search_sorted(at, side="right")) + 0.5 for at in self.settings[-MOST_STRETCHES:]]

    def thinned(self) -> str:
        """Say how many checks are drawn where not all are."""
        total = len(self)
        if self.crowded:
            warnings = words.counted(int(self.warned.sum()), "warning")
            size = -(-total // COLUMNS)
            return drift_words.FIGURE["columns"].format(total=total, size=size, warnings=warnings)
        if len(self.chosen) == total:
            return ""
        return words.FIGURE["thinned"].format(shown=len(self.chosen), total=total, what=words.PLURAL["check"])


def columns_of(count: int) -> list[tuple[int, int]]:
    """Return first and last place of each column of so many values."""
    edges = [count * place // COLUMNS for place in range(COLUMNS + 1)]
    return [(first, last - 1) for first, last in pairwise(edges) if last > first]


def changes_of(*columns: pl.Series) -> list[int]:
    """Return the places at which a value of any column differs from the one before; nothing equals nothing."""
    changed = np.zeros(max(len(columns[0]) - 1, 0), dtype=np.bool_)
    for column in columns:
        changed |= np.diff(column.rle_id().to_numpy().astype(np.int64)) != 0
    found: list[int] = (np.flatnonzero(changed) + 1).tolist()
    return found


Key = tuple[str, str | None, float | None]
"""Block, probe and frequency."""
_MOST_DRAWN, _FEWEST_DRAWN = 320, 50


def series_of(page: MeterPage, clock: Clock, unit: str) -> list[tuple[Key, Series]]:
    """Return the checks of each block, probe and frequency that have a mean, in order of time."""
    known = best_order(page.checks.filter(pl.col("mean").is_finite()), ("block", "probe", "frequency_khz", "at", "run"))
    by_key: dict[Key, pl.DataFrame] = {}
    if known.height:
        by_key = known.partition_by("block", "probe", "frequency_khz", as_dict=True, maintain_order=True)
    blocks = [key[0] for key in by_key]
    # many blocks share the room of one page; what short series leave is for the long ones
    most = MOST_CHECKS
    while most > _FEWEST_DRAWN and sum(min(checks.height, most) for checks in by_key.values()) > _MOST_DRAWN:
        most -= 10
    times = tuple(sorted(page.settings["at"].drop_nulls().to_list())) if page.settings.height else ()
    found = []
    for key, checks in by_key.items():
        name = shorten(key[0], 60)
        if blocks.count(key[0]) > 1:
            stated = [words.FRAGMENT["not_stated"] if part is None else part for part in key[1:]]
            name = words.FRAGMENT["series"].format(block=name, probe=shorten(str(stated[0]), 40), frequency=stated[1])
        found.append((key, Series(name, checks, times, unit, clock, most)))
    return found
