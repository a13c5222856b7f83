"""All sites together, ready to be asked: their tables with the company's names, in one unit, copies counted once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from pipeline.centre.union.hand_overs import MOVES, READING_CONTENT, READING_SLOT, hand_overs
from pipeline.centre.union.names import counted_once, named
from pipeline.centre.union.units import in_one_unit
from schemas.company import COMPANY_TABLES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime, timedelta

    from schemas.union import HandOver

__all__ = ["Company", "readings_once", "together"]

_CHECK_SLOT = ("instrument", "at", "probe", "frequency_khz", "company_block")
_CHECK_CONTENT = ("readings", "mean", "standard_deviation")
_LOT_SLOT = ("instrument", "lot", "first_at", "last_at")
_LOT_CONTENT = ("parts", "readings", "mean", "standard_deviation")


@dataclass(frozen=True, slots=True, kw_only=True)
class Company:
    """All sites; frames as `schemas.company` declares them, with `site`, the company's names and `also_at`.

    `heads`: site, number, sha256, made_at, came_at, program, last_reading_at, closed. `names` are the company's tables. `moves` are hand-overs
    and receipts (`hand_overs.moves_of`), `moved` reads the raw readings of the meters that they are about: many, so only when asked.
    """

    heads: pl.DataFrame
    names: Mapping[str, pl.DataFrame]
    checks: pl.DataFrame
    lots: pl.DataFrame
    meters: pl.DataFrame
    moves: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=MOVES))
    moved: Callable[[], pl.DataFrame] = lambda: COMPANY_TABLES["readings"].empty().with_columns(site=pl.lit(""))

    def hand_overs(self, on_the_way: timedelta, *, end: datetime | None = None) -> tuple[HandOver, ...]:
        """Return what is to be said of meters that were handed over, before a moment; parameters as of that module."""
        moves = self.moves if end is None else self.moves.filter(pl.col("at") < end)
        if moves.is_empty():
            return ()
        moved = self.moved() if end is None else self.moved().filter(pl.col("measured_at") < end)
        return hand_overs(moves, moved, self.names, self.heads, self.meters, on_the_way=on_the_way)

    @property
    def copies(self) -> int:
        """How many checks and lots lay at other sites, too."""
        return sum(int(frame["also_at"].list.len().sum()) for frame in (self.checks, self.lots))


def together(heads: pl.DataFrame, tables: Mapping[str, pl.DataFrame], names: Mapping[str, pl.DataFrame]) -> Company:
    """Put the sites together, in any order.

    Parameters
    ----------
    heads
        One row a site.
    tables
        `checks`, `lots`, `meters` of all sites.
    names
        The company's tables.
    """
    checks = named(tables["checks"], names, at="at")
    checks = in_one_unit(
        checks, "mean", ("mean", "certified_value"),
        ("standard_deviation", "bias", "certificate_standard_uncertainty"),
    )  # fmt: skip
    lots = named(_with_meters(tables["lots"], tables["meters"], names), names)
    lots = in_one_unit(lots, "mean", ("mean",), ("standard_deviation", "expanded_uncertainty"))
    order = ("site", "meter", "lot", "block", "at", "first_at")
    once = counted_once(checks, _CHECK_SLOT, _CHECK_CONTENT), counted_once(lots, _LOT_SLOT, _LOT_CONTENT)
    frames = (*once, tables["meters"])
    checks, lots, meters = (
        frame.sort(*(column for column in order if column in frame.columns), maintain_order=True) for frame in frames
    )
    return Company(heads=heads.sort("site"), names=names, checks=checks, lots=lots, meters=meters)


def _with_meters(lots: pl.DataFrame, meters: pl.DataFrame, names: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Add what is known of the meters that read a lot.

    `instrument` is all of them, joined; null where no table names one. `on_suspended` says whether one is suspended now.
    """
    lots = lots.with_row_index("_lot")
    read = lots.select("_lot", "site", "first_at", pl.col("meters").str.split(" ").alias("meter")).explode("meter")
    state = meters.select("site", "meter", (pl.col("state") == "suspended").alias("_suspended"))
    found = (
        named(read, names, at="first_at")
        .join(state, on=["site", "meter"], how="left")
        .group_by("_lot")
        .agg(
            pl.col("instrument").sort().str.join(", "),
            pl.col("instrument").is_null().any().alias("_unknown"),
            pl.col("_suspended").any().alias("on_suspended"),
        )
        .select("_lot", pl.when(~pl.col("_unknown")).then("instrument").alias("instrument"), "on_suspended")
    )
    return lots.join(found, on="_lot", how="left", maintain_order="left").drop("_lot")


def readings_once(
    readings: pl.DataFrame, names: Mapping[str, pl.DataFrame], instrument: str
) -> tuple[int, dict[str, int]]:
    """Count the readings of an instrument, and those that a second site has, too.

    Parameters
    ----------
    readings
        Raw readings of all sites.
    names
        The company's tables.
    instrument
        Maker and serial number.

    Returns
    -------
    (int, dict)
        Each reading once; site -> how many copies it holds of what another site has.
    """
    own = named(readings, names, at="measured_at").filter(pl.col("instrument") == instrument)
    once = counted_once(own, READING_SLOT, READING_CONTENT)
    copies = once.explode("also_at").drop_nulls("also_at")["also_at"].value_counts().sort("also_at")
    return once.height, dict(copies.iter_rows())
