"""The history: storage version, round trip of every type, lock-down, atomic transactions, the chain."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl
import pytest
from needed import lacking
from scenario import Scenario

from pipeline.errors import EnvironmentProblem, IntegrityProblem
from pipeline.history import found
from pipeline.history.chain import GENESIS_HASH, event_hash
from pipeline.history.store import History
from schemas.tables import READING
from schemas.validate import Failures, failures, require

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


def ledger(lines: int, **given: Any) -> dict[str, Any]:
    return {
        "sha256": "a" * 64, "name": "a.csv", "size": 1, "layout": "neutral", "layout_version": 1, "layout_text": "",
        "zone": "UTC", "taken_by_hand": False, "loaded_at": NOW, "lines": lines, "preamble": 0, "header": 1, "units": 0, "blank": 0, "footer": 0,
        "accepted": lines - 1, "duplicate": 0, "quarantined": 0, "readings": lines - 1, "conflicts": 0, "metadata": "{}",
        "warnings": "[]", **given,
    }  # fmt: skip


NO_QUARANTINE = pl.DataFrame(
    schema={"line": pl.Int64, "column": pl.String, "reason": pl.String, "sentence": pl.String, "original": pl.String}
)


def full_frame() -> pl.DataFrame:
    """One row with every column filled, one with every optional column empty."""
    scenario = Scenario()
    scenario.reading(NOW, 58.123456789012345, lot="L1", part="1", spot="s", probe="P", operator="Zoë Ø", sequence=7, count=3,
                     standard_deviation=0.1, temperature_source="internal", frequency_khz=60.0, thickness_mm=1.5,
                     coating_um=0.0, radius_mm=9.0, curvature_compensated=True, sensor="S", run="R", temperature_age_min=2.5,
                     pieces=2, remark='a,"b"\u2028',
                     block="B", non_reading=None)  # fmt: skip
    scenario.reading(NOW, 58.0)
    frame = scenario.frame().drop("source_id", "occurrence", "conflict")
    return frame.with_columns(
        pl.when(pl.col("line") == 3).then(None).otherwise("temperature_c").alias("temperature_c"),
        pl.lit(1).cast(pl.Int32).alias("occurrence"),
        pl.lit(False).alias("conflict"),
    )


def test_every_type_comes_back_as_it_went_in(tmp_path: Path) -> None:
    frame = full_frame()
    place = tmp_path / "h" / "a.duckdb"
    with History.open(place, write=True) as history, history.transaction():
        history.add_file(ledger(3), frame, NO_QUARANTINE)
    with History.open(place) as history:
        back = READING.complete(history.readings()).sort("line")
    assert back.equals(READING.complete(frame))
    assert back.schema == READING.complete(frame).schema


def test_a_file_that_does_not_balance_is_refused_whole(tmp_path: Path) -> None:
    with History.open(tmp_path / "a.duckdb", write=True) as history:
        with pytest.raises(IntegrityProblem, match="by fate"), history.transaction():
            history.add_file(ledger(3, blank=1), full_frame(), NO_QUARANTINE)
        assert history.sources().height == 0
        assert history.readings().height == 0


def test_a_failed_transaction_leaves_nothing(tmp_path: Path) -> None:
    def stop_after_storing(history: History) -> None:
        with history.transaction():
            history.add_file(ledger(3), full_frame(), NO_QUARANTINE)
            raise KeyboardInterrupt

    with History.open(tmp_path / "a.duckdb", write=True) as history:
        with pytest.raises(KeyboardInterrupt):
            stop_after_storing(history)
        assert (history.sources().height, history.readings().height) == (0, 0)


def test_the_connection_cannot_touch_files(tmp_path: Path) -> None:
    import duckdb

    other = tmp_path / "secret.csv"
    other.write_text("a\n1\n", encoding="utf-8")
    with History.open(tmp_path / "a.duckdb", write=True) as history:
        for statement in (
            f"SELECT * FROM read_csv('{other}')",
            f"COPY event TO '{tmp_path / 'out.csv'}'",
            f"ATTACH '{tmp_path / 'b.duckdb'}'",
            "INSTALL httpfs",
            "SET enable_external_access = true",
        ):
            with pytest.raises(duckdb.Error):
                history._run(statement)
    assert sorted(p.name for p in tmp_path.iterdir() if not p.is_dir()) == ["a.duckdb", "secret.csv"]


def test_the_chain_tells_a_changed_event() -> None:
    one = event_hash(1, NOW, "load", "{}", "Ada", "because", GENESIS_HASH)
    assert one == event_hash(1, NOW, "load", "{}", "Ada", "because", GENESIS_HASH)
    # a text moved from one field to the next is another event
    assert one != event_hash(1, NOW, "load", "{}", "Adab", "ecause", GENESIS_HASH)
    assert len({event_hash(n, NOW, "load", "{}", "Ada", "because", GENESIS_HASH) for n in range(5)}) == 5


def test_decisions_are_all_events_but_the_loads(tmp_path: Path) -> None:
    kinds = ["load", "adjustment", "load", "disposition", "discard", "exclusion", "load"]
    with History.open(tmp_path / "a.duckdb", write=True) as history:
        with history.transaction():
            for number, kind in enumerate(kinds):
                history.append_event(kind, {"sha256": str(number)}, by="Ada", why="because", at=NOW)
        events = history.events()
        assert [event.kind for event in events] == kinds
        assert history.decisions() == [event for event in events if event.kind != "load"]
        assert history.events("load") == [event for event in events if event.kind == "load"]


def test_a_missing_or_broken_history_is_named(tmp_path: Path) -> None:
    with pytest.raises(EnvironmentProblem, match="annealog load"):
        History.open(tmp_path / "none.duckdb")
    broken = tmp_path / "broken.duckdb"
    broken.write_bytes(b"this is no database at all" * 1000)
    with pytest.raises(IntegrityProblem, match="cannot be read"):
        History.open(broken)


def test_an_older_duckdb_opens_our_file(tmp_path: Path) -> None:
    """The storage version is stated when the file is made, so that DuckDB 1.5 reads it (design: history)."""
    python = os.environ.get("ANNEALOG_OLD_DUCKDB")
    if not python:
        lacking("set ANNEALOG_OLD_DUCKDB to a Python that has duckdb 1.5")
    place = tmp_path / "a.duckdb"
    with History.open(place, write=True) as history:
        with history.transaction():
            history.add_file(ledger(3), full_frame(), NO_QUARANTINE)
        history.checkpoint()
    code = (
        "import duckdb, sys; assert duckdb.__version__.startswith('1.5'), duckdb.__version__; "
        "print(duckdb.connect(sys.argv[1], read_only=True).execute('SELECT count(*) FROM reading').fetchone()[0])"
    )
    done = subprocess.run([python, "-c", code, str(place)], capture_output=True, text=True, check=False)
    assert (done.stdout.strip(), done.returncode) == ("2", 0), done.stderr


def test_validation_looks_at_values_of_eager_frames_only() -> None:
    frame = READING.complete(full_frame())
    assert failures(READING, frame).height == 0
    bad = frame.with_columns(value=pl.lit(float("nan")), role=pl.lit("guess"))
    cases = failures(READING, bad)
    assert set(cases["column"]) == {"value", "role"}
    with pytest.raises(Failures, match="guess"):
        require(READING, bad)
    with pytest.raises(TypeError, match="eager"):
        failures(READING, bad.lazy())  # type: ignore[arg-type]


def test_only_the_flow_path_imports_prefect() -> None:
    """Reading commands never start the server, and do not pay for its import."""
    code = (
        "import sys; from pipeline.cli import run; run(['--help']); import pipeline.load.load, pipeline.pages.render; "
        "assert 'prefect' not in sys.modules; print('light')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.strip().endswith("light"), done.stderr


def test_blocks_of_kept_results_are_large_where_the_history_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    history = tmp_path / "annealog.duckdb"
    history.write_bytes(b"x" * 100)
    for bound, size in ((100, 65_536), (101, 16_384)):
        monkeypatch.setattr(found, "_LARGE", bound)
        found.forget(history)
        with found.FoundStore.written(history, wait_s=0.0) as store:
            store.note({})
        with duckdb.connect(str(found.found_path(history)), read_only=True) as file:
            assert file.execute("SELECT block_size FROM pragma_database_size()").fetchall() == [(size,)]
