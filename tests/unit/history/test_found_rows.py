"""Rows that stand apart, a file for the lots that were judged together: few files, every lot's rows, and no damaged one believed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb
import polars as pl
import pytest

from pipeline.errors import FoundDamaged
from pipeline.history import found_rows
from pipeline.history.found_rows import _FEW_LOTS, _FILES, RowsApart

if TYPE_CHECKING:
    from pathlib import Path


def test_many_files_with_few_lots_become_one_and_every_lot_keeps_its_rows(tmp_path: Path) -> None:
    def spots(lot: int, value: float) -> pl.DataFrame:
        return pl.DataFrame({"lot": [f"L-{lot}"] * 2, "value": [value, value + 0.5], "_place": [0, 1]})

    def of(*lots: int) -> list[tuple[str, float]]:
        frames = apart.read("spot_values", "lot", [f"L-{lot}" for lot in lots], ["lot", "value"])
        return sorted(pl.concat(frames).iter_rows())

    apart = RowsApart(duckdb.connect(), tmp_path / "history.duckdb")
    whole = pl.concat(spots(lot, 7.0) for lot in range(1_000, 1_000 + _FEW_LOTS))
    apart.put("spot_values", "lot", None, whole)
    for lot in range(_FILES):
        apart.put("spot_values", "lot", [f"L-{lot}"], spots(lot, float(lot)))
    apart.tidy()
    assert len(list(tmp_path.glob("found/*"))) == _FILES + 1, "as many as may stand beside each other"
    apart.put("spot_values", "lot", [f"L-{_FILES}"], spots(_FILES, 1.0))
    apart.put("spot_values", "lot", ["L-3"], spots(3, 30.0))
    apart.tidy()
    assert len(list(tmp_path.glob("found/*"))) == 2, "that of many lots, and one of all others"
    assert of(_FILES) == [(f"L-{_FILES}", 1.0), (f"L-{_FILES}", 1.5)]
    assert of(3, 4) == [("L-3", 30.0), ("L-3", 30.5), ("L-4", 4.0), ("L-4", 4.5)]
    assert len(of(*range(_FILES + 1), *range(1_000, 1_000 + _FEW_LOTS))) == 2 * (_FILES + 1 + _FEW_LOTS)
    assert apart.whole()


def test_a_file_that_the_disk_changed_is_not_put_together_with_others_and_stays_to_be_told(tmp_path: Path) -> None:
    apart = RowsApart(duckdb.connect(), tmp_path / "history.duckdb")
    for lot in range(_FILES + 1):
        apart.put("spot_values", "lot", None, pl.DataFrame({"lot": [f"L-{lot}"], "value": [1.0 * lot]}))
    files = sorted(tmp_path.glob("found/*"))
    files[0].write_bytes(b"otherwise")
    apart.tidy()
    assert sorted(tmp_path.glob("found/*")) == files
    assert not apart.whole()


def test_a_file_that_was_read_is_read_again_only_where_it_was_written_since(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def asked(lot: str) -> list[float]:
        (rows,) = apart.read("spot_values", "lot", [lot], ["lot", "value"])
        return rows["value"].to_list()

    apart, read = RowsApart(duckdb.connect(), tmp_path / "history.duckdb"), list[str]()
    for first in (0, 2, 4):
        lots = {f"L-{lot}": 1.0 * lot for lot in (first, first + 1)}
        apart.put("spot_values", "lot", None, pl.DataFrame({"lot": list(lots), "value": list(lots.values())}))
    whole = RowsApart._bytes

    def noted(one: RowsApart, file: str) -> bytes:
        read.append(file)
        return whole(one, file)

    monkeypatch.setattr(RowsApart, "_bytes", noted)
    assert [asked(f"L-{lot}") for lot in (0, 1, 0, 2, 3)] == [[0.0], [1.0], [0.0], [2.0], [3.0]]
    assert len(read) == len(set(read)) == 2
    assert asked("L-404") == []
    monkeypatch.setattr(found_rows, "_MOST_AT_HAND", 0)
    assert [asked(f"L-{lot}") for lot in (4, 5, 0)] == [[4.0], [5.0], [0.0]]
    assert len(read) == 4, "more than may be held is let go, that of the first lots with it"
    path = tmp_path / "found" / f"{read[-1]}.parquet"
    data = path.read_bytes()
    path.write_bytes(data[::-1])
    with pytest.raises(FoundDamaged):
        asked("L-0")
    path.write_bytes(data)
    assert asked("L-1") == [1.0]
