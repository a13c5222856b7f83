"""Whatever the history: a lot computed again alone, as the centre proves it, is what it is among all others. Invented numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl
from drawn_histories import HISTORY, SETTINGS, TABLES, cut_by_hour, written
from hypothesis import Phase, given, settings
from scenario import DAY

from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.publish.package import assessed, assessed_part, lots_read, pieces_of
from schemas.documents import as_json

if TYPE_CHECKING:
    import pytest


@settings(derandomize=True, deadline=None, max_examples=20, phases=(Phase.explicit, Phase.generate))
@given(steps=HISTORY)
def test_a_lot_alone(steps: list[Any], tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("part") / "h" / "a.duckdb"
    written(path, steps)
    with History.open(path, write=True) as history, history.transaction():
        for name, text in TABLES.items():
            history.put_reference_text(name, text, DAY)
    pieces: dict[str, list[pl.DataFrame]] = {}
    with History.open(path) as history:
        as_of = history.last_measured_at()
        if as_of is None:
            return
        found = assess(history, SETTINGS, as_of=as_of)
        pieces_of(
            history,
            found,
            {},
            lambda piece, data: pieces.setdefault(piece.table, []).append(pl.read_parquet(data)),
        )
    frames = {table: pl.concat(parts) for table, parts in pieces.items()}
    whole = assessed(frames, as_of)
    months = cut_by_hour(frames.pop("readings"))
    assert set(lots_read(frames, as_of, months)) >= {lot for lot, result in whole.lots.items() if result.readings}
    for lot in whole.lots:
        part = assessed_part(frames, as_of, [lot], frames["lots"], months)
        assert as_json(part.lots[lot]) == as_json(whole.lots[lot])
        for name in ("spot_values", "part_values", "budget_inputs", "bias_at_level"):
            mine, theirs = (getattr(one, name).filter(pl.col("lot") == lot) for one in (part, whole))
            assert mine.equals(theirs.select(mine.columns)), name
            # a column that other lots need says nothing of this one
            assert not any(any(row) for row in theirs.drop(mine.columns).iter_rows()), name
