"""Whatever the history: a lot or a meter assessed alone is what it is in the assessment of everything. Invented numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
from drawn_histories import HISTORY, SETTINGS, TABLES, written
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipeline.history.store import History
from pipeline.intake.tables import parse_tables
from pipeline.judge.assess import assess
from schemas.documents import as_json

if TYPE_CHECKING:
    import pytest

    from pipeline.judge.assessment import Assessment


def without_events(found: Assessment, meter: str) -> Any:
    return as_json(replace(found.meters[meter], events=()))


@settings(derandomize=True, deadline=None, max_examples=25, phases=(Phase.explicit, Phase.generate))
@given(steps=HISTORY, hours=st.sampled_from([0, 3, 30]))
def test_a_lot_and_a_meter_alone(steps: list[Any], hours: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("part") / "h" / "a.duckdb"
    written(path, steps)
    tables = parse_tables(TABLES, zone=SETTINGS.zone)
    with History.open(path) as history:
        last = history.last_measured_at() or datetime(2026, 3, 3, tzinfo=UTC)
        ask: dict[str, Any] = {"as_of": last + timedelta(hours=hours), "tables": tables}
        whole = assess(history, SETTINGS, **ask)
        glance = whole.lots_at_a_glance()
        for lot in whole.lots:
            part = assess(history, SETTINGS, lots=[lot], all_lots=glance, **ask)
            assert as_json(part.lots[lot]) == as_json(whole.lots[lot])
            own = pl.col("lot") == lot
            for name in ("spot_values", "part_values", "budget_inputs", "bias_at_level"):
                mine, theirs = (getattr(found, name).filter(own) for found in (part, whole))
                assert mine.equals(theirs.select(mine.columns)), name
                # a column that other lots need says nothing of this one
                assert not any(any(row) for row in theirs.drop(mine.columns).iter_rows()), name
            hidden = ("before_run", "after_run")
            assert part.brackets.filter(own).drop(hidden).equals(whole.brackets.filter(own).drop(hidden))
        for meter in whole.meters:
            part = assess(history, SETTINGS, meters=[meter], all_lots=glance, **ask)
            assert without_events(part, meter) == without_events(whole, meter)
        together = assess(history, SETTINGS, lots=list(whole.lots), meters=list(whole.meters), all_lots=glance, **ask)
        assert as_json(together.lots) == as_json(whole.lots)
        assert {name: without_events(together, name) for name in whole.meters} == {
            name: without_events(whole, name) for name in whole.meters
        }
