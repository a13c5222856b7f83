"""Meters that went to another site: what was read before stays with the giver, and nothing after it is expected there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from schemas.digits import counted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from pipeline.judge.assessment import Basis

__all__ = ["handed_over", "left", "read_since"]


def handed_over(basis: Basis, meters: Sequence[str]) -> dict[str, tuple[str, datetime]]:
    """Return which of some meters were handed over and neither received nor set since: to whom in words, and when."""
    last = basis.meter_settings.filter(pl.col("meter").is_in(meters)).group_by("meter", maintain_order=True).last()
    gone = last.filter(pl.col("event") == "hand_over")
    return {meter: (kind, at) for meter, kind, at in gone.select("meter", "kind", "at").iter_rows()}


def left(basis: Basis, meters: Sequence[str]) -> dict[str, tuple[str, datetime]]:
    """Return those of them that were not checked since: nobody here is to check them."""
    gone = handed_over(basis, meters)
    of_gone = basis.runs.filter(pl.col("meter").is_in(list(gone)))
    last = dict(of_gone.group_by("meter").agg(pl.col("last_at").max()).iter_rows())
    return {meter: (said, at) for meter, (said, at) in gone.items() if meter not in last or last[meter] <= at}


def read_since(basis: Basis, meter: str) -> list[str]:
    """Return the flag of a meter that was read after it was handed over; none where it was not."""
    if not (gone := handed_over(basis, [meter])):
        return []
    said, at = gone[meter]
    checks = basis.checks.filter((pl.col("meter") == meter) & (pl.col("at") > at)).height
    lots = basis.brackets.filter((pl.col("meter") == meter) & (pl.col("last_at") > at))["lot"].unique().sort().to_list()
    if not checks and not lots:
        return []
    what = [counted(checks, "check")] if checks else []
    what += (
        [f"{'lot' if len(lots) == 1 else 'lots'} {', '.join(lots[:5])}{' and more' if len(lots) > 5 else ''}"]
        if lots
        else []
    )
    moment = at.astimezone(basis.settings.zone)
    found = (
        f"read_after_hand_over: {' and '.join(what)} read here after it was {said} on {moment:%Y-%m-%d %H:%M}; record that it "
        "came back (annealog record receipt), or find out which time is wrong"
    )
    return [found]
