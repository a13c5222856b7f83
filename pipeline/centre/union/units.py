"""One unit for all sites: MS/m (ISO 80000-6), whatever unit a site works in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.units import convert_expression

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["UNIT", "in_one_unit"]

UNIT = "MS/m"


def in_one_unit(frame: pl.DataFrame, level: str, values: Sequence[str], spreads: Sequence[str]) -> pl.DataFrame:
    """Return rows of several units in MS/m.

    Parameters
    ----------
    frame
        Has `unit` and the columns named.
    level
        The value at which the spreads hold.
    values
        Columns of conductivity or resistivity, `level` among them.
    spreads
        Columns of uncertainties, standard deviations and differences. They are carried over to first order (JCGM 100:2008, 5.1.2), which is
        exact between units of conductivity.
    """
    parts = []
    for key, part in frame.partition_by("unit", as_dict=True, maintain_order=True).items():
        unit = str(key[0])
        if unit != UNIT:
            factor = convert_expression(pl.col(level), unit, UNIT) / pl.col(level)
            part = part.with_columns(
                *(convert_expression(pl.col(name), unit, UNIT).alias(name) for name in values),
                *((pl.col(name) * factor).alias(name) for name in spreads),
                pl.lit(UNIT).alias("unit"),
            )
        parts.append(part)
    return pl.concat(parts) if parts else frame
