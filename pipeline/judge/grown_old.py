"""What the clock alone changes: the last run of a meter grows old, and parts have waited long enough for their closing check.

Nothing was read or recorded of these meters, so their checks and runs, and where their brackets lie, stay as they were found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.assessment import OF_METERS
from pipeline.judge.cuts import AFTER, no_cuts
from pipeline.metrology.support import BRACKET_COLUMNS, grown_old

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pipeline.history.found import FoundStore
    from pipeline.judge.assessment import Basis
    from schemas.results import MeterResult

__all__ = ["OldBrackets", "old_brackets", "with_states"]


@dataclass(frozen=True, kw_only=True)
class OldBrackets:
    """Brackets that waited for a closing check, and those kept beside them.

    `at` says behind which run they lie, as `Cuts` does; `rows` are what is kept of them now. `lots` waited, and `last_runs` has the
    number of the last run of each meter on which some wait no more.
    """

    at: pl.DataFrame
    rows: pl.DataFrame
    lots: frozenset[str]
    last_runs: Mapping[str, int]


def old_brackets(store: FoundStore, waiting: Mapping[str, int], basis: Basis) -> OldBrackets:
    """Look again, as of the moment of `basis`, at what waits for its closing check on some meters, behind the runs of these numbers."""
    at = no_cuts(sorted(waiting)).at.with_columns(
        judged=pl.Series([waiting[meter] for meter in sorted(waiting)], dtype=pl.Int64)
    )
    if not waiting:
        return OldBrackets(at=at, rows=pl.DataFrame(schema=BRACKET_COLUMNS), lots=frozenset(), last_runs={})
    rows = store.read("brackets", "meter", where=(AFTER["brackets"], at))
    interval = timedelta(hours=basis.settings.check_interval_hours)
    now = grown_old(rows, interval=interval, as_of=basis.as_of)
    over = now.filter(pl.col("support") != rows["support"])["meter"].unique()
    runs = store.read("runs", "meter", over, columns=["meter", "run"])
    last = runs.group_by("meter").agg(pl.col("run").max())
    return OldBrackets(
        at=at,
        rows=now,
        lots=frozenset(rows.filter(pl.col("support") == "open")["lot"]),
        last_runs=dict(last.iter_rows()),
    )


def with_states(
    store: FoundStore, meters: Iterable[str], kept: Mapping[str, MeterResult], basis: Basis
) -> dict[str, MeterResult]:
    """Return kept results of some meters with their states as of the moment of `basis`."""
    from pipeline.judge.meters.meters import meter_state

    named = sorted(meters)
    frames = {}
    for name in ("runs", "meter_settings"):
        like: pl.DataFrame = getattr(basis, name)
        rows = store.read(name, "meter", named).select(like.columns).cast(like.schema)
        frames[name] = rows.sort(OF_METERS[name], maintain_order=True)
    own = basis.restated(**frames)
    found = {}
    for meter in named:
        state, reasons = meter_state(meter, own)
        found[meter] = replace(kept[meter], state=state, reasons=tuple(reasons))
    return found
