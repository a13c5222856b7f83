"""Which readings belong to a study: those whose `run` stands in reference/studies.csv. They never count as production."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import polars as pl

__all__ = ["split_studies"]


def split_studies(readings: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Tell readings of studies from those of production.

    Readings of a study make no lot and no check, and no look-back names them; settings of the meter stay with production,
    whatever their run, because they hold for everything read after them.

    Parameters
    ----------
    readings
        From the history; `run` may be text or categories.
    tables
        Reference tables with `studies`.

    Returns
    -------
    (polars.DataFrame, polars.DataFrame)
        Production and studies, rows in the same order.
    """
    runs = tables["studies"]["run"].unique().to_list() if tables["studies"].height else []
    if not runs or readings["run"].null_count() == readings.height:
        return readings, readings.clear()
    inside = readings["run"].is_in(runs).fill_null(value=False) & (readings["role"] != "setting")
    if not inside.any():
        return readings, readings.clear()
    return readings.filter(~inside), readings.filter(inside)
