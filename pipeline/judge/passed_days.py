"""What a day in a table that has come reaches, of what was judged before it: a version began to hold, a certificate fell due.

Values, limits and checks follow from the versions of the time at which something was read, so they stay. What is said of now alone moves:
states of meters, certificates of blocks that are overdue, external calibrations.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from pipeline.history.found import FoundStore

__all__ = ["Reached", "reached_by_days"]

_OF_THEIR_TIME = {"blocks", "corrections", "material_ranges", "materials", "probes", "sensors", "specifications", "studies", "suppliers"}  # fmt: skip
"""Tables whose versions hold for what was read at their time, and not for what is asked about now."""
_A_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Reached:
    """Meters that days reach: of some the state alone, others are to be judged behind their last setting."""

    states: frozenset[str] = frozenset()
    meters: frozenset[str] = frozenset()


def reached_by_days(
    store: FoundStore, tables: Mapping[str, pl.DataFrame], *, before: datetime, as_of: datetime
) -> Reached | None:
    """Return what the days in tables reach that came between two moments.

    Parameters
    ----------
    store
        Where what was found as of `before` is kept.
    tables
        Reference tables, which said the same then; what they say of a lot touches that lot, and is no matter here.
    before, as_of
        The moments; the first is not part of the time between them.

    Returns
    -------
    Reached or None
        None where it cannot be bounded: a sensor was checked, the smallest step of a meter is another one, or days of a table that
        nothing is known of.
    """
    states: set[str] = set()
    meters: set[str] = set()
    for name, table in tables.items():
        if "lot" in table.columns or not table.height:
            continue
        days = [day for day, dtype in table.schema.items() if dtype.is_temporal()]
        came = table.filter(
            pl.any_horizontal(
                (pl.col(day) + late).is_between(before, as_of, closed="right").fill_null(value=False)
                for day in days
                for late in (timedelta(), _A_DAY)
            )
        )
        if not came.height:
            continue
        if name == "meters":
            if _steps(table, before) != _steps(table, as_of):
                return None
            states.update(came["meter"])
        elif name == "calibrations":
            meters.update(came["meter"])
        elif name == "blocks":
            meters.update(_checked_on(store, before, as_of))
        elif name not in _OF_THEIR_TIME:
            return None
    return Reached(states=frozenset(states), meters=frozenset(meters))


def _steps(meters: pl.DataFrame, moment: datetime) -> list[tuple[object, ...]]:
    """Return the smallest steps of meters: soft spots of all lots are told by those of now."""
    return version_at(meters, ["meter"], moment).select("meter", "resolution", "unit").sort("meter").rows()


def _checked_on(store: FoundStore, before: datetime, as_of: datetime) -> list[str]:
    """Return the meters with a check on a certificate that fell due meanwhile; the day itself still counts."""
    due = store.read("checks", columns=["meter", "certificate_due_on"])
    over = (pl.col("certificate_due_on") + _A_DAY).is_between(before, as_of, closed="right")
    return due.filter(over)["meter"].unique().to_list()
